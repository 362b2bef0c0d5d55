"""The two releases as lists of frames, and the making of the files."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pairdiff._demo import cards
from pairdiff._demo.encode import open_coders
from pairdiff._demo.grade import CONTAINER_GAMMA, CONTAINER_WHITE_NITS, PAIRS
from pairdiff._demo.paint import Picture
from pairdiff._demo.shots import FRAMES_PER_SHOT, SHOTS
from pairdiff._errors import OutputRefused, UsageError

Progress = Callable[[str, int, int | None], None]

HDR_LOGO_FRAMES, SDR_LOGO_FRAMES = 24, 48
HDR_END_FRAMES, SDR_END_FRAMES = 20, 30
MARKER = "made.json"


@dataclass(frozen=True, slots=True)
class DemoFiles:
    """Where the releases of the demo film lie."""

    sdr: Path
    hdr: dict[str, Path]
    """HDR releases by pair name."""


TRUTH: MappingProxyType[str, Any] = MappingProxyType(
    {
        "title": "The Lamplighter of Orrin Quay",
        "offset_frames": SDR_LOGO_FRAMES - HDR_LOGO_FRAMES,
        "hdr_film_frames": (HDR_LOGO_FRAMES, HDR_LOGO_FRAMES + len(SHOTS) * FRAMES_PER_SHOT),
        "sdr_film_frames": (SDR_LOGO_FRAMES, SDR_LOGO_FRAMES + len(SHOTS) * FRAMES_PER_SHOT),
        "hdr_cuts": tuple(HDR_LOGO_FRAMES + n * FRAMES_PER_SHOT for n in range(len(SHOTS))),
        "hdr_active": (138, 942, 0, 1920),
        "sdr_active": (92, 628, 0, 1280),
        "container_white_nits": CONTAINER_WHITE_NITS,
        "container_gamma": CONTAINER_GAMMA,
        "labels": MappingProxyType(
            {
                "container": "sdr-in-hdr-container",
                "restrained": "restrained-hdr",
                "wider": "wider-range",
                "stretched": "stretched-sdr",
                "regraded": "different-grade",
            }
        ),
    }
)
"""What was planted: `offset_frames` is SDR frame number minus HDR frame number; ranges are frame numbers, stop exclusive; active
pictures are (top, bottom, left, right); `labels` is the verdict label that each pair was made for."""


def make_demo(
    out: Path, *, pairs: Sequence[str] = PAIRS, progress: Progress | None = None, frames_per_shot: int = FRAMES_PER_SHOT
) -> DemoFiles:
    """Make the releases of the demo film: one SDR release and one HDR release for each pair.

    Releases that an earlier call made whole, with the same version of the demo, are kept. Each frame is painted once for all
    releases. Files appear under their names only when they are whole.

    Parameters
    ----------
    out : Path
        Folder to write to; made if absent.
    pairs : sequence of str
        HDR releases wanted, from `PAIRS`.
    progress : callable, optional
        Called with stage in words, frames done, frames in all.
    frames_per_shot : int
        Frames painted of each shot, 1 to 48; fewer than 48 make a shortened film for tests.

    Returns
    -------
    DemoFiles
        Paths of the releases.

    Raises
    ------
    UsageError
        For a pair that does not exist or a number of frames out of range.
    OutputRefused
        If the folder cannot be written.
    """
    _check(pairs, frames_per_shot=frames_per_shot)
    out = Path(out)
    files = DemoFiles(sdr=out / "lamplighter-sdr.mp4", hdr={pair: out / f"lamplighter-hdr-{pair}.mkv" for pair in pairs})
    version = find_version(frames_per_shot)
    try:
        out.mkdir(parents=True, exist_ok=True)
        kept = _read_kept(out, version=version)
        wanted = [(path, pair) for path, pair in [(files.sdr, None), *((p, n) for n, p in files.hdr.items())] if path.name not in kept]
        if wanted:
            _write_releases(wanted, progress=progress, frames_per_shot=frames_per_shot)
            kept |= {path.name: path.stat().st_size for path, _ in wanted}
            part = out / f".{MARKER}.part"
            part.write_text(json.dumps({"version": version, "files": kept}, indent=1) + "\n", encoding="utf-8")
            os.replace(part, out / MARKER)
    except OSError as error:
        raise OutputRefused(f"The demo releases cannot be written to {out}: {error}. Choose another folder with --out.") from error
    return files


def _check(pairs: Sequence[str], *, frames_per_shot: int) -> None:
    unknown = [pair for pair in pairs if pair not in PAIRS]
    if unknown or not pairs:
        raise UsageError(f"There is no demo pair {', '.join(unknown) or '(none given)'}. Choose --pair from: {', '.join(PAIRS)}.")
    if not 1 <= frames_per_shot <= FRAMES_PER_SHOT:
        raise UsageError(f"frames_per_shot is {frames_per_shot}; choose 1 to {FRAMES_PER_SHOT}.")


def find_version(frames_per_shot: int) -> str:
    """Version of the demo: digest of its own source files and of the film's length."""
    digest = hashlib.sha256(f"{frames_per_shot}".encode())
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def _read_kept(out: Path, *, version: str) -> dict[str, int]:
    """Names and sizes of releases that an earlier call made whole with this version, and that are still as they were."""
    try:
        marker = json.loads((out / MARKER).read_text(encoding="utf-8"))
        if marker["version"] != version:
            return {}
        return {name: size for name, size in marker["files"].items() if (out / name).is_file() and (out / name).stat().st_size == size}
    except (FileNotFoundError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _write_releases(wanted: Sequence[tuple[Path, str | None]], *, progress: Progress | None, frames_per_shot: int) -> None:
    total = SDR_LOGO_FRAMES + HDR_LOGO_FRAMES + HDR_END_FRAMES + SDR_END_FRAMES + len(SHOTS) * frames_per_shot
    with open_coders(wanted) as coders:
        for done, (side, shot, picture) in enumerate(_paint_ahead(paint_film(frames_per_shot))):
            if progress is not None and done % 6 == 0:
                progress("making the demo film", done, total)
            for coder in coders:
                if side in ("both", "sdr" if coder.pair is None else "hdr"):
                    coder.write(picture, shot=shot)
    if progress is not None:
        progress("making the demo film", total, total)


def _paint_ahead(pictures: Iterator[tuple[str, str, Picture]]) -> Iterator[tuple[str, str, Picture]]:
    """The same pictures, each painted while the one before is coded."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        waiting = pool.submit(next, pictures, None)
        while (picture := waiting.result()) is not None:
            waiting = pool.submit(next, pictures, None)
            yield picture


def paint_film(frames_per_shot: int = FRAMES_PER_SHOT) -> Iterator[tuple[str, str, Picture]]:
    """Every painted frame in order: (`both`, `hdr` or `sdr`; name of the shot; scene-linear BT.2020 picture)."""
    for side, build, count in (("hdr", cards.build_hdr_logo, HDR_LOGO_FRAMES), ("sdr", cards.build_sdr_logo, SDR_LOGO_FRAMES)):
        draw = build()
        for frame in range(count):
            yield side, "card", draw(frame)
    for name, build in SHOTS.items():
        draw = build()
        for number in range(frames_per_shot):
            yield "both", name, draw(number * FRAMES_PER_SHOT // frames_per_shot)
        del draw
    for side, build, count in (("hdr", cards.build_hdr_end, HDR_END_FRAMES), ("sdr", cards.build_sdr_end, SDR_END_FRAMES)):
        draw = build()
        for frame in range(count):
            yield side, "card", draw(frame)
