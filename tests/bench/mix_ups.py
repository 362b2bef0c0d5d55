"""Tags that are wrong: how many are caught by the levels, and how many right ones are doubted: printed, never asserted.

The pairs are those of the labelled set (its page says where the light comes from), encoded as there. Every pair is held against its tags as
it was made: what is then doubted is a false alarm. One pair of every scene is coded again in each of seven wrong ways and tagged as if
nothing were: HLG as PQ, PQ as HLG, an SDR signal as PQ, and the ranges of both sides mixed up both ways.

    PYTHONPATH=. python tests/bench/mix_ups.py WORLD_DIR HDRI_DIR OUT_CSV [tuned|held-out|second|all] [SCENE ...]

Caught is a pair that is refused, or doubted with the right reading named. The rest of the comparison is not made. HLG is written by
colour-science (BT.2100, 1000 cd/m2), ranges by BT.709-6 item 5.
"""

from __future__ import annotations

import csv
import sys
import tempfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import colour
import numpy as np

import pairdiff
from pairdiff import _pipeline
from pairdiff._records import SignalCheck, SignalReading
from pairdiff.score.readings import check_readings, read_range
from tests._clips import HLG_TAGS, PQ_TAGS, SDR_TAGS, encode_clip
from tests.bench.labelled_set import Pair, append_row, list_scenes, make_pairs, part_of, spoil, turn_camera
from tests.whole._films import BT709, BT2020, QUALITY, Floats, light_to_pq, planes_of_signal

COLUMNS = ("scene", "kind", "mix_up", "state", "caught", "as_read", "better")
FULL_SDR_TAGS, FULL_PQ_TAGS = (1, 1, 1, 2), (9, 16, 9, 2)
SETTINGS = pairdiff.Settings(min_matched_s=0.5)


def to_hlg(nits: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        return np.asarray(colour.models.eotf_inverse_BT2100_HLG(np.clip(nits, 1e-4, 1000), L_W=1000))


def as_full(signal: Floats) -> Floats:
    """What makes a coder of narrow codes write full ones."""
    return np.asarray((255 * signal - 16) / 219)


@dataclass(frozen=True)
class MixUp:
    """A wrong way to code or tag a pair."""

    name: str
    right: tuple[str, str, str]
    """Side, field and value that put it right."""
    hdr: Callable[[Floats], Floats] = light_to_pq
    hdr_tags: tuple[int, int, int, int] = PQ_TAGS
    sdr: Callable[[Floats], Floats] = np.asarray
    sdr_tags: tuple[int, int, int, int] = SDR_TAGS
    hdr_is_sdr: bool = False


MIX_UPS = (
    MixUp("HLG tagged PQ", ("hdr", "transfer", "hlg"), hdr=to_hlg),
    MixUp("PQ tagged HLG", ("hdr", "transfer", "pq"), hdr_tags=HLG_TAGS),
    MixUp("SDR tagged PQ", ("hdr", "transfer", "bt1886"), hdr_is_sdr=True),
    MixUp("SDR full tagged narrow", ("sdr", "range", "full"), sdr=as_full),
    MixUp("SDR narrow tagged full", ("sdr", "range", "narrow"), sdr_tags=FULL_SDR_TAGS),
    MixUp("HDR full tagged narrow", ("hdr", "range", "full"), hdr=lambda nits: as_full(light_to_pq(nits))),
    MixUp("HDR narrow tagged full", ("hdr", "range", "narrow"), hdr_tags=FULL_PQ_TAGS),
)
PLAIN = MixUp("none", ("", "", ""))


def check_pair(pair: Pair, mix_up: MixUp, folder: Path, *, spoiled: bool, seed: str) -> SignalCheck:
    """Encode one pair and hold its levels against its tags, as `compare` does."""
    hdr_nits, sdr_signal = pair.hdr_nits, pair.sdr_signal
    if spoiled:
        _, hdr_nits, sdr_signal = spoil(pair, np.random.default_rng(zlib.crc32(seed.encode())))
    coded = sdr_signal if mix_up.hdr_is_sdr else [mix_up.hdr(one) for one in hdr_nits]
    hdr = encode_clip(
        folder / "hdr.mkv",
        (planes_of_signal(one, weights=BT2020, bits=10, siting="top-left") for one in coded),
        tags=mix_up.hdr_tags,
        options=QUALITY,
    )
    sdr = encode_clip(
        folder / "sdr.mp4",
        (planes_of_signal(mix_up.sdr(one), weights=BT709, bits=8, siting="left") for one in sdr_signal),
        codec="libx264",
        pix_fmt="yuv420p",
        tags=mix_up.sdr_tags,
        options=QUALITY,
    )
    silent = _pipeline._silent
    matching = _pipeline._match(hdr, sdr, settings=SETTINGS, fresh=True, hash_whole=False, tell=silent)
    film = _pipeline._look_at_film(matching, settings=SETTINGS, full=True)
    _, collector = _pipeline._fit(matching, film.picks, settings=SETTINGS, tell=silent)
    sides = matching.hdr, matching.sdr
    signs = [read_range(one.track.codes, code_range=one.release.signal.range.value) for one in sides]
    signals = [one.release.signal for one in sides]
    return check_readings(collector.sample(), *signals, signs=signs, hlg_peak_nits=SETTINGS.hlg_peak_nits)


def is_caught(check: SignalCheck, right: tuple[str, str, str]) -> bool:
    named = {(one.side, one.field, one.value) for one in check.better} | {(side, "range", looks) for side, looks in check.ranges}
    return check.state != "fits" and right in named


def make_cases(number: int, name: str, film: list[Floats]) -> Iterator[tuple[Pair, MixUp, bool]]:
    """Every pair as it is; and one of them, another for each scene, in every wrong way."""
    pairs = list(make_pairs(name, film))
    for place, pair in enumerate(pairs):
        yield pair, PLAIN, (number + place) % 2 == 1
    for mix_up in MIX_UPS:
        kinds = [one for one in pairs if not mix_up.hdr_is_sdr or one.kind.startswith("relabelled")]
        yield kinds[number % len(kinds)], mix_up, number % 2 == 1


def say_readings(check: SignalCheck) -> tuple[str, str]:
    def say(one: SignalReading) -> str:
        return f"{one.side} {one.value} {one.white_nits:.0f}/{one.gamma:.2f}/{one.residual_jnd:.1f}"

    better = "; ".join([*map(say, check.better), *(f"{side} codes {looks}" for side, looks in check.ranges)])
    return (say(check.as_read) if check.as_read else "none", better)


def print_tables(rows: list[dict[str, str]]) -> None:
    """Caught by mix-up, and false alarms."""
    print("\n| mix-up | caught | refused | of |\n|---|---|---|---|")
    for mix_up in MIX_UPS:
        own = [row for row in rows if row["mix_up"] == mix_up.name]
        caught, refused = (sum(row[name] == value for row in own) for name, value in (("caught", "yes"), ("state", "contradicted")))
        print(f"| {mix_up.name} | {caught} | {refused} | {len(own)} |")
    plain = Counter(row["state"] for row in rows if row["mix_up"] == PLAIN.name)
    print(f"\nright tags: {plain.total()} pairs, {plain['doubtful']} doubted, {plain['contradicted']} refused")


def main(world: str, hdri: str, out: str, part: str = "all", *only: str) -> None:
    table = Path(out)
    rows = list(csv.DictReader(table.open(encoding="utf-8"))) if table.is_file() else []
    done = {(one["scene"], one["kind"], one["mix_up"]) for one in rows}
    for number, (name, panorama) in enumerate(list_scenes(Path(world), Path(hdri))):
        if part not in ("all", part_of(name)) or (only and name.removesuffix(" second") not in only):
            continue
        for pair, mix_up, spoiled in make_cases(number, name, turn_camera(panorama, second=name.endswith(" second"))):
            if (name, pair.kind, mix_up.name) in done:
                continue
            with tempfile.TemporaryDirectory() as folder:
                check = check_pair(pair, mix_up, Path(folder), spoiled=spoiled, seed=f"{name} {pair.kind}")
            caught = "" if mix_up is PLAIN else "yes" if is_caught(check, mix_up.right) else "no"
            rows.append(dict(zip(COLUMNS, (name, pair.kind, mix_up.name, check.state, caught, *say_readings(check)), strict=True)))
            append_row(table, rows[-1])
            print(" | ".join(rows[-1].values()), flush=True)
    print_tables(rows)


if __name__ == "__main__":
    main(*sys.argv[1:])
