"""A picture area that changes in one release alone, through real encoders: bars are no picture, on neither side.

Both releases show the same light, so that any difference the comparison sees comes from bars. Expected values follow from how each pair
was made.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

import pairdiff
from pairdiff import Comparison
from pairdiff._demo import grade
from pairdiff._demo.shots import FRAMES_PER_SHOT, SHOTS
from pairdiff._pipeline import place_notes
from pairdiff._records import Rectangle
from pairdiff.match.geometry import build_geometry
from pairdiff.writeup.words import alignment_in_words
from tests.whole._films import Floats, encode_hdr, encode_sdr, hdr_planes, sdr_planes

FRAMES = 12
SIZE, STEP = (480, 270), 6
TOP, BOTTOM = 34, 236
FINE = {"preset": "fast", "crf": "18"}
WIDE_SHOTS = range(2, 4)
"""Shots that are letterboxed in one release."""


@pytest.fixture(scope="module")
def signals() -> list[Floats]:
    """The SDR release as 8-bit signal, without bars: one picture of each shot of the demo film, panned."""
    made = []
    for build in SHOTS.values():
        picture = np.ascontiguousarray(build()(FRAMES_PER_SHOT // 2), np.float32)
        room = (SIZE[0] + STEP * FRAMES, SIZE[1])
        signal = np.round(grade.grade_sdr(cv2.resize(picture, room, interpolation=cv2.INTER_AREA).astype(np.float64)) * 219) / 219
        made += [signal[:, STEP * number : STEP * number + SIZE[0]] for number in range(FRAMES)]
    return made


def letterboxed(pictures: list[Floats]) -> Iterator[Floats]:
    for number, picture in enumerate(pictures):
        if number // FRAMES in WIDE_SHOTS:
            picture = picture.copy()
            picture[:TOP] = picture[BOTTOM:] = 0
        yield picture


def relit(signal: Floats) -> Floats:
    return 180.0 * np.maximum(signal, 0) ** 2.3 @ grade.BT709_TO_BT2020.T


def compared(folder: Path, signals: list[Floats], *, side: str) -> Comparison:
    light = [relit(one) for one in signals]
    hdr, sdr = (letterboxed(light), signals) if side == "hdr" else (light, letterboxed(signals))
    return pairdiff.compare(
        encode_hdr(folder / "hdr.mkv", map(hdr_planes, hdr), options=FINE),
        encode_sdr(folder / "sdr.mp4", map(sdr_planes, sdr), options=FINE),
        out=folder / "out",
    )


@pytest.mark.slow
@pytest.mark.parametrize("side", ["sdr", "hdr"])
def test_bars_in_one_release_alone_make_no_difference(signals: list[Floats], tmp_path: Path, side: str) -> None:
    result = compared(tmp_path, signals, side=side)
    assert result.verdict.label == "sdr-in-hdr-container", dict(result.verdict.support)
    assert result.alignment.matched_share > 0.9
    assert result.setup.white_nits == pytest.approx(180, rel=0.03)
    wide = [pair for pair in result.pairs if pair.hdr_frame // FRAMES in WIDE_SHOTS]
    assert wide
    assert max(pair.rms_jnd["controls"] for pair in wide) < 8  # without any bars the codecs alone leave 6.6 in these shots (own)
    start, stop = WIDE_SHOTS.start * FRAMES, WIDE_SHOTS.stop * FRAMES
    assert [(one.hdr_start, one.hdr_stop) for one in result.alignment.geometry] == [(0, start), (start, stop), (stop, len(signals))]
    shares = [(one.common_share_hdr, one.common_share_sdr) for one in result.alignment.geometry]
    share = (BOTTOM - TOP) / SIZE[1]
    assert shares[0] == shares[2] == (1, 1)
    assert shares[1] == pytest.approx((share, 1) if side == "sdr" else (1, share), abs=0.01)
    assert (tmp_path / "out" / "report.html").is_file()
    said = alignment_in_words(result.alignment)
    assert "Picture area, 3 passages" in said
    assert "480 x 202" in said


def test_a_copy_that_lost_its_pixel_aspect_is_laid_edge_to_edge_and_said_to_be_stretched(signals: list[Floats], tmp_path: Path) -> None:
    """720 x 480 of a 16:9 film without its pixel aspect, at half that size."""
    small = [cv2.resize(one, (360, 240), interpolation=cv2.INTER_AREA) for one in signals]
    hdr = encode_hdr(tmp_path / "hdr.mkv", (hdr_planes(relit(one)) for one in signals), options=FINE)
    alignment = pairdiff.align(hdr, encode_sdr(tmp_path / "sdr.mp4", map(sdr_planes, small), options=FINE))
    place = alignment.geometry[0]
    assert place.scale_columns == pytest.approx(SIZE[0] / 360, abs=2e-3)
    assert place.scale_rows == pytest.approx(SIZE[1] / 240, abs=2e-3)
    assert place.residual_pixels is not None
    assert place.residual_pixels < 0.25
    assert "one release is stretched" in alignment_in_words(alignment)


def test_pictures_that_could_not_be_laid_over_each_other_are_told() -> None:
    area = Rectangle(0, 270, 0, 480)
    told = build_geometry(area, area, scale=(1, 1), shift=(0, 0), max_columns=480, pixels_per_degree_2160=56.55, residual_pixels=None)
    assert "could not be laid over each other" in place_notes(told, (1.0, 1.0))[0]
    assert place_notes(dataclasses.replace(told, residual_pixels=0.1), (1.0, 1.0)) == []
