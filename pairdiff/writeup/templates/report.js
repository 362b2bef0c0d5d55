// Looks at a pair of pictures: side by side, divided by a line, or one at a time; opens the moment next to a place on the time axis; and
// says the levels there. Without it the page shows the pictures side by side, and links to the moments.
"use strict";
(() => {
  const CHANGE_MS = 350, CALM_CHANGE_MS = 1000; // between two changes of what is seen: fewer than three a second
  const ZOOMS = [1, 1.5, 2, 3, 4, 6, 8], PAN_SHARE = 0.1, LINE_STEP = 0.02;
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const changeMs = () => (calm.matches ? CALM_CHANGE_MS : CHANGE_MS);
  const within = (value, low, high) => Math.min(Math.max(value, low), high);

  const make = (tag, properties, ...inner) => {
    const element = Object.assign(document.createElement(tag), properties);
    element.append(...inner);
    return element;
  };

  const arrange = (pair, number) => {
    const images = [...pair.querySelectorAll("img")];
    let way = "both", shown = "hdr", zoom = 0, centre = [0.5, 0.5];
    let line = 0.5, wanted = 0.5, moving = false, changed = -Infinity;

    // Whatever replaces one picture by the other asks here first.
    const mayChange = () => {
      const now = performance.now();
      if (now - changed < changeMs()) return false;
      changed = now;
      return true;
    };

    const slider = make("input", { type: "range", min: 0, max: 100, step: 1, value: 50, id: `line-${number}` });
    const sliderLabel = make("label", { htmlFor: slider.id }, "Dividing line", slider);
    const other = make("button", { type: "button" });
    const said = make("span", { className: "said" });
    said.setAttribute("aria-live", "polite");
    const ways = [["both", "Side by side"], ["divided", "Divided"], ["single", "One at a time"]].map(([name, words]) =>
      Object.assign(make("button", { type: "button" }, words), { way: name, onclick: () => choose(name) }));
    const closer = make("button", { type: "button", onclick: () => enlarge(zoom + 1) }, "Enlarge");
    const farther = make("button", { type: "button", onclick: () => enlarge(zoom - 1) }, "Reduce");
    const whole = make("button", { type: "button", onclick: () => enlarge(0) }, "Whole picture");

    const draw = () => {
      const size = ZOOMS[zoom], edge = 0.5 / size;
      centre = centre.map(place => within(place, edge, 1 - edge));
      const [across, down] = centre.map(place => (0.5 - place * size) * 100);
      for (const image of images) image.style.transform = size === 1 ? "" : `translate(${across}%, ${down}%) scale(${size})`;
      pair.dataset.way = way;
      pair.dataset.shown = shown;
      pair.classList.toggle("enlarged", zoom > 0);
      pair.style.setProperty("--line", `${line * 100}%`);
      for (const button of ways) button.setAttribute("aria-pressed", String(button.way === way));
      sliderLabel.hidden = way !== "divided";
      other.hidden = way !== "single";
      other.textContent = shown === "hdr" ? "Show SDR" : "Show HDR";
      said.textContent = way === "single" ? `${shown.toUpperCase()} is shown` : "";
      closer.disabled = zoom === ZOOMS.length - 1;
      farther.disabled = whole.disabled = zoom === 0;
    };
    const choose = name => {
      if (name === way || !mayChange()) return;
      way = name;
      draw();
    };
    const swap = () => {
      if (way !== "single" || !mayChange()) return;
      shown = shown === "hdr" ? "sdr" : "hdr";
      draw();
    };
    const enlarge = step => {
      zoom = within(step, 0, ZOOMS.length - 1);
      draw();
    };
    const pan = (across, down) => {
      centre = [centre[0] + across / ZOOMS[zoom], centre[1] + down / ZOOMS[zoom]];
      draw();
    };
    // The line takes as long across the picture as a change has to: it cannot be jerked to and fro either.
    const moveLine = place => {
      wanted = within(place, 0, 1);
      slider.value = String(Math.round(wanted * 100));
      if (moving) return;
      moving = true;
      let before = performance.now();
      const step = now => {
        const most = Math.max(now - before, 0) / changeMs();
        before = now;
        line += within(wanted - line, -most, most);
        draw();
        moving = Math.abs(wanted - line) > 1e-6;
        if (moving) requestAnimationFrame(step);
      };
      requestAnimationFrame(step);
    };

    slider.oninput = () => moveLine(slider.value / 100);
    other.onclick = swap;
    pair.onkeydown = event => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (step && zoom > 0) pan(step[0] * PAN_SHARE, step[1] * PAN_SHARE);
      else if (step && step[0] && way === "divided") moveLine(wanted + step[0] * LINE_STEP);
      else if (event.key === "+" || event.key === "=") enlarge(zoom + 1);
      else if (event.key === "-") enlarge(zoom - 1);
      else if (event.key === "0") enlarge(0);
      else if (event.key === " " && way === "single") swap();
      else return;
      event.preventDefault();
    };
    let held = null;
    pair.onpointerdown = event => {
      const frame = event.target.closest(".frame");
      if (!frame || event.button !== 0 || (zoom === 0 && way !== "divided")) return;
      held = { frame, at: [event.clientX, event.clientY] };
      pair.setPointerCapture(event.pointerId);
      if (zoom === 0) moveLine((event.clientX - frame.getBoundingClientRect().left) / frame.clientWidth);
    };
    pair.onpointermove = event => {
      if (!held) return;
      const { frame, at } = held;
      if (zoom === 0) moveLine((event.clientX - frame.getBoundingClientRect().left) / frame.clientWidth);
      else pan((at[0] - event.clientX) / frame.clientWidth, (at[1] - event.clientY) / frame.clientHeight);
      held.at = [event.clientX, event.clientY];
    };
    pair.onpointerup = pair.onpointercancel = () => { held = null; };
    images.forEach(image => { image.draggable = false; });

    const controls = make("div", { className: "viewer" },
      make("span", { className: "ways" }, ...ways), make("span", { className: "ways" }, closer, farther, whole), sliderLabel, other, said,
      make("small", {}, number ? "Nothing changes by itself, and never more than three times a second."
        : "Nothing changes by itself, and never more than three times a second: flicker can hurt people who are sensitive "
        + "to it. With the pictures chosen by Tab: space shows the other one, + and − enlarge and reduce, arrows move."));
    controls.setAttribute("role", "group");
    controls.setAttribute("aria-label", "How the two pictures are shown");
    pair.before(controls);
    pair.tabIndex = 0;
    pair.setAttribute("role", "group");
    pair.setAttribute("aria-label", "The two pictures");
    draw();
  };

  // A place on the time axis opens the moment next to it.
  const open = chart => {
    const [start, stop, left, right] = chart.dataset.time.split(" ").map(Number);
    const links = [...document.querySelectorAll(".moments a")];
    if (!links.length) return;
    chart.classList.add("opens");
    chart.onclick = event => {
      const box = chart.getBoundingClientRect();
      const place = (event.clientX - box.left) / box.width * chart.viewBox.baseVal.width;
      const time = start + within((place - left) / (right - left), 0, 1) * (stop - start);
      const far = link => Math.abs(link.dataset.at - time);
      const heading = document.querySelector(links.reduce((best, link) => far(link) < far(best) ? link : best).hash);
      heading.scrollIntoView();
      heading.focus({ preventScroll: true });
    };
  };

  // What holds at a place on the time axis, by pointer or by key.
  const readOff = (box, data) => {
    const charts = [...box.querySelectorAll("svg[data-time]")], last = data.times_s.length - 1;
    const { ends, pairs, rows: figures, words: kind } = data.shots;
    const clock = time => {
      const whole = Math.floor(time / 60), seconds = (time - 60 * whole).toFixed(3).padStart(6, "0");
      return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}:${seconds}`;
    };
    const slider = make("input", { type: "range", min: 0, max: last, step: 1, value: 0, id: "place" });
    const said = make("dl", { className: "readout" });
    const row = (words, text) => make("div", {}, make("dt", {}, words), make("dd", {}, text));
    const lines = charts.map(chart => {
      const line = document.createElementNS(chart.namespaceURI, "path");
      line.setAttribute("class", "place");
      chart.append(line);
      return line;
    });
    let time = 0;
    const list = (rows, index) => rows.map(([name, values]) => `${name} ${values[index] ?? "none"}`).join(", ");
    const sayShot = () => {
      const shot = ends.findIndex(([start, stop]) => start <= time && (time < stop || start === stop && time === start));
      if (shot < 0) return row(kind, ends.length ? "none with scored pairs here" : "none with scored pairs");
      const [start, stop] = ends[shot], many = pairs[shot] === 1 ? "1 scored pair" : `${pairs[shot]} scored pairs`;
      const when = start === stop ? clock(start) : `${clock(start)} to ${clock(stop)}`;
      return row(`${kind} ${shot + 1} of ${ends.length}, ${when}`, `${list(figures, shot)}; ${many}`);
    };
    const say = at => {
      time = at;
      const index = nearest(time), sdr = data.sdr_times_s[index];
      slider.value = String(index);
      said.replaceChildren(row("Film time", `HDR ${clock(time)}, SDR ${sdr === null ? "has no partner here" : clock(sdr)}`),
        ...data.panels.map(panel => row(panel.words, list(panel.rows, index))),
        ...(data.frames.length ? [row("This frame", list(data.frames, index))] : []), sayShot());
      slider.setAttribute("aria-valuetext", clock(time));
      charts.forEach((chart, number) => {
        const [start, stop, left, right] = chart.dataset.time.split(" ").map(Number);
        const x = left + (right - left) * within((time - start) / (stop - start), 0, 1);
        lines[number].setAttribute("d", `M${x} 30V${chart.viewBox.baseVal.height - 26}`);
      });
    };
    const nearest = at => {
      let low = 0, high = last;
      while (low < high) {
        const middle = (low + high) >> 1;
        if (data.times_s[middle] < at) low = middle + 1; else high = middle;
      }
      return low > 0 && at - data.times_s[low - 1] < data.times_s[low] - at ? low - 1 : low;
    };
    // Places are fewer than shots in a long film: shots have steps of their own.
    const middle = ([start, stop]) => (start + stop) / 2;
    const step = way => {
      const there = ends.map(middle).filter(at => way * (at - time) > 1e-6);
      if (there.length) say(way > 0 ? Math.min(...there) : Math.max(...there));
    };
    for (const chart of charts) {
      const [start, stop, left, right] = chart.dataset.time.split(" ").map(Number);
      chart.addEventListener("pointermove", event => {
        const area = chart.getBoundingClientRect();
        const place = (event.clientX - area.left) / area.width * chart.viewBox.baseVal.width;
        say(data.times_s[nearest(start + within((place - left) / (right - left), 0, 1) * (stop - start))]);
      });
    }
    slider.oninput = () => say(data.times_s[Number(slider.value)]);
    const button = (words, way) => make("button", { type: "button", onclick: () => step(way) }, `${words} ${kind.toLowerCase()}`);
    const steps = ends.length ? [make("span", { className: "ways" }, button("Previous", -1), button("Next", 1))] : [];
    box.after(make("div", { className: "places viewer" }, make("label", { htmlFor: slider.id }, "Place in the film", slider), ...steps, said));
    say(ends.length ? middle(ends[0]) : data.times_s[0]);
  };

  // What a place in a scope means. PQ: SMPTE ST 2084.
  const pqToNits = code => {
    const power = Math.pow(within(code, 0, 1), 32 / 2523);
    return 10000 * Math.pow(Math.max(power - 107 / 128, 0) / (2413 / 128 - 2392 / 128 * power), 8192 / 1305);
  };
  const sayNits = nits => `${nits < 10 ? nits.toPrecision(2) : nits.toFixed(0)} cd/m²`;
  const explain = chart => {
    const said = document.createElementNS(chart.namespaceURI, "text");
    said.setAttribute("class", "scope-said halo");
    chart.append(said);
    const [kind, ...numbers] = chart.dataset.scale.split(" ");
    const scale = numbers.map(Number);
    chart.addEventListener("pointermove", event => {
      const area = chart.getBoundingClientRect(), box = chart.viewBox.baseVal;
      const x = (event.clientX - area.left) / area.width * box.width, y = (event.clientY - area.top) / area.height * box.height;
      const up = (top, floor) => within((floor - y) / (floor - top), 0, 1);
      if (kind === "light") said.textContent = sayNits(pqToNits(up(scale[0], scale[1])));
      else if (kind === "tone") {
        const across = within((x - scale[0]) / scale[1], 0, 1);
        said.textContent = `SDR ${sayNits(pqToNits(across))}, HDR ${sayNits(pqToNits(up(scale[2], scale[3])))}`;
      } else {
        const across = within((x - scale[0]) / scale[1], 0, 1);
        said.textContent = `u' ${(across * scale[4]).toFixed(3)}, v' ${(up(scale[2], scale[3]) * scale[5]).toFixed(3)}`;
      }
      const beyond = x > box.width / 2; // the words stay inside the drawing
      said.setAttribute("x", String(x + (beyond ? -10 : 10)));
      said.setAttribute("y", String(Math.max(y - 8, 16)));
      said.setAttribute("text-anchor", beyond ? "end" : "start");
    });
    chart.addEventListener("pointerleave", () => { said.textContent = ""; });
  };

  // The card as a PNG, for hosts that take no SVG: the page's own pictures and the reader's own letters, drawn where asked for.
  const offerCard = (template, links) => {
    const save = async () => {
      const card = template.content.querySelector("svg").cloneNode(true);
      const article = template.dataset.moment && document.getElementById(template.dataset.moment).closest("article");
      for (const side of article ? ["hdr", "sdr"] : []) {
        card.querySelector(`image.of-${side}`).setAttribute("href", article.querySelector(`.of-${side} img`).src);
      }
      const image = new Image();
      image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(new XMLSerializer().serializeToString(card))}`;
      await image.decode();
      const canvas = make("canvas", { width: image.naturalWidth, height: image.naturalHeight });
      canvas.getContext("2d").drawImage(image, 0, 0);
      make("a", { href: canvas.toDataURL("image/png"), download: "card.png" }).click();
    };
    links.append(" ", make("button", { type: "button", onclick: save }, "Save it as PNG"));
  };

  document.querySelectorAll(".pair").forEach(arrange);
  document.querySelectorAll("svg[data-scale]").forEach(explain);
  document.querySelectorAll("svg[data-time]").forEach(open);
  // On paper nothing can be opened: what is folded is unfolded, but for the long lists of settings and constants.
  let unfolded = [];
  addEventListener("beforeprint", () => {
    unfolded = [...document.querySelectorAll("details:not([open]):not(.long)")];
    unfolded.forEach(one => { one.open = true; });
  });
  addEventListener("afterprint", () => { unfolded.forEach(one => { one.open = false; }); });
  offerCard(document.getElementById("card"), document.querySelector(".card-links"));
  const levels = document.getElementById("levels-data");
  if (levels) readOff(document.querySelector(".film-levels"), JSON.parse(levels.textContent));
})();
