"""The labelled set: pairs whose label is true by construction, encoded and compared as a user would: printed, never asserted.

Scenes: eight panoramas of Debian's blender-data and fifteen of npm's `@pmndrs/assets` 1.7.0 (both CC0), each a film of four views under a
camera that turns. Kinds: the SDR light relabelled at 50 to 290 cd/m2, or at 350 to 1000, with and without another gamma; an SDR that clips,
stretched; another grade, another saturation; the scene graded for a restrained peak and for the ladder's peaks, the latter also against
the SDR that clips; ACES 2.0 at 500 to 4000 (OpenColorIO). Every second pair has grain, another size or another crop as well.

    PYTHONPATH=. python tests/bench/labelled_set.py WORLD_DIR HDRI_DIR OUT_CSV [tuned|held-out|second|all] [SCENE ...]

WORLD_DIR holds the panoramas that tests/run unpacks, HDRI_DIR the files `*.exr.js` (`npm pack`, folder package/hdri). OUT_CSV gets a row
per pair as it is measured; rows that are there are kept, their truth told anew. The last table is the confusion
matrix. Scenes are `tuned` (rules were chosen while they were looked at) or `held-out` (README.md says
which rules were prompted by their rows since), or `second`: another film of every scene, the camera elsewhere and closer, kinds drawn
anew, which is opened only to report on rules that are settled.

Truth: stops are those of the generator, the 99.9th percentile of the brightest of R, G and B before coding that a tenth of the pictures
reaches (the definition of film headroom), over the planted SDR white. The SDR rendering of ACES has no white of its own, and no power law
follows it: its stops are a range, from the white of the power law on which mid-tones agree to that of the set, within its reach, that
leaves the least over all tones below a shoulder (the definition of the fitted set, on the light before coding); where its SDR stays below
the signal at which the peak ratio counts, over what the SDR reaches; within 8 % of that signal both. What is true anywhere in the range
counts. Another contrast is another grade where it leaves at that set what one counts from; a film that is dark for the most part may hold
too little of what a contrast moves. Under 0.3 none, to 1.0 restrained, above wider; within 0.1 of a limit either counts, and so does
`undetermined` where the two together hold in the share of draws that a label needs (told apart in the last line). A relabelled picture has
no stops whatever its level.
"""

from __future__ import annotations

import base64
import csv
import re
import sys
import tempfile
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize
from scipy.stats import theilslopes

import pairdiff
from pairdiff.light.picture import itp_difference, nits_to_itp
from pairdiff.score.colour import distance_outside_jnd
from tests.bench import ladder
from tests.whole._films import Floats, encode_hdr, encode_sdr, hdr_planes, sdr_planes
from tests.whole.test_aces import SDR, STUDIO, make_render

NPM_SCENES = ("apartment", "bridge", "dawn", "esplanade", "hall", "lab", "lobby", "venice", "warehouse", "workshop")
HELD_OUT = ("city", "forest", "night", "studio", "sunset")
"""Scenes of npm's, other ones than Debian's of the same names, that were first opened when the rules were thought settled."""
FRAMES, SIZE, VIEWS_DEGREES, FIELD_DEGREES = 5, (640, 360), (45.0, 135.0, 225.0, 315.0), 75.0
"""Pictures of a shot, columns and rows, where the camera of each shot begins, and what it sees from side to side."""
SECOND, SECOND_VIEWS_DEGREES, SECOND_FIELD_DEGREES = " second", (5.0, 95.0, 185.0, 275.0), 60.0
"""What is added to the name of a scene's second film, and its camera."""
EXPOSURE = 0.12
"""Mean scene light (geometric) as a share of SDR white: the ladder's of its views."""
CLIP_GAIN = 1.6
"""What the SDR grade without a shoulder adds to that, so that windows and lamps clip (own)."""
GRAIN = 0.03
"""Standard deviation of the grain, natural logarithm of light, alike in the three channels (own)."""
CONTAINER, STRETCHED, OTHER_GRADE = "sdr-in-hdr-container", "stretched-sdr", "different-grade"
RESTRAINED, WIDER = "restrained-hdr", "wider-range"
LABELS = (CONTAINER, STRETCHED, OTHER_GRADE, RESTRAINED, WIDER, "undetermined")
NONE_STOPS, RESTRAINED_STOPS, NEAR_STOPS = 0.3, 1.0, 0.1
"""Stops under which there is nothing, up to which HDR is restrained, and how near a limit either label is right."""
MOSTLY, NEAR_MOSTLY = 0.5, 0.1
"""Share of the stops above white that lie where the SDR clips, from which a stretched picture is called so, and how near to that either
label is right."""
LEAST_CLIPPED_SHARE = 0.02
"""Share of an SDR picture at its top from which it clips enough to be stretched."""
NEAR_SWITCH = 1.08
"""How near to the signal at which the peak ratio takes the place of headroom either measure is right, as a factor."""
NEAR_SATURATED = 0.5
"""How near to a limit of colour or of tone either label is right, as a power of two."""
MIDTONES = (0.15, 0.6)
"""SDR signal, 0 to 1, on which the power law of an ACES pair is fitted (own)."""
BELOW_SHOULDER, EVERY_PIXEL = 0.85, 97
"""Share of the top signal up to which the set that leaves the least is fitted, and which pixels it sees (own)."""
DEFAULTS = pairdiff.Settings()
"""The set's reach and the share of draws that a label needs."""
COLUMNS = ("scene", "kind", "spoiled", "stops", "right", "label", "headroom_stops", "white_nits", "gamma", "support")


@dataclass(frozen=True)
class Pair:
    """One pair before it is coded."""

    kind: str
    hdr_nits: list[Floats]
    """BT.2020 light of every picture."""
    sdr_signal: list[Floats]
    right: tuple[str, ...]
    """Labels that are true of it."""
    stops: float


def read_hdri(path: Path) -> Floats:
    """Scene-linear BT.709 light of one of npm's panoramas; what its codec rang below zero is cut."""
    held = re.search(r"base64,([^'\"]+)", path.read_text())
    if held is None:
        raise SystemExit(f"{path} holds no picture")
    with tempfile.NamedTemporaryFile(suffix=".exr") as file:
        file.write(base64.b64decode(held[1]))
        file.flush()
        return np.maximum(ladder.read_panorama(file.name), 0)


def list_scenes(world: Path, hdri: Path) -> Iterator[tuple[str, Floats]]:
    """Name and panorama of every scene, and once more for its second film."""
    scenes = list(list_panoramas(world, hdri))
    yield from scenes
    yield from ((name + SECOND, panorama) for name, panorama in scenes)


def list_panoramas(world: Path, hdri: Path) -> Iterator[tuple[str, Floats]]:
    """Name and panorama of every scene."""
    for path in sorted(world.glob("*.exr")):
        yield path.stem, ladder.read_panorama(path)
    for name in (*NPM_SCENES, *HELD_OUT):
        yield f"npm-{name}", read_hdri(hdri / f"{name}.exr.js")


def turn_camera(panorama: Floats, *, second: bool = False) -> list[Floats]:
    """Every picture of the film: four shots of a camera that turns by a degree a picture, one exposure for all."""
    yaws, field = (SECOND_VIEWS_DEGREES, SECOND_FIELD_DEGREES) if second else (VIEWS_DEGREES, FIELD_DEGREES)
    seen = [ladder.view(panorama, yaw + number, SIZE, field) for yaw in yaws for number in range(FRAMES)]
    grey = np.exp(np.mean([np.log(one @ np.array([0.2126, 0.7152, 0.0722]) + 1e-3) for one in seen]))
    return [one * (EXPOSURE / grey) for one in seen]


def measure_stops(nits: Iterable[Floats], white_nits: float) -> float:
    """Stops over a white of the level that the brightest thousandth reaches in a tenth of the pictures."""
    levels = [float(np.percentile(one.max(-1), 99.9)) for one in nits]
    return float(np.log2(np.quantile(levels, 0.9, method="higher") / white_nits))


def measure_room(nits: list[Floats], signal: list[Floats], white_nits: float, gamma: float) -> list[float]:
    """Stops over a set's white, or over what the SDR reaches on it where it stays low; both near the signal at which that changes."""
    tops = [float(np.percentile(one.max(-1), 99.9)) for one in signal]
    reached = float(np.quantile(tops, 0.9, method="higher"))
    limit = DEFAULTS.peak_ratio_below_code
    found = [measure_stops(nits, white_nits)] if reached >= limit / NEAR_SWITCH else []
    if reached < limit * NEAR_SWITCH:
        ratios = [float(np.percentile(one.max(-1), 99.9)) / (white_nits * top**gamma) for one, top in zip(nits, tops, strict=True)]
        found.append(float(np.log2(np.quantile(ratios, 0.9, method="higher"))))
    return found


def judge_stops(stops: float) -> tuple[str, ...]:
    """Labels that are true of so many stops."""
    right = []
    if stops < NONE_STOPS + NEAR_STOPS:
        right.append(CONTAINER)
    if NONE_STOPS - NEAR_STOPS <= stops <= RESTRAINED_STOPS + NEAR_STOPS:
        right.append(RESTRAINED)
    if stops > RESTRAINED_STOPS - NEAR_STOPS:
        right.append(WIDER)
    return tuple(right)


def judge_stretch(light: list[Floats], clipped: list[Floats], white_nits: float, stops: float) -> tuple[str, ...]:
    """Labels that are true of a stretched SDR: it is called so where what lies above white is SDR-clipped for the most part."""
    above = [np.maximum(np.log2(np.maximum(one.max(-1), 1e-3) / white_nits), 0) for one in light]
    at_top = [one.max(-1) >= 1 for one in clipped]
    share = sum(float(a[t].sum()) for a, t in zip(above, at_top, strict=True)) / max(sum(float(a.sum()) for a in above), 1e-9)
    if share >= MOSTLY + NEAR_MOSTLY:
        return (STRETCHED,)
    return judge_stops(stops) if share < MOSTLY - NEAR_MOSTLY else (STRETCHED, *judge_stops(stops))


def clip_grade(scene: Floats) -> Floats:
    """An SDR grade without a shoulder: what is above white is cut."""
    return np.asarray(np.round(np.clip(scene * CLIP_GAIN, 0, 1) ** (1 / 2.4) * 219) / 219)


def stretch(light: Floats, white_nits: float, lift: float) -> Floats:
    """SDR light whose upper half is lifted by one curve, white by `lift`."""
    level = light.max(-1, keepdims=True) / white_nits
    return np.asarray(light * (1 + (lift - 1) * np.clip((level - 0.4) / 0.6, 0, 1) ** 2))


def bend_contrast(light: Floats, white_nits: float, share: float) -> Floats:
    """Another grade: contrast about a quarter of white steeper by a share (negative: softer), which no gamma of a set imitates.

    Tones below a quarter of white lose what those above it gain; black, that quarter and white stay where they are.
    """
    level = np.clip(light.max(-1, keepdims=True) / white_nits, 1e-6, 1)
    return np.asarray(light * (1 - share * np.sin(2 * np.pi * np.sqrt(level))))


def saturate(light: Floats, amount: float) -> Floats:
    """Colour drawn towards grey of its luminance (below 1), or away from it."""
    grey = (light @ ladder.LUMA)[..., None]
    return np.asarray(np.maximum(grey + amount * (light - grey), 0))


def judge_saturation(light: list[Floats], plain: list[Floats]) -> tuple[str, ...]:
    """Labels that are true of another saturation.

    It is a colour gain where enough of the picture leaves BT.709, another grade of colour where half of the picture moves by enough, and
    else nothing that the label tells. dE_ITP (BT.2124); the limits and the margin are those of the settings.
    """
    moved = np.mean([np.median(itp_difference(nits_to_itp(one), nits_to_itp(two))) for one, two in zip(light, plain, strict=True)])
    outside = np.mean([(distance_outside_jnd(one, gamut="bt709") > DEFAULTS.gamut_margin_jnd).mean() for one in light])
    return _judge_ratio(max(moved / DEFAULTS.regraded_jnd, outside / DEFAULTS.colour_slight_share))


def _judge_ratio(ratio: float) -> tuple[str, ...]:
    """Labels that are true of so many times what another grade counts from."""
    if abs(np.log2(ratio)) < NEAR_SATURATED:
        return CONTAINER, OTHER_GRADE
    return (OTHER_GRADE,) if ratio > 1 else (CONTAINER,)


def fit_set(light: list[Floats], signal: list[Floats]) -> tuple[float, float]:
    """White and gamma, within a set's reach, that leave the least mean |dI| (BT.2100) below a shoulder."""
    codes = np.concatenate([one.reshape(-1, 3)[::EVERY_PIXEL] for one in signal])
    wanted = nits_to_itp(np.concatenate([one.reshape(-1, 3)[::EVERY_PIXEL] for one in light]))[..., 0]
    level = codes.max(-1)
    low = level <= BELOW_SHOULDER * np.quantile(level, 0.999)
    codes, wanted = codes[low], wanted[low]

    def left(point: Floats) -> float:
        return float(np.abs(nits_to_itp(ladder.sdr_light(codes, float(np.exp(point[0])), float(point[1])))[..., 0] - wanted).mean())

    box = [tuple(np.log((DEFAULTS.white_low_nits, DEFAULTS.white_high_nits))), (DEFAULTS.gamma_low, DEFAULTS.gamma_high)]
    starts = [np.array([np.log(white), gamma]) for white in (80.0, 160.0, 260.0) for gamma in (2.1, 2.5)]
    options = {"xatol": 1e-3, "fatol": 1e-8}
    best = min((minimize(left, start, method="Nelder-Mead", bounds=box, options=options) for start in starts), key=lambda end: end.fun)
    return float(np.exp(best.x[0])), float(best.x[1])


def judge_contrast(light: list[Floats], signal: list[Floats]) -> tuple[str, ...]:
    """Labels that are true of another contrast: what it leaves at the best set (median dE_ITP) against what another grade counts from."""
    white, gamma = fit_set(light, signal)
    shown = [ladder.sdr_light(one, white, gamma) for one in signal]
    left = np.median([np.median(itp_difference(nits_to_itp(a), nits_to_itp(b))) for a, b in zip(light, shown, strict=True)])
    return _judge_ratio(float(left) / DEFAULTS.regraded_jnd)


def make_pairs(name: str, film: list[Floats]) -> Iterator[Pair]:
    """All kinds of one scene."""
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    sdr = [ladder.sdr_grade(one) for one in film]

    def relit(white: float, gamma: float, signals: list[Floats] = sdr) -> list[Floats]:
        return [ladder.sdr_light(one, white, gamma) for one in signals]

    white, gamma = float(rng.uniform(50, 290)), float(rng.uniform(2.05, 2.55))
    yield Pair(f"relabelled at {white:.0f}, {gamma:.2f}", relit(white, gamma), sdr, (CONTAINER,), 0.0)
    white, gamma = float(rng.uniform(350, 1000)), float(rng.choice([2.4, rng.uniform(2.1, 2.8)]))
    yield Pair(f"relabelled at {white:.0f}, {gamma:.2f}", relit(white, gamma), sdr, (CONTAINER,), 0.0)
    clipped = [clip_grade(one) for one in film]
    if np.mean([(one.max(-1) >= 1).mean() for one in clipped]) >= LEAST_CLIPPED_SHARE:
        white, lift = float(rng.uniform(100, 203)), float(rng.uniform(2.5, 5))
        light = [stretch(one, white, lift) for one in relit(white, 2.4, clipped)]
        stops = measure_stops(light, white)
        yield Pair(f"stretched by {lift:.1f} at {white:.0f}", light, clipped, judge_stretch(light, clipped, white, stops), stops)
    white = float(rng.uniform(100, 203))
    gains = np.array([(1.10, 1.0, 0.86), (0.9, 1.0, 1.12)][int(rng.integers(2))])
    yield Pair(f"other grade, gains {gains[0]:.2f} {gains[2]:.2f}", [one * gains for one in relit(white, 2.4)], sdr, (OTHER_GRADE,), 0.0)
    share = float(rng.uniform(0.3, 0.5) * rng.choice([-1, 1]))
    light = [bend_contrast(one, white, share) for one in relit(white, 2.4)]
    yield Pair(f"other grade, contrast {share:+.0%}", light, sdr, judge_contrast(light, sdr), 0.0)
    for kind, peak in (("restrained", ladder.WHITE * 2 ** float(rng.uniform(0.45, 0.9))), ("peak", float(rng.choice([1000, 2000, 4000])))):
        light = [ladder.hdr_grade(one, peak) for one in film]
        stops = measure_stops(light, ladder.WHITE)
        yield Pair(f"{kind} {peak:.0f}", light, sdr, judge_stops(stops), stops)
    yield render_aces(film, int(rng.choice([500, 1000, 2000, 4000])))
    amount = float(rng.choice([0.8, 1.15, 1.3, 1.5]))
    plain = relit(white, 2.4)
    light = [saturate(one, amount) for one in plain]
    yield Pair(f"saturation {amount:g} at {white:.0f}", light, sdr, judge_saturation(light, plain), 0.0)
    peak = float(rng.choice([1000, 2000, 4000]))
    light = [ladder.hdr_grade(one * CLIP_GAIN, peak) for one in film]
    stops = measure_stops(light, ladder.WHITE)
    yield Pair(f"peak {peak:.0f}, the SDR clips", light, clipped, judge_stops(stops), stops)


def render_aces(film: list[Floats], peak: int) -> Pair:
    """Two standard renderings of the scene, made apart."""
    hdr = make_render(STUDIO, "Rec.2100-PQ - Display", f"ACES 2.0 - HDR {peak} nits (P3 D65)")
    sdr = make_render(STUDIO, *SDR)
    light = [ladder.pq_decode(np.asarray(hdr(one), np.float64)) for one in film]
    signal = [np.round(np.clip(sdr(one), 0, 1) * 219) / 219 for one in film]
    level = np.concatenate([one.max(-1).ravel()[::16] for one in signal])
    shown = np.concatenate([one.max(-1).ravel()[::16] for one in light])
    middle = (level > MIDTONES[0]) & (level < MIDTONES[1])
    tone, lit = np.log2(level[middle]), np.log2(np.maximum(shown[middle], 1e-4))
    some = slice(None, None, lit.size // 2000 + 1)
    gamma = float(np.clip(theilslopes(lit[some], tone[some])[0], DEFAULTS.gamma_low, DEFAULTS.gamma_high))
    white = float(2 ** np.median(lit - gamma * tone))
    stops = measure_stops(light, white)
    sets = ((white, gamma), fit_set(light, signal))
    found = [one for fitted in sets for one in measure_room(light, signal, *fitted)]
    ends = min(found), max(found)
    right = [label for label in LABELS if any(label in judge_stops(float(one)) for one in np.linspace(*ends, 21))]
    return Pair(f"aces {peak}", light, signal, tuple(right), stops)


def spoil(pair: Pair, rng: np.random.Generator) -> tuple[str, list[Floats], list[Floats]]:
    """Grain, another size, another crop: one of them or all."""
    ways = [("grain",), ("size",), ("crop",), ("grain", "size", "crop")][int(rng.integers(4))]
    hdr, sdr = pair.hdr_nits, pair.sdr_signal
    if "grain" in ways:
        hdr = [one * np.exp(GRAIN * rng.normal(size=(*one.shape[:2], 1))) for one in hdr]
    if "crop" in ways:
        sdr = [one[8:-8, 16:-16] for one in sdr]
    if "size" in ways:
        sdr = [cv2.resize(one, (480, 270), interpolation=cv2.INTER_AREA) for one in sdr]
    return " ".join(ways), hdr, sdr


def measure(name: str, pair: Pair, *, spoiled: bool, folder: Path) -> dict[str, str]:
    """Encode and compare one pair."""
    ways, hdr_nits, sdr_signal = "", pair.hdr_nits, pair.sdr_signal
    if spoiled:
        ways, hdr_nits, sdr_signal = spoil(pair, np.random.default_rng(zlib.crc32(f"{name} {pair.kind}".encode())))
    hdr = encode_hdr(folder / "hdr.mkv", (hdr_planes(one) for one in hdr_nits))
    sdr = encode_sdr(folder / "sdr.mp4", (sdr_planes(one) for one in sdr_signal))
    found = pairdiff.compare(hdr, sdr, full=True, settings=pairdiff.Settings(min_matched_s=0.5))
    support = " ".join(f"{label} {share:.2f}" for label, share in found.verdict.support.items() if share)
    told = (f"{found.headroom.stops:.2f}", f"{found.setup.white_nits:.1f}", f"{found.setup.gamma:.3f}", support)
    row = (name, pair.kind, ways, f"{pair.stops:.2f}", " or ".join(pair.right), found.verdict.label, *told)
    return dict(zip(COLUMNS, row, strict=True))


def is_right(row: dict[str, str]) -> bool:
    """Whether a label is true of its pair, or leaves open only what the truth leaves open."""
    right = row["right"].split(" or ")
    words = row["support"].split()
    support = dict(zip(words[::2], map(float, words[1::2]), strict=True))
    between = len(right) > 1 and sum(support.get(one, 0.0) for one in right) >= DEFAULTS.support_min
    return row["label"] in right or (row["label"] == "undetermined" and between)


def part_of(scene: str) -> str:
    """The part of the set that a scene belongs to."""
    if scene.endswith(SECOND):
        return "second"
    return "held-out" if scene in {f"npm-{name}" for name in HELD_OUT} else "tuned"


def print_matrix(rows: list[dict[str, str]]) -> None:
    """Right labels by label given, and how many are right."""
    counts = Counter((one["right"], one["label"]) for one in rows)
    print(f"\n| true | {' | '.join(LABELS)} |\n|{'---|' * (1 + len(LABELS))}")
    for right in sorted({one["right"] for one in rows}):
        print(f"| {right} | {' | '.join(str(counts[right, label] or '') for label in LABELS)} |")
    good = [one for one in rows if is_right(one)]
    open_ones = sum(one["label"] == "undetermined" for one in good)
    print(f"\n{len(good)} of {len(rows)} right ({len(good) / max(len(rows), 1):.1%}), {open_ones} of them `undetermined` at a limit")


def append_row(table: Path, row: dict[str, str]) -> None:
    """Add a row to a table, with its head where the table is new."""
    fresh = not table.is_file()
    with table.open("a", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(row))
        if fresh:
            writer.writeheader()
        writer.writerow(row)


def main(world: str, hdri: str, out: str, part: str = "all", *only: str) -> None:
    table = Path(out)
    rows = list(csv.DictReader(table.open(encoding="utf-8"))) if table.is_file() else []
    done = {(one["scene"], one["kind"]): one for one in rows}
    chosen = []
    for number, (name, panorama) in enumerate(list_scenes(Path(world), Path(hdri))):
        wanted = ("tuned", "held-out") if part == "all" else (part,)
        if part_of(name) not in wanted or (only and name.removesuffix(SECOND) not in only):
            continue
        chosen.append(name)
        for place, pair in enumerate(make_pairs(name, turn_camera(panorama, second=name.endswith(SECOND)))):
            if (name, pair.kind) in done:
                done[name, pair.kind].update(stops=f"{pair.stops:.2f}", right=" or ".join(pair.right))
                continue
            with tempfile.TemporaryDirectory() as folder:
                rows.append(measure(name, pair, spoiled=(number + place) % 2 == 1, folder=Path(folder)))
            append_row(table, rows[-1])
            wrong = "" if is_right(rows[-1]) else "   <--"
            print(" | ".join(rows[-1].values()) + wrong, flush=True)
    print_matrix([one for one in rows if one["scene"] in chosen])


if __name__ == "__main__":
    main(*sys.argv[1:])
