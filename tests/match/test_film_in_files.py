"""Matching films whose fingerprints and signatures lie in files: the same as in memory, to the last bit, and in little memory."""

from __future__ import annotations

import dataclasses
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff import _block_file
from pairdiff._block_file import in_files
from pairdiff._film_array import FilmArray, Prints
from pairdiff._records import PictureSpan, Rectangle
from pairdiff.match import anchors, timeline
from pairdiff.match.motion import find_cuts, make_signatures
from pairdiff.match.passages import mask_bars
from pairdiff.match.timeline import EditMap, find_edit_map, find_turn
from tests.match._drift import FILM, HDR_TRACK, make_drift, to_hdr, to_sdr, track

Tracks = tuple[NDArray[np.float16], NDArray[np.float16]]
PLAIN = track(to_sdr(FILM, gamma=1.2, noise=0.01))
EVERY_FIFTH = np.arange(200) % 5 == 4


@pytest.fixture(autouse=True)
def small_arrays_in_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_block_file, "LEAST_FILE_BYTES", 0)


def put(whole: NDArray[Any], folder: Path) -> Prints:
    made = in_files(folder)(whole.shape, whole.dtype)
    made[:] = whole
    assert isinstance(made, FilmArray)
    return made


def assert_same(first: Any, second: Any) -> None:
    assert type(first) is type(second)
    if isinstance(first, np.ndarray):
        assert first.dtype == second.dtype
        np.testing.assert_array_equal(first, second)
    elif dataclasses.is_dataclass(first):
        for field in dataclasses.fields(first):
            assert_same(getattr(first, field.name), getattr(second, field.name))
    else:
        assert first == second


def in_pieces() -> Tracks:
    """Another passage in one release, one left out in the other, black in both, and a repeat of every fourth frame."""
    black = np.zeros((12, HDR_TRACK.shape[1]), np.float16)
    other = track(to_hdr(make_drift(60, (), seed=33)))
    hdr = np.concatenate([HDR_TRACK[:80], other, black, HDR_TRACK[110:]])
    sdr = np.concatenate([PLAIN[:110], black[:7], PLAIN[110:]])
    return hdr, sdr[np.repeat(np.arange(len(sdr)), 1 + (np.arange(len(sdr)) % 4 == 2))]


def with_slow_ends() -> Tracks:
    ending = make_drift(1, (), seed=31)[0]
    hdr = np.concatenate([FILM, make_drift(60, (), seed=33), np.repeat(ending[None], 40, 0)])
    return track(to_hdr(hdr)), track(to_sdr(np.concatenate([FILM, np.repeat(ending[None], 40, 0)]), noise=0.004))


CASES: dict[str, tuple[Callable[[], Tracks], dict[str, Any]]] = {
    "another grade": (lambda: (HDR_TRACK[7:], PLAIN), {}),
    "a crop": (lambda: (HDR_TRACK[9:], track(to_sdr(FILM[:, 2:-2, 4:-5]))), {}),
    "in pieces": (in_pieces, {}),
    "slow ends": (with_slow_ends, {}),
    "a passage alone, with pins": (lambda: (HDR_TRACK, PLAIN[7:]), {"only": (60, 160), "pins": [(100, 93)]}),
    "known repeats": (lambda: (HDR_TRACK, PLAIN[~EVERY_FIFTH]), {"hdr_repeats": EVERY_FIFTH}),
    "other films": (lambda: (HDR_TRACK, track(to_sdr(make_drift(seed=99)))), {}),
}


@pytest.mark.parametrize("case", CASES)
def test_the_map_of_films_in_files_is_that_of_films_in_memory(case: str, tmp_path: Path) -> None:
    make, given = CASES[case]
    hdr, sdr = make()
    found = find_edit_map(put(hdr, tmp_path), put(sdr, tmp_path), **given, empty=in_files(tmp_path))
    assert_same(found, find_edit_map(hdr, sdr, **given))
    assert (found.partners >= 0).any() == (case != "other films")


def test_matching_puts_all_that_has_a_film_s_length_where_it_is_told_to(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Not into memory unseen: whatever is made holds as many rows as a track, and the signatures of both are among it."""
    made: list[tuple[int, ...]] = []
    sides: list[timeline.Side] = []
    plain, in_file = timeline.make_side, in_files(tmp_path)

    def keep_side(*args: Any, **more: Any) -> timeline.Side:
        sides.append(plain(*args, **more))
        return sides[-1]

    def empty(shape: tuple[int, ...], kind: Any) -> Prints:
        made.append(shape)
        return in_file(shape, kind)

    monkeypatch.setattr(timeline, "make_side", keep_side)
    hdr, sdr = put(HDR_TRACK, tmp_path), put(PLAIN[:190], tmp_path)
    find_edit_map(hdr, sdr, empty=empty)
    assert sorted(made) == sorted([(190, 576)] * 2 + [(200, 576)] * 2)  # signatures twice of SDR; HDR on the SDR grid, and its signatures
    assert all(isinstance(one, FilmArray) for side in sides for one in (side.fingerprints, side.signatures))
    assert sides[1].fingerprints is sdr


def test_a_turned_film_in_files_is_told_as_in_memory(tmp_path: Path) -> None:
    turned = track(to_sdr(FILM[:, :, ::-1]))
    found = find_turn(put(HDR_TRACK, tmp_path), put(turned, tmp_path), min_score=0.45, empty=in_files(tmp_path))
    assert found == find_turn(HDR_TRACK, turned, min_score=0.45) == "mirrored left to right"


def test_masked_films_in_files_are_those_in_memory(tmp_path: Path) -> None:
    whole, inner = Rectangle(0, 1080, 0, 1920), Rectangle(140, 940, 0, 1920)
    spans = (PictureSpan(0, 100, whole), PictureSpan(100, 200, inner)), (PictureSpan(0, 200, whole),)
    limits = {"max_columns": 1920, "pixels_per_degree_2160": 56.55, "pixel_aspects": (1.0, 1.0)}
    plain = mask_bars((HDR_TRACK, PLAIN), (whole, whole), spans, limits=limits)
    found = mask_bars((put(HDR_TRACK, tmp_path), put(PLAIN, tmp_path)), (whole, whole), spans, limits=limits, empty=in_files(tmp_path))
    for first, second in zip(found, plain, strict=True):
        assert isinstance(first, FilmArray)
        assert np.array_equal(first[:], second)
    assert not np.array_equal(plain[0], HDR_TRACK)


def test_cuts_and_signatures_are_those_in_memory(tmp_path: Path) -> None:
    stored = put(HDR_TRACK, tmp_path)
    assert find_cuts(stored).tolist() == find_cuts(HDR_TRACK).tolist() == [40, 95, 150]
    for first, second in zip(make_signatures(stored, empty=in_files(tmp_path)), make_signatures(HDR_TRACK), strict=True):
        assert np.array_equal(first[:], second)


@pytest.mark.parametrize("block", [7, 16, 61])
def test_what_looks_alike_in_a_gap_is_found_block_by_block(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stretch without partner is as long as a film where films do not belong together: its similarities are never held as a whole."""
    hdr, sdr = (timeline.make_side(one) for one in with_slow_ends())

    def doubted() -> tuple[NDArray[np.int64], NDArray[np.int8]]:
        return timeline._doubt_alike(np.full(300, -1), np.full(300, -1, np.int8), hdr, sdr)

    whole = doubted()
    monkeypatch.setattr(timeline, "BLOCK_FRAMES", block)
    largest = max(len(one) for _, one in timeline._similarities(hdr.fingerprints, np.zeros((3, 576), np.float32), 0, 300))
    assert largest == block
    for first, second in zip(doubted(), whole, strict=True):
        assert np.array_equal(first, second)
    assert (whole[1][262:] == 0).all()
    assert (whole[1][205:255] == -1).all()


def peak_of(frames: int, folder: Path | None) -> tuple[int, EditMap]:
    """Bytes at most while two long tracks are matched, and the map."""
    rng = np.random.default_rng(5)
    shots = rng.normal(size=(frames // 60, 1, 3, 576)).astype(np.float32)
    walk = np.sin(np.cumsum(0.15 * rng.normal(size=(frames // 60, 60, 3)), axis=1))[..., None].astype(np.float32)
    film = (walk * shots).sum(2).reshape(-1, 576)
    film = ((film - film.mean(1, keepdims=True)) / np.linalg.norm(film, axis=1, keepdims=True)).astype(np.float16)
    tracks = (film, film) if folder is None else (put(film, folder), put(film, folder))
    del film, shots, walk
    tracemalloc.start()
    found = find_edit_map(*tracks) if folder is None else find_edit_map(*tracks, empty=in_files(folder))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak, found


@pytest.mark.slow
def test_what_matching_holds_of_a_frame_is_less_than_half_of_its_fingerprint(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which has 576 cells of two bytes; in memory what is made of it takes three times as much."""
    monkeypatch.setattr(anchors, "BLOCK_PLACES", 2048)
    few, many = 4800, 9600  # more than a block, so that blocks are as large in both
    peak_of(600, tmp_path)  # what is loaded once
    growth = []
    for folder in (tmp_path, None):
        (less, _), (more, found) = peak_of(few, folder), peak_of(many, folder)
        growth.append((more - less) / (many - few))
        assert (found.partners == np.arange(many)).mean() > 0.8
    assert growth[0] < 576 < 3 * 1152 < growth[1]
