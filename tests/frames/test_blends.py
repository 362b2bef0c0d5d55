"""Mixes of neighbouring frames: told from pictures of their own. The film is photographs of scikit-image under a moving camera."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff.frames.blends import compare_mix, find_mixed
from pairdiff.frames.cadence import FieldWatch, FramesFound, note_fields
from pairdiff.frames.decode import planes_of_picture
from pairdiff.frames.fields import sample_rows
from tests.match._films import Grade, squeeze
from tests.whole._cadence import film, plain, write_side

Pictures = list[NDArray[Any]]


def mixed_of(pictures: Pictures, *, code_step: float = 1.0) -> NDArray[np.bool_]:
    watch = FieldWatch(code_step=code_step)
    for number, picture in enumerate(pictures):
        watch.add(number, (picture,))
    return watch.mixed()


def with_blends(pictures: NDArray[np.uint8], *, every: int, share: float = 0.5) -> tuple[Pictures, NDArray[np.bool_]]:
    """A mix put in after every so many pictures, and which frames are mixes."""
    out: Pictures = []
    blends = []
    for number, picture in enumerate(pictures[:-1]):
        out.append(picture)
        blends.append(False)
        if number % every == every - 1:
            out.append(np.rint((1 - share) * picture + share * pictures[number + 1]).astype(picture.dtype))
            blends.append(True)
    return out, np.array(blends)


@pytest.mark.parametrize(("every", "share"), [(1, 0.5), (4, 0.5)])
def test_blends_put_between_pictures_are_found_and_pictures_are_not(every: int, share: float) -> None:
    pictures, blends = with_blends(film()[:160], every=every, share=share)
    found = mixed_of(pictures)
    assert not (found & ~blends).any()
    assert (found & blends).sum() >= 0.2 * blends.sum()


def test_ten_bit_codes_are_judged_as_eight_bit_ones() -> None:
    pictures, blends = with_blends(film()[:80].astype(np.uint16) * 4, every=4)
    found = mixed_of(pictures, code_step=4.0)
    assert not (found & ~blends).any()
    assert found.sum() >= 0.2 * blends.sum()


@pytest.mark.parametrize(("grain", "crf"), [(0.0, None), (0.08, None), (0.0, 28)])
def test_film_of_its_own_pictures_holds_no_blends(grain: float, crf: int | None) -> None:
    look = Grade(grain=grain)
    pictures = [look(one.astype(np.float32) / 255, n) for n, one in enumerate(film())]
    assert not mixed_of(pictures if crf is None else squeeze(pictures, crf=crf)).any()


@pytest.mark.parametrize("crf", [12, 22])
def test_frames_that_an_encoder_predicts_from_both_sides_are_no_blends(crf: int, tmp_path: Path) -> None:
    path = write_side(tmp_path / "film", plain(range(200)), hdr=True, crf=crf)
    with av.open(str(path)) as container:
        pictures = [planes_of_picture(one)[0].copy() for one in container.decode(video=0)]
    assert not mixed_of(pictures, code_step=4.0).any()


def test_a_dissolve_or_two_are_no_conversion() -> None:
    pictures, _ = with_blends(film()[:100], every=50)
    assert not mixed_of(pictures).any()


def test_the_compiled_products_are_those_of_plain_numpy() -> None:
    three = [sample_rows(one) for one in np.random.default_rng(3).integers(0, 255, (3, 60, 90), np.uint8)]
    a, b, c = (one[0, ::2].astype(float)[:, 2:] - one[0, ::2].astype(float)[:, :-2] for one in three)
    counts = np.abs(a - c) >= 12.0
    a, b, c = a[counts], b[counts], c[counts]
    products = [(a - c) ** 2, (b - c) * (a - c), (b - c) ** 2, (b - a) ** 2, a**2 + c**2, np.ones_like(a)]
    wanted = [one.sum() for one in products]
    np.testing.assert_allclose(compare_mix(*three, code_step=1.0), wanted, rtol=1e-5)


def test_nothing_is_said_of_too_little() -> None:
    assert not find_mixed(np.zeros((4, 6))).any()
    assert mixed_of([film()[0]]).tolist() == [False]


def test_a_note_counts_the_blends() -> None:
    none = np.zeros(60, bool)
    (note,) = note_fields(FramesFound(None, "", True, none, none, np.arange(60) < 12, none[:0]))
    assert note.startswith("at least 12 of 60 frames (20.0%)")
    assert "not matched" in note
