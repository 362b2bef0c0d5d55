"""What a catalogue of many titles costs, measured on a few: films, the book-keeping of a batch, the archive, a scheduler.

    python -m tests.bench.catalogue films [HDR SDR]        one comparison read whole, stage by stage; a pair is made where none is named
    python -m tests.bench.catalogue batch [TITLES]         manifest, outcomes that lie there and the summary of so many titles (10 000)
    python -m tests.bench.catalogue archive [TITLES]       keeping, listing, ranking and drawing so many runs (10 000: an hour)
    python -m tests.bench.catalogue tasks [TASKS]          tasks that do nothing, on two workers (1000)

`catalogue.md` plans 10 000 titles with what they printed.
"""

from __future__ import annotations

import functools
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from itertools import chain
from pathlib import Path

import numpy as np
import psutil
from scipy.ndimage import gaussian_filter

import pairdiff
from pairdiff.shelf import batch
from pairdiff.shelf.archive import write_object
from pairdiff.shelf.manifest import read_manifest
from tests.shelf._titles import Titles
from tests.whole._films import encode_hdr, encode_sdr, hdr_planes, pan, sdr_planes

SHOTS = 4
KEPT_AT = (100, 300, 1000, 3000, 10_000)
"""Sizes at which an archive is looked at."""


def seconds(work: Callable[[], object]) -> float:
    """Of one call."""
    begun_s = time.perf_counter()
    work()
    return time.perf_counter() - begun_s


def size_of(folder: Path) -> int:
    """Bytes of all files."""
    return sum(one.stat().st_size for one in folder.rglob("*") if one.is_file())


def make_films(folder: Path) -> tuple[Path, Path]:
    """Four shots of a second, shapes that drift: HEVC at 2160p and H.264 at 1080p, both hard to code."""
    random = np.random.default_rng(3)
    hdr, sdr = [], []
    for _ in range(SHOTS):
        noise = random.normal(size=(2160, 3840, 3)).astype(np.float32)
        field = (
            gaussian_filter(noise, (60, 60, 0), mode="wrap") * 60 + 0.25 * gaussian_filter(noise, (3, 3, 0), mode="wrap") * 3 + 0.03 * noise
        )
        signal = np.clip(0.5 + 0.2 * field / field.std(), 0.02, 0.98)
        hdr.append(hdr_planes(150 * signal**2.4))
        sdr.append(sdr_planes(signal.reshape(1080, 2, 1920, 2, 3).mean(axis=(1, 3))))
    names = folder / "hdr.mkv", folder / "sdr.mkv"
    encode_hdr(names[0], chain.from_iterable(pan(one, count=24) for one in hdr), options={"preset": "ultrafast", "crf": "20"})
    encode_sdr(names[1], chain.from_iterable(pan(one, count=24, step=6) for one in sdr), options={"preset": "veryfast", "crf": "20"})
    return names


def films(hdr: Path, sdr: Path, place: Path) -> None:
    """One comparison, stage by stage."""
    kept, out = place / "kept", place / "out"
    begins: dict[str, tuple[float, float]] = {}
    counts: dict[str, int] = {}

    def watch(stage: str, done: int, total: int | None) -> None:
        begins.setdefault(stage, (time.perf_counter(), time.process_time()))
        counts[stage] = max(counts.get(stage, 0), done)

    before = psutil.Process().io_counters()
    pairdiff.compare(hdr, sdr, out=out, survey=False, fresh=True, progress=watch)
    ended, after = (time.perf_counter(), time.process_time()), psutil.Process().io_counters()
    for (stage, begun), following in zip(begins.items(), [*list(begins.values())[1:], ended], strict=True):
        clock_s, core_s = (later - sooner for later, sooner in zip(following, begun, strict=True))
        each = f", {core_s / counts[stage]:.4f} s of a core each of {counts[stage]}" if counts[stage] else ""
        print(f"{stage}: {clock_s:.1f} s, {core_s:.1f} s of a core{each}", flush=True)
    read = after.read_chars - before.read_chars  # type: ignore[attr-defined]
    print(f"read {read / 2**20:.0f} MiB, of files of {(hdr.stat().st_size + sdr.stat().st_size) / 2**20:.0f} MiB")
    frames = sum(count for stage, count in counts.items() if stage.startswith("measure the"))
    print(
        f"kept {size_of(kept) / 2**20:.1f} MiB, {size_of(kept) / max(frames, 1):.0f} bytes a frame; result {size_of(out) / 2**20:.1f} MiB"
    )
    for part in sorted(out.iterdir()):
        print(f"  {part.name}: {(size_of(part) if part.is_dir() else part.stat().st_size) / 2**20:.2f} MiB")


def bookkeeping(count: int, place: Path) -> None:
    """What a batch does beside the comparisons."""
    for name in ("h.mkv", "s.mkv"):
        (place / name).write_bytes(b"x")
    titles = "\n".join(f'[[pair]]\ntitle = "Film {n}"\nhdr = "h.mkv"\nsdr = "s.mkv"\nyear = 1990' for n in range(count))
    (place / "shelf.toml").write_text(titles, encoding="utf-8")
    out = place / "out"
    out.mkdir()
    print(f"manifest of {count} pairs, read and checked: {seconds(lambda: read_manifest(place / 'shelf.toml')):.2f} s")
    manifest = read_manifest(place / "shelf.toml")
    figures = {"label": "wider-range", "words": "HDR that widens the picture", "support": 0.97, "headroom_stops": 1.53}
    figures |= {"uses_peak_ratio": False, "notice_probability": 0.93, "mode": "survey"}
    files = {side: f"sha256-sampled:71234567890:{'7' * 64}" for side in ("hdr", "sdr")}
    times = {"begun": "2031-01-01T00:00:00+00:00", "took_s": 131.2}
    done = {
        one.title: replace(batch.outcome_of(one, "done"), exit_code=0, figures=figures, files=files, times=times) for one in manifest.pairs
    }

    def write_all() -> None:
        for pair in manifest.pairs:
            (out / pair.folder).mkdir()
            write_object(out / pair.folder / batch.OUTCOME, asdict(done[pair.title]), readable=True)

    print(f"outcomes written: {seconds(write_all) / count * 1e3:.2f} ms each")
    print(
        f"outcomes read and held against what is asked: {seconds(lambda: [batch.read_outcome(one, out) for one in manifest.pairs]):.2f} s"
    )
    summary = batch.summarise(manifest, done, chosen=manifest.pairs)
    spent = [seconds(lambda: batch.summarise(manifest, done, chosen=manifest.pairs)) for _ in range(3)]
    wrote = [seconds(lambda: write_object(out / batch.SUMMARY, summary, readable=True)) for _ in range(3)]
    size = (out / batch.SUMMARY).stat().st_size
    print(f"summary: {statistics.median(spent):.2f} s to make, {statistics.median(wrote):.2f} s to write, {size / 2**20:.1f} MiB")


def archive(count: int, place: Path) -> None:
    """An archive that grows; seconds on the clock and of one core."""
    titles, root, page = Titles(), place / "archive", place / "shelf.html"
    spent: list[tuple[float, float]] = []
    for number in range(count):
        folder = titles.write(place / "result", number)
        spent.append(both(functools.partial(pairdiff.keep, folder, archive=root, year=2000 + number % 25)))
        shutil.rmtree(folder)
        if number + 1 in KEPT_AT or number + 1 == count:
            shelf, size = pairdiff.open_shelf(root), size_of(root)
            works: dict[str, Callable[[], object]] = {
                "list": shelf.list_runs,
                "rank": functools.partial(shelf.list_runs, sort="headroom"),
                "page": functools.partial(shelf.report, page),
            }
            told = [f"keep {median_of(spent[-50:])}", *(f"{name} {median_of([both(work)])}" for name, work in works.items())]
            print(f"{number + 1} runs, {size / (number + 1) / 2**10:.0f} KiB each: {'; '.join(told)}; {size_of_page(page)}", flush=True)


def both(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of one call on the clock, and of one core."""
    begun_s, core_s = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - begun_s, time.process_time() - core_s


def median_of(spent: Sequence[tuple[float, float]]) -> str:
    """Both medians in words."""
    clock_s, core_s = (statistics.median(one) for one in zip(*spent, strict=True))
    return f"{clock_s:.2f} s, {core_s:.2f} of a core"


def size_of_page(page: Path) -> str:
    """In words."""
    return f"the page has {page.stat().st_size / 2**20:.1f} MiB"


def tasks(count: int, place: Path) -> None:
    """What a scheduler takes for tasks alone."""
    import os

    from distributed import Client

    from tests.shelf._dask import dask

    with dask(place, os.environ, workers=2) as found, Client(found.address, set_as_default=False) as client:
        client.gather(client.map(str, range(4)))

        def run() -> None:
            client.gather([client.submit(str, number, pure=False) for number in range(count)])

        print(f"{count} tasks: {seconds(run) / count * 1e3:.2f} ms each")


def main(words: list[str]) -> None:
    what, rest = words[0], words[1:]
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        if what == "films":
            import os

            os.environ["PAIRDIFF_KEEP_DIR"] = str(place / "kept")
            films(*(map(Path, rest) if rest else make_films(place)), place)
        elif what == "batch":
            bookkeeping(int(rest[0]) if rest else 10_000, place)
        elif what == "archive":
            archive(int(rest[0]) if rest else 10_000, place)
        elif what == "tasks":
            tasks(int(rest[0]) if rest else 1000, place)
        else:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:] or ["help"])
