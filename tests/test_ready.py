"""Kernels made ready beside other work: who waits is told, what fails is not hidden, and every form of picture passes."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pairdiff import _pipeline, _ready
from pairdiff._ready import COMPILING, KernelsReady
from pairdiff._records import Fact, Frame, Release, Signal
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from tests.small_clips import SmallPair

SHAPES = {"420": (2, 2), "422": (1, 2), "444": (1, 1), "rgb": (1, 1)}


def make_signal(*, transfer: str = "pq", sampling: str = "420", bits: int = 10, rows: int = 1080, columns: int = 1920) -> Signal:
    def stated(value: object) -> Fact:
        return Fact(value, "container", False)

    matrix = {"bt1886": "bt709"}.get(transfer, "bt2020-ncl")
    return Signal(
        transfer=stated(transfer),
        primaries=stated("bt709" if transfer == "bt1886" else "bt2020"),
        matrix=stated("rgb" if sampling == "rgb" else matrix),
        range=stated("narrow"),
        bit_depth=stated(bits),
        chroma_sampling=stated(sampling),
        chroma_siting=stated("left"),
        width=stated(columns),
        height=stated(rows),
        sample_aspect=stated(Fraction(1)),
        frame_rate=stated(Fraction(24)),
    )


def picture(signal: Signal) -> Frame:
    rows, columns = signal.height.value, signal.width.value
    kind = np.uint8 if signal.bit_depth.value == 8 else np.uint16
    level = np.random.default_rng(2).integers(40, 200, (rows, columns)).astype(kind) << (signal.bit_depth.value - 8)
    planes = [level.astype(kind)]
    if signal.chroma_sampling.value != "grey":
        down, across = SHAPES[signal.chroma_sampling.value]
        planes += [np.ascontiguousarray(level[::down, ::across].astype(kind))] * 2
    return Frame(0, Fraction(0), tuple(planes), True, "I")


@pytest.mark.parametrize("transfer", ["pq", "hlg", "bt1886"])
@pytest.mark.parametrize("sampling", ["420", "422", "444", "rgb", "grey"])
@pytest.mark.parametrize("size", [(1080, 1920), (37, 51), (16, 16), (145, 64)])
@pytest.mark.parametrize("bits", [8, 10])
def test_a_picture_of_any_form_makes_the_kernels_ready(transfer: str, sampling: str, size: tuple[int, int], bits: int) -> None:
    signal = make_signal(transfer=transfer, sampling=sampling, bits=bits, rows=size[0], columns=size[1])
    kernels, frame = KernelsReady(signal, hlg_peak_nits=1000.0), picture(signal)
    assert list(kernels.watch([frame, frame])) == [frame, frame]
    kernels.wait(tell=lambda stage, done, total: None)


def test_waiting_is_told_where_it_is_long_and_only_there(monkeypatch: pytest.MonkeyPatch) -> None:
    signal = make_signal()
    monkeypatch.setattr(_ready, "SOON_S", 0.05)
    for takes_s, told in ((0.0, []), (0.5, [(COMPILING, 0, None)])):
        heard: list[tuple[str, int, int | None]] = []
        ended: list[bool] = []

        def work(*given: object, takes_s: float = takes_s, ended: list[bool] = ended, **named: object) -> None:
            time.sleep(takes_s)
            ended.append(True)

        monkeypatch.setattr(_ready, "_measure_strip", work)
        kernels = KernelsReady(signal, hlg_peak_nits=1000.0)
        list(kernels.watch([picture(signal)] * 3))
        kernels.wait(tell=lambda *words, heard=heard: heard.append(words))
        assert (heard, ended) == (told, [True])


def test_what_goes_wrong_in_the_thread_is_raised_where_it_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def work(*given: object, **named: object) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(_ready, "_measure_strip", work)
    signal = make_signal()
    kernels = KernelsReady(signal, hlg_peak_nits=1000.0)
    list(kernels.watch([picture(signal)]))
    with pytest.raises(ZeroDivisionError, match="planted"):
        kernels.wait(tell=lambda stage, done, total: None)


def test_without_a_picture_nothing_is_waited_for() -> None:
    kernels = KernelsReady(make_signal(), hlg_peak_nits=1000.0)
    assert list(kernels.watch([])) == []
    kernels.wait(tell=lambda stage, done, total: pytest.fail(stage))


@pytest.mark.slow
def test_the_first_measure_of_a_fresh_installation_says_that_it_compiles_and_the_second_does_not(
    small_pair: SmallPair, tmp_path: Path
) -> None:
    env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "compiled"), "PAIRDIFF_KEEP_DIR": str(tmp_path / "kept")}
    told, spent_s, results = [], [], []
    for _ in range(2):
        start = time.perf_counter()
        command = [sys.executable, "-m", "pairdiff", "measure", str(small_pair.hdr), "--fresh", "--json"]
        done = subprocess.run(command, env=env, capture_output=True, text=True, timeout=300, check=True)
        spent_s.append(time.perf_counter() - start)
        told.append(re.findall(r"^pairdiff: (.+)$", done.stderr, flags=re.MULTILINE))
        results.append(done.stdout)
    assert [COMPILING in lines for lines in told] == [True, False]
    assert spent_s[0] > spent_s[1]
    assert results[0] == results[1]


@pytest.mark.parametrize(("length_s", "most"), [(None, 48), (2, 12), (124, 12), (200, 20), (480, 48), (7200, 48)])
def test_a_short_film_has_fewer_key_frames_looked_at(
    length_s: int | None, most: int, small_pair: SmallPair, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def read(release: Release, *, most: int) -> Iterator[Frame]:
        asked.append(most)
        raise KeyboardInterrupt

    found = probe_release(small_pair.hdr, side="hdr", settings=Settings())
    found = replace(found, duration_s=None if length_s is None else Fraction(length_s))
    monkeypatch.setattr(_pipeline, "read_key_frames", read)
    with pytest.raises(KeyboardInterrupt):
        _pipeline._find_active(found, lambda frames: frames, forget=lambda: None, tell=lambda stage, done, total: None)
    assert asked == [most]
