"""Labels of surveys against those of the same pairs read whole: demo pairs and pairs of the labelled set, a passage looped to ten minutes.

PYTHONPATH=. .venv-tests/bin/python -m tests.bench.survey_labels FOLDER [WORLD [NAME...]]

Printed, never asserted. WORLD is a folder of panoramas (blender-data): one film of all of them, four shots each, in every kind of
`labelled_set.py`, encoded as there, read whole once, and looped and surveyed. Each NAME draws other grades (`first` and `second` if none is
given). A film of few shots would not do: read whole its label hardly knows other scenes, while windows of its loop are many.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

import pairdiff
from pairdiff._demo import make_demo
from pairdiff._demo.grade import PAIRS
from pairdiff._records import Release
from pairdiff.frames.decode import FrameReader
from tests._clips import repeat_clip
from tests.whole._films import encode_hdr, encode_sdr, hdr_planes, sdr_planes

LENGTH_S = 600


def loop(clip: Path, *, frames: int) -> Path:
    """A clip looped to `LENGTH_S`."""
    return repeat_clip(clip, clip.with_name(f"long-{clip.stem}.mkv"), times=max(round(24 * LENGTH_S / frames), 1))


def passage(release: Release, start: int, stop: int, target: Path) -> Path:
    """Some frames of a release coded again, so that it can be looped from a key frame on."""

    def planes() -> Iterator[tuple[np.ndarray, ...]]:
        with FrameReader(release) as reader:
            for frame in itertools.islice(reader, start, stop):
                yield frame.planes

    quality = {"preset": "veryfast", "crf": "8"}
    how = "keyint=48:min-keyint=24:open-gop=0"
    encode = encode_hdr if release.side == "hdr" else encode_sdr
    return encode(target, planes(), options=quality, params=how)


def hold(name: str, hdr: Path, sdr: Path) -> bool:
    """Print both labels of a pair; whether they are the same."""
    whole = pairdiff.compare(hdr, sdr, survey=False, settings=pairdiff.Settings(min_matched_s=0.5))  # views of the set last a second
    matched = [one for one in whole.alignment.segments if one.kind == "matched"]
    run = max(matched, key=lambda one: (one.hdr_stop or 0) - (one.hdr_start or 0))
    assert None not in (run.hdr_start, run.hdr_stop, run.sdr_start, run.sdr_stop)
    again = hdr.with_name("again-hdr.mkv"), sdr.with_name("again-sdr.mkv")
    passage(whole.hdr.release, run.hdr_start or 0, run.hdr_stop or 0, again[0])
    passage(whole.sdr.release, run.sdr_start or 0, run.sdr_stop or 0, again[1])
    whole = pairdiff.compare(*again, survey=False, fresh=True, settings=pairdiff.Settings(min_matched_s=0.5))
    frames = (run.hdr_stop or 0) - (run.hdr_start or 0)
    found = pairdiff.compare(*(loop(one, frames=frames) for one in again), survey=True)
    survey = found.coverage.survey
    same = found.verdict.label == whole.verdict.label
    read = "read whole" if survey is None else f"{survey.looks} looks, {survey.windows_found} of {survey.windows} windows, {survey.stopped}"
    stops = [None if one.headroom.stops is None else round(one.headroom.stops, 2) for one in (whole, found)]
    print(f"| {name} | {whole.verdict.label} | {found.verdict.label} | {'same' if same else 'OTHER'} | {stops} | {read} |", flush=True)
    return same


def main(folder: str, world: str = "", *names: str) -> None:
    """Print a table, and how many labels are the same."""
    out = Path(folder)
    print("| pair | read whole | survey | | headroom, stops | survey read |")
    print("|---|---|---|---|---|---|")
    same: list[bool] = []
    if not world:
        files = make_demo(out / "releases", pairs=PAIRS, progress=lambda stage, done, total: None)
        same += [hold(name, files.hdr[name], files.sdr) for name in PAIRS]
    else:
        from tests.bench.labelled_set import make_pairs, turn_camera
        from tests.bench.ladder import read_panorama

        film = [picture for panorama in sorted(Path(world).glob("*.exr")) for picture in turn_camera(read_panorama(panorama))]
        for name in names or ["first", "second"]:
            (out / name).mkdir(parents=True, exist_ok=True)
            for pair in make_pairs(name, film):
                hdr = encode_hdr(out / name / "hdr.mkv", (hdr_planes(light) for light in pair.hdr_nits))
                sdr = encode_sdr(out / name / "sdr.mkv", (sdr_planes(signal) for signal in pair.sdr_signal))
                same.append(hold(f"{name}: {pair.kind}", hdr, sdr))
    print(f"{sum(same)} of {len(same)} labels are the same")


if __name__ == "__main__":
    main(*sys.argv[1:])
