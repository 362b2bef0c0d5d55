"""Where chroma lies is told by the pictures: planes are subsampled here by OpenCV's own resampling from edges whose place is known."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

import pairdiff
from pairdiff._records import Fact, Frame, Signal
from pairdiff.frames.siting import OTHER_PLACE, SitingWatch, say_siting, siting_by_shift
from tests._clips import SDR_TAGS, encode_clip

ROWS, COLUMNS = 216, 384
PLACES = {"left": (0.0, 0.5), "centre": (0.5, 0.5), "top-left": (0.0, 0.0)}
"""Place of the first chroma sample, luma samples right of and below the first luma sample: ITU-T H.264 (08/2021) figure E-1."""


def signal(siting: str, *, sampling: str = "420", bits: int = 8) -> Signal:
    def fact(value: object) -> Fact[object]:
        return Fact(value, "bitstream", False)

    values = ("bt1886", "bt709", "bt709", "narrow", bits, sampling, siting, COLUMNS, ROWS, Fraction(1), Fraction(24))
    return Signal(*map(fact, values))  # type: ignore[arg-type]


def edges(seed: int) -> NDArray[np.float32]:
    """A picture of soft-edged ellipses, 0 to 1."""
    random = np.random.default_rng(seed)
    drawn = np.zeros((ROWS, COLUMNS), np.float32)
    for _ in range(160):
        centre = (int(random.integers(COLUMNS)), int(random.integers(ROWS)))
        axes = (int(random.integers(5, 30)), int(random.integers(5, 30)))
        cv2.ellipse(drawn, centre, axes, float(random.integers(180)), 0, 360, float(random.uniform(0.1, 0.9)), -1, cv2.LINE_AA)
    return cv2.GaussianBlur(drawn, (0, 0), 1.0)


def subsample(plane: NDArray[np.float32], place: tuple[float, float], *, sampling: str = "420") -> NDArray[np.float32]:
    """Samples of the plane at the places of chroma, band-limited first."""
    smooth = cv2.GaussianBlur(plane, (0, 0), 0.8)
    rows = np.arange(0, ROWS, 2 if sampling == "420" else 1, dtype=np.float32) + (place[1] if sampling == "420" else 0)
    across, down = np.meshgrid(np.arange(0, COLUMNS, 2, dtype=np.float32) + place[0], rows)
    return cv2.remap(smooth, across.astype(np.float32), down.astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def frame(
    number: int,
    place: tuple[float, float],
    *,
    bits: int = 8,
    sampling: str = "420",
    red_moved: float = 0.0,
    chroma: float = 90.0,
) -> Frame:
    drawn, step = edges(number), 2 ** (bits - 8)
    red_place = (place[0] + red_moved, place[1])
    planes = (
        40 + 150 * drawn,
        128 + chroma * (subsample(drawn, place, sampling=sampling) - 0.4),
        128 - chroma * (subsample(drawn, red_place, sampling=sampling) - 0.4),
    )
    kind = np.uint8 if bits == 8 else np.uint16
    noise = np.random.default_rng(number)
    codes = tuple(np.rint(step * (plane + noise.normal(0, 0.5, plane.shape))).astype(kind) for plane in planes)
    return Frame(number, Fraction(number, 24), codes, True, "I")


def watched(read: Signal, place: tuple[float, float], *, frames: int = 6, bits: int = 8, **more: float) -> SitingWatch:
    watch = SitingWatch(read)
    sampling = read.chroma_sampling.value
    assert len(list(watch.watch(frame(number, place, bits=bits, sampling=sampling, **more) for number in range(frames)))) == frames  # type: ignore[arg-type]
    return watch


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("read", PLACES)
@pytest.mark.parametrize("made", PLACES)
def test_chroma_is_found_where_it_was_put(made: str, read: str, bits: int) -> None:
    stated = signal(read, bits=bits)
    shift = watched(stated, PLACES[made], bits=bits).found()
    assert shift is not None
    wanted = np.subtract(PLACES[made], PLACES[read])
    np.testing.assert_allclose((shift.across, shift.down), wanted, atol=0.08)
    assert siting_by_shift(shift, stated) == (None if made == read else made)
    assert all(low <= value <= high for low, value, high in zip(shift.low, (shift.across, shift.down), shift.high, strict=True))


def test_between_columns_alone_is_told_where_lines_are_whole() -> None:
    stated = signal("left", sampling="422")
    shift = watched(stated, PLACES["centre"]).found()
    assert shift is not None
    assert (shift.across, shift.down) == (pytest.approx(0.5, abs=0.08), 0.0)
    assert watched(stated, PLACES["left"]).found() is not None
    assert say_siting(watched(stated, PLACES["left"]).found(), stated, side="sdr") is None


def test_the_note_says_how_far_where_and_what_to_do() -> None:
    stated = signal("top-left", bits=10)
    note = say_siting(watched(stated, PLACES["left"], bits=10).found(), stated, side="hdr")
    assert note is not None
    assert note.startswith("Chroma is read as top-left (bitstream), but by the edges in its pictures it lies 0.5 luma samples further down")
    assert " down (95 %: 0.5 to 0.5). The siting left explains that; if the release was made so, say --hdr-siting left. A lens" in note
    across = say_siting(watched(signal("left"), PLACES["centre"]).found(), signal("left"), side="sdr")
    assert across is not None
    assert " lies 0.5 luma samples further right (95 %" in across
    assert "--sdr-siting centre" in across


def test_colours_that_lie_where_no_siting_puts_them_are_told_without_an_option() -> None:
    stated = signal("left")
    shift = watched(stated, (-1.0, 0.5)).found()
    assert shift is not None
    assert siting_by_shift(shift, stated) == OTHER_PLACE
    note = say_siting(shift, stated, side="sdr")
    assert note is not None
    assert "No siting explains that" in note
    assert " lies 1.0 luma samples further left (95 %" in note
    assert "--sdr-siting" not in note


def test_planes_that_do_not_agree_tell_of_a_lens_and_not_of_a_siting() -> None:
    assert watched(signal("left"), PLACES["left"], red_moved=0.5).found() is None
    assert watched(signal("left"), PLACES["left"], red_moved=0.05).found() is not None


def test_a_picture_of_few_colours_or_none_tells_nothing() -> None:
    assert watched(signal("left"), PLACES["centre"], chroma=3.0).found() is None
    assert watched(signal("left"), PLACES["centre"], frames=1).found() is None
    assert say_siting(None, signal("left"), side="hdr") is None
    whole = replace(signal("left"), chroma_sampling=Fact("444", "pixel format", False))
    watch = SitingWatch(whole)
    watch.add(frame(0, PLACES["left"]))
    assert watch.found() is None


def test_the_first_pictures_and_then_one_in_some_are_looked_at() -> None:
    watch = SitingWatch(signal("left"))
    one, seen = frame(0, PLACES["left"]), []
    for number in range(80):
        before = len(watch._readings[1])
        watch.add(one)
        if len(watch._readings[1]) > before:
            seen.append(number)
    assert seen == [*range(16), *range(16, 64, 12)]


def test_what_is_forgotten_counts_no_more() -> None:
    watch = watched(signal("left"), PLACES["centre"])
    watch.forget()
    assert watch.found() is None
    assert len(list(watch.watch(frame(number, PLACES["left"]) for number in range(6)))) == 6
    shift = watch.found()
    assert shift is not None
    assert siting_by_shift(shift, signal("left")) is None


@pytest.mark.parametrize(("made", "told"), [("left", False), ("top-left", True)])
def test_a_release_that_is_read_at_another_place_says_so_in_its_notes(
    made: str, told: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    pictures = (frame(number // 2, PLACES[made]).planes for number in range(120))
    clip = encode_clip(tmp_path / "sdr.mkv", pictures, codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, options={"g": "12", "crf": "16"})
    notes = pairdiff.measure(clip).result.release.notes
    assert any("--sdr-siting top-left" in note for note in notes) == told
    stated = pairdiff.measure(clip, settings=pairdiff.Settings(sdr_siting=made)).result.release.notes
    assert not any("by the edges in its pictures" in note for note in stated)
