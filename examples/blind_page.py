"""Make a page on which someone picks, without knowing which is which, the picture of two that shows more: a test of one's own eyes.

python blind_page.py RESULT_FOLDER PAGE.html [--trials 20] [--seed 1]

The pictures are the stills of a run on the common display model, so the page shows what is left of the difference on an ordinary screen
and no more. Which side comes first is drawn by the seed, evenly over the moments. Keys alone: 1 and 2 show the pictures (never by
itself, three times a second at most), F and J pick. At the end stand the count, its 95 % interval (E. B. Wilson, JASA 22, 1927) and the
prediction of the run, and the answers can be kept as a file. Nothing leaves the page.
"""

import argparse
import base64
import hashlib
import html
import json
import random
import sys
from pathlib import Path

STYLE = """
:root { color-scheme: dark; }
body { margin: 0; background: #1c1c1c; color: #d6d6d6; font: 16px/1.5 system-ui, sans-serif; }
main { max-width: 1340px; margin: 0 auto; padding: 16px 24px; }
h1 { font-size: 1.3rem; font-weight: 600; margin: 0 0 0.4rem; }
p { max-width: 76ch; margin: 0.4rem 0; }
#stage { background: #000; min-height: 200px; }
#stage img { display: block; width: 100%; height: auto; }
kbd { border: 1px solid #7a7a7a; padding: 0 0.4em; }
a { color: #8db7de; }
[hidden] { display: none; }
"""

SCRIPT = """
"use strict";
const LEAST_MS = 334; // WCAG 2.2, 2.3.1: no more than three changes a second
const Z = 1.959964;
const data = JSON.parse(document.getElementById("data").textContent);
const part = name => document.getElementById(name);
const image = new Image();
let trial = -1, shown = "", seen = new Set(), changed = -Infinity, answers = [];
part("stage").append(image);

function wilson(hits, count) {
  const share = hits / count, z2 = Z * Z, middle = (share + z2 / (2 * count)) / (1 + z2 / count);
  const half = Z / (1 + z2 / count) * Math.sqrt(share * (1 - share) / count + z2 / (4 * count * count));
  return [Math.max(middle - half, 0), Math.min(middle + half, 1)];
}

function show(which) {
  const now = performance.now();
  if (trial < 0 || trial >= data.trials.length || which === shown || now - changed < LEAST_MS) return;
  changed = now;
  shown = which;
  seen.add(which);
  const [moment, hdrFirst] = data.trials[trial];
  image.src = data.moments[moment][(which === "1") === hdrFirst ? "hdr" : "sdr"];
  image.alt = `Picture ${which}`;
  say();
}

function say() {
  part("said").textContent = `Trial ${trial + 1} of ${data.trials.length}. Picture ${shown} is shown.`
    + (seen.size < 2 ? " Look at both before you pick." : " F picks picture 1, J picks picture 2.");
}

function next() {
  trial += 1;
  shown = "";
  seen = new Set();
  if (trial < data.trials.length) {
    changed = -Infinity;
    show("1");
  } else finish();
}

function pick(which) {
  if (trial < 0 || trial >= data.trials.length || seen.size < 2) return;
  const [moment, hdrFirst] = data.trials[trial];
  answers.push({ trial: trial + 1, moment: data.moments[moment].name, hdr_first: hdrFirst, picked_hdr: (which === "1") === hdrFirst });
  next();
}

function finish() {
  const hits = answers.filter(one => one.picked_hdr).length, [low, high] = wilson(hits, answers.length);
  const percent = share => `${(100 * share).toFixed(0)} %`;
  part("stage").hidden = part("said").hidden = true;
  part("result").hidden = false;
  part("count").textContent = `The HDR release was picked in ${hits} of ${answers.length} trials: ${percent(hits / answers.length)}, `
    + `95 % interval ${percent(low)} to ${percent(high)}. A coin would give 50 %.`;
  part("prediction").textContent = data.predicted === null ? "The run holds no prediction."
    : `The run predicts ${percent(data.predicted)} for an attentive viewer of both releases on a screen that shows them in full; `
      + "an ordinary screen shows less of the difference.";
  const kept = { title: data.title, seed: data.seed, hits, trials: answers.length, low, high, predicted: data.predicted, answers };
  part("keep").href = "data:application/json;charset=utf-8," + encodeURIComponent(JSON.stringify(kept, null, 1));
  part("keep").focus();
}

document.addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  const key = event.key.toLowerCase();
  if (key === "enter" && trial < 0) { part("start").hidden = true; part("stage").hidden = false; next(); }
  else if (key === "1" || key === "2") show(key);
  else if (key === "f") pick("1");
  else if (key === "j") pick("2");
  else return;
  event.preventDefault();
});
"""


def read_moments(folder: Path) -> list[dict[str, str]]:
    """Both sides of each moment as data addresses."""
    index = json.loads((folder / "stills" / "index.json").read_text(encoding="utf-8"))
    found = []
    for moment in index["moments"]:
        files = {one["name"]: Path(one["file"]).name for one in moment["pictures"]}
        if "model-hdr" not in files or "model-sdr" not in files:
            continue
        sides = {side: (folder / "stills" / files[f"model-{side}"]).read_bytes() for side in ("hdr", "sdr")}
        addresses = {side: "data:image/png;base64," + base64.b64encode(data).decode("ascii") for side, data in sides.items()}
        found.append({"name": f"{moment['rule']}, HDR frame {moment['hdr_frame']}", **addresses})
    return found


def draw_order(moments: int, trials: int, seed: int) -> list[tuple[int, bool]]:
    """Moments in turn in an order of chance, the HDR side first in half of the trials of each as far as that comes out even."""
    rng = random.Random(seed)
    drawn: list[tuple[int, bool]] = []
    while len(drawn) < trials:
        both = [(moment, first) for moment in range(moments) for first in (True, False)]
        rng.shuffle(both)
        drawn += both
    return drawn[:trials]


def make_page(folder: Path, *, trials: int, seed: int) -> str:
    """The page as HTML."""
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    moments = read_moments(folder)
    if not moments:
        raise ValueError(f"{folder} holds no stills of both sides")
    own = result["difference"]["on_its_own"]
    data = {
        "title": result["title"],
        "seed": seed,
        "predicted": own["notice_probability"]["value"] if own["status"] == "measured" else None,
        "moments": moments,
        "trials": draw_order(len(moments), trials, seed),
    }
    held = json.dumps(data).replace("<", "\\u003c")  # inside a script element a title must not end it
    digest = base64.b64encode(hashlib.sha256(SCRIPT.encode()).digest()).decode()
    policy = f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<title>{html.escape(result["title"])}: which shows more?</title><link rel="icon" href="data:,"><style>{STYLE}</style></head>
<body><main><h1>{html.escape(result["title"])}: which shows more?</h1>
<div id="start"><p>{trials} trials. Each has two pictures of one moment, one of the HDR and one of the SDR release, both drawn the
same way for an ordinary screen. <kbd>1</kbd> and <kbd>2</kbd> show them, <kbd>F</kbd> picks picture 1, <kbd>J</kbd> picks picture 2. Pick
the one that shows more; where you see none, pick all the same. Press <kbd>Enter</kbd> to begin. The page takes
keys alone, so it needs a keyboard.</p>
<p><strong>Caution:</strong> pictures change when you press a key, never by themselves and never more than three times a second.
Changing pictures can hurt people who are sensitive to flicker: do not take part if you are. Keep your distance from the screen, and the
room lit evenly.</p></div>
<p id="said" aria-live="polite"></p><div id="stage" hidden></div>
<div id="result" hidden><p id="count"></p><p id="prediction"></p>
<p>A count is of one person, one screen and these moments.
<a id="keep" download="answers.json">Keep the answers</a> (seed {seed}).</p></div>
</main><script type="application/json" id="data">{held}</script><script>{SCRIPT}</script></body></html>
"""


def main() -> int:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("folder", type=Path)
    reader.add_argument("page", type=Path)
    reader.add_argument("--trials", type=int, default=20)
    reader.add_argument("--seed", type=int, default=1)
    given = reader.parse_args()
    if given.trials < 1:
        print("--trials: give one or more", file=sys.stderr)
        return 2
    try:
        text = make_page(given.folder, trials=given.trials, seed=given.seed)
    except (OSError, ValueError, KeyError) as error:
        print(f"{given.folder} is no result folder with stills ({error}): give one that `pairdiff compare` wrote.", file=sys.stderr)
        return 3
    given.page.write_text(text, encoding="utf-8")
    print(f"Page: {given.page}, {given.trials} trials, seed {given.seed}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
