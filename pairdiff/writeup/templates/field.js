// Finds, filters and sorts titles, and marks the place of the one that is pointed at or chosen. Without it the page shows all of them.
"use strict";
(() => {
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const make = (tag, properties, ...inner) => {
    const element = Object.assign(document.createElement(tag), properties);
    element.append(...inner);
    return element;
  };
  const plain = text => text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
  const figureOf = (row, name) => {
    const stated = row.getAttribute(`data-${name.replaceAll("_", "-")}`);
    return stated === null || stated === "" ? null : Number(stated);
  };
  const collator = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  const SVG = "http://www.w3.org/2000/svg";

  const protocols = all(".protocol").map(root => {
    const points = new Map(all(".point", root).map(point => [point.dataset.run, point]));
    const titles = all(".titles tbody tr", root).map((row, order) => {
      const name = (row.querySelector(".whole") || row.querySelector(".name")).textContent;
      return { row, order, name, sought: plain(name), run: row.dataset.run, point: points.get(row.dataset.run), shown: true };
    });
    return { root, titles, byRun: new Map(titles.map(one => [one.run, one])) };
  });
  let current = protocols[0];
  const form = document.getElementById("filters"), search = document.getElementById("search"), count = document.getElementById("count");
  const region = document.getElementById("region"), from = document.getElementById("year-from"), to = document.getElementById("year-to");

  // ---- which way of measuring is shown
  const chooser = document.getElementById("protocol");
  const show = number => {
    current = protocols.find(one => one.root.dataset.number === String(number)) || protocols[0];
    for (const one of protocols) one.root.hidden = one !== current;
    if (chooser) chooser.value = current.root.dataset.number;
    for (const link of all(".protocols a"))
      if (link.hash === `#${current.root.id}`) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    for (const box of all("input[name=label]"))
      box.parentElement.querySelector(".dim").textContent = current.titles.filter(one => one.row.dataset.label === box.value).length;
    filter();
  };
  if (chooser) {
    chooser.parentElement.hidden = false;
    chooser.onchange = () => show(chooser.value);
    for (const link of all(".protocols a"))
      link.onclick = event => {
        event.preventDefault();
        show(link.hash.replace("#field-", ""));
        current.root.querySelector("h2").focus();
      };
  }

  // ---- filters
  const filter = () => {
    const words = plain(search.value.trim()), labels = new Set(all("input[name=label]:checked").map(one => one.value));
    const first = from && from.value !== "" ? Number(from.value) : null, last = to && to.value !== "" ? Number(to.value) : null;
    const where = region ? region.value : "";
    const fits = one => {
      const { label, year, region: lies } = one.row.dataset;
      if (!one.sought.includes(words) || !labels.has(label) || (where && lies !== where)) return false;
      if (first === null && last === null) return true;
      return year !== "" && (first === null || Number(year) >= first) && (last === null || Number(year) <= last);
    };
    let shown = 0;
    for (const one of current.titles) {
      one.shown = fits(one);
      shown += one.shown;
      one.row.hidden = !one.shown;
      if (one.point) one.point.classList.toggle("out", !one.shown);
    }
    current.root.querySelector(".empty").hidden = shown > 0;
    count.textContent = `${shown} of ${current.titles.length} titles shown` +
      ((first !== null || last !== null) && current.titles.some(one => one.row.dataset.year === "") ? "; those without a year are not" : "") + ".";
    rove(current);
  };
  form.hidden = false;
  form.oninput = filter;
  form.onsubmit = event => event.preventDefault();
  form.onreset = () => setTimeout(filter);

  // ---- the field is one stop of the keyboard; arrows go on to the next title across
  const across = protocol => protocol.titles.filter(one => one.point && one.shown).sort((a, b) => {
    const [x, y] = [a, b].map(one => figureOf(one.row, "headroom_stops"));
    return x === y ? a.order - b.order : x === null ? -1 : y === null ? 1 : x - y;
  });
  const rove = (protocol, wanted) => {
    const order = across(protocol);
    const stop = wanted || (chosen && chosen.protocol === protocol && chosen.one.shown ? chosen.one : order[0]);
    for (const one of protocol.titles) if (one.point) one.point.setAttribute("tabindex", one === stop ? "0" : "-1");
  };

  // ---- the place of a title
  let chosen = null;
  const saidOf = (row, figure) => row.querySelector(`td[data-c="${figure.querySelector("figcaption b").textContent}"]`).textContent;
  const lessEqualMore = (protocol, figure, value, said) => {
    const values = protocol.titles.map(one => [figureOf(one.row, figure.dataset.figure), saidOf(one.row, figure)]).filter(([one]) => one !== null);
    const others = values.filter(([, words]) => words !== said); // what is said alike is neither less nor more
    return [others.filter(([one]) => one < value).length, others.filter(([one]) => one > value).length, values.length];
  };
  const mark = (protocol, one) => {
    for (const other of all(".now", protocol.root)) if (other.matches(".point, tr")) other.classList.remove("now");
    for (const ring of all(".ring", protocol.root)) ring.remove();
    const said = protocol.root.querySelector(".said-of");
    said.hidden = false;
    said.classList.toggle("chosen", Boolean(chosen && one === chosen.one));
    const words = said.querySelector(".now");
    for (const figure of all(".spreads figure", protocol.root)) {
      const drawn = figure.querySelector("svg"), note = figure.querySelector(".mine-said");
      const value = one ? figureOf(one.row, figure.dataset.figure) : null;
      if (drawn) drawn.classList.toggle("marked", value !== null);
      note.textContent = "";
      if (!one) continue;
      const cell = saidOf(one.row, figure);
      if (value === null) note.textContent = `No place: ${cell}`;
      else {
        const [less, more, among] = lessEqualMore(protocol, figure, value, cell);
        if (drawn) {
          const place = 100 * (value - Number(drawn.dataset.low)) / (Number(drawn.dataset.high) - Number(drawn.dataset.low));
          for (const end of ["x1", "x2"]) drawn.querySelector(".mine").setAttribute(end, `${place}%`);
        }
        note.textContent = `${cell}: ${less} of ${among} have less, ${more} more`;
      }
    }
    words.textContent = "";
    if (!one) {
      words.textContent = "Point at a title to read it off; with the keyboard, arrows go from point to point and Enter opens the report.";
      return;
    }
    one.row.classList.add("now");
    if (one.point) {
      one.point.classList.add("now");
      const use = one.point.querySelector("use"), ring = document.createElementNS(SVG, "circle");
      for (const [name, value] of [["class", "ring"], ["cx", use.getAttribute("x")], ["cy", use.getAttribute("y")], ["r", "11"]]) ring.setAttribute(name, value);
      one.point.parentElement.append(ring);
    }
    const cells = all("td", one.row).filter(cell => cell.textContent).map(cell => (cell.dataset.c === "Label" || cell.dataset.c === "Year" ? cell.textContent : `${cell.dataset.c.toLowerCase()} ${cell.textContent}`));
    const name = one.name.length > 160 ? `${one.name.slice(0, 160)}\u2026` : one.name;
    // A block of its own: an override of direction that ends with a paragraph turns nothing beside it.
    words.append(make("b", { className: "title" }, make("bdi", {}, name)), `${cells.join("; ")}.`);
    if (one.row.querySelector(".unlinked")) words.append(" There is no report: the table says where it was looked for.");
    if (chosen && one === chosen.one) words.append(make("button", { type: "button", onclick: () => choose(null, null) }, "Let go"));
  };
  const settle = protocol => mark(protocol, chosen && chosen.protocol === protocol ? chosen.one : null);
  const choose = (protocol, one) => {
    const before = chosen;
    chosen = one && !(before && before.one === one) ? { protocol, one } : null;
    for (const held of [before, chosen]) if (held) held.one.button.setAttribute("aria-pressed", String(held === chosen));
    for (const other of protocols) settle(other);
    rove(current);
  };

  for (const protocol of protocols) {
    for (const one of protocol.titles) {
      const symbol = one.row.querySelector(".symbol");
      one.button = make("button", { type: "button", className: "choose" });
      one.button.setAttribute("aria-pressed", "false");
      one.button.setAttribute("aria-label", `Mark the place of ${one.name.slice(0, 160)}`);
      symbol.replaceWith(one.button);
      one.button.append(symbol);
      one.button.onclick = () => choose(protocol, one);
      one.row.addEventListener("click", event => {
        if (!event.target.closest("a, button, details")) choose(protocol, one);
      });
    }
    const field = protocol.root.querySelector(".field");
    const titleAt = event => {
      const point = event.target.closest && event.target.closest(".point");
      return point ? protocol.byRun.get(point.dataset.run) : null;
    };
    for (const name of ["pointerover", "focusin"])
      field.addEventListener(name, event => {
        const one = titleAt(event);
        if (one) mark(protocol, one);
        if (one && name === "focusin") rove(protocol, one);
      });
    field.addEventListener("click", event => {
      const one = titleAt(event);
      if (one && one.point.tagName !== "a") choose(protocol, one); // there is no report to go to
    });
    field.addEventListener("pointerleave", () => settle(protocol));
    field.addEventListener("focusout", () => settle(protocol));
    field.addEventListener("keydown", event => {
      const step = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key], one = titleAt(event);
      if (event.key === "Escape") return choose(null, null);
      if (!one || event.ctrlKey || event.metaKey || event.altKey) return;
      const order = across(protocol), here = order.indexOf(one);
      const next = step ? order[here + step] : event.key === "Home" ? order[0] : event.key === "End" ? order[order.length - 1] : null;
      if (!step && !next) return;
      event.preventDefault();
      if (next) next.point.focus();
    });

    // ---- the table
    const body = protocol.root.querySelector(".titles tbody"), sorter = protocol.root.querySelector(".sorter");
    const heads = all(".titles thead th", protocol.root), picked = sorter.querySelector("select");
    const valueOf = (one, key) => {
      if (key === "title") return one.name.trim() || null;
      if (key === "label") return one.row.querySelector('td[data-c="Label"]').textContent;
      return figureOf(one.row, key);
    };
    let sorted = { key: "title", down: false };
    const sort = (key, down) => {
      sorted = { key, down };
      const order = protocol.titles.map(one => [valueOf(one, key), one]).sort(([a, one], [b, other]) => {
        if (a === null || b === null) return a === b ? one.order - other.order : a === null ? 1 : -1; // without a value: last, either way
        const least = typeof a === "string" ? collator.compare(a, b) : a - b;
        return (down ? -least : least) || one.order - other.order;
      });
      body.append(...order.map(([, one]) => one.row));
      for (const head of heads)
        if (head.dataset.key === key) head.setAttribute("aria-sort", down ? "descending" : "ascending");
        else head.removeAttribute("aria-sort");
      picked.value = key;
    };
    for (const head of heads) {
      const key = head.dataset.key, words = key === "title" || key === "label";
      const button = make("button", { type: "button", onclick: () => sort(key, sorted.key === key ? !sorted.down : !words) }, head.textContent);
      head.replaceChildren(button);
    }
    sorter.hidden = false;
    picked.onchange = () => sort(picked.value, !["title", "label"].includes(picked.value));
    sorter.querySelector("button").onclick = () => sort(sorted.key, !sorted.down);
    sort("title", false);
    settle(protocol);
  }
  for (const one of all(".how")) one.hidden = false;
  show((location.hash.match(/^#field-(\d+)/) || [])[1] || 1);
})();
