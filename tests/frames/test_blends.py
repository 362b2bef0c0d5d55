"""Mixes of neighbouring frames: told from pictures of their own. The film is photographs of scikit-image under a moving camera."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._errors import InputRefused
from pairdiff.frames._kernels import best_phases
from pairdiff.frames.blends import Blends, compare_mix, find_blends
from pairdiff.frames.cadence import FieldWatch, FramesFound, check_blends, note_fields
from pairdiff.frames.decode import planes_of_picture
from pairdiff.frames.fields import sample_rows
from tests.match._films import Grade, squeeze
from tests.whole._cadence import film, plain, write_side

Pictures = list[NDArray[Any]]


def blends_of(pictures: Pictures, *, code_step: float = 1.0) -> Blends:
    watch = FieldWatch(code_step=code_step)
    for number, picture in enumerate(pictures):
        watch.add(number, (picture,))
    return watch.blends()


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


def test_what_a_watch_has_found_stays_as_it_is_when_it_goes_on() -> None:
    """Over more frames than room is made for at once; and another watch goes on from there."""
    rng, first, other = np.random.default_rng(6), FieldWatch(), FieldWatch()
    pictures = rng.integers(0, 256, (1300, 32, 32)).astype(np.uint8)
    assert [len(one) for one in first.state()] == [0, 0]
    for number, picture in enumerate(pictures):
        first.add(number, (picture,))
        if number == 999:
            early = first.state()
            copies = [one.copy() for one in early]
    assert [len(one) for one in early] == [999, 998]
    assert all(np.array_equal(one, copied) for one, copied in zip(early, copies, strict=True))
    other.go_on(*early, frames=1000)
    for number in range(998, 1300):
        other.add(number, (pictures[number],))
    assert all(np.array_equal(*both) for both in zip(first.state(), other.state(), strict=True))
    assert first.state()[0].dtype == np.int64


@pytest.mark.parametrize(("every", "share", "crf"), [(1, 0.5, None), (4, 0.5, None), (4, 0.4, None), (1, 0.5, 28), (4, 0.5, 28)])
def test_every_blend_put_between_pictures_is_found_and_no_picture_is(every: int, share: float, crf: int | None) -> None:
    pictures, blends = with_blends(film()[:160], every=every, share=share)
    found = blends_of(pictures if crf is None else squeeze(pictures, crf=crf))
    assert found.period == every + 1
    assert found.share == 0
    np.testing.assert_array_equal(found.mixed, found.ordered)
    np.testing.assert_array_equal(found.ordered, blends)


def test_ten_bit_codes_are_judged_as_eight_bit_ones() -> None:
    pictures, blends = with_blends(film()[:80].astype(np.uint16) * 4, every=4)
    found = blends_of(pictures, code_step=4.0)
    np.testing.assert_array_equal(found.ordered, blends)


def test_an_edit_that_shifts_the_order_is_followed() -> None:
    pictures, blends = with_blends(film()[:200], every=1)
    del pictures[150:189]
    blends = np.delete(blends, range(150, 189))
    found = blends_of(pictures)
    assert found.period == 2
    assert (found.ordered != blends).sum() <= 12  # those beside the edit that tell nothing


def mix_in_proportion(pictures: NDArray[np.uint8], ratio: float) -> Pictures:
    """So many frames for each picture, each a mix of the two pictures beside its time."""
    times = np.arange(int((len(pictures) - 1) * ratio)) / ratio
    return [np.rint((1 - time % 1) * pictures[int(time)] + time % 1 * pictures[int(time) + 1]).astype(np.uint8) for time in times.tolist()]


def test_blends_in_no_order_that_leaves_the_pictures_are_refused() -> None:
    found = blends_of(squeeze(mix_in_proportion(film(), 2.5), crf=22))
    assert found.period is None
    none = np.zeros(len(found.mixed), bool)
    with pytest.raises(InputRefused) as refused:
        check_blends(release_like(), FramesFound(None, "", True, none, none, found, none[:0]))
    words = str(refused.value)
    for part in (
        "SDR release quay.mkv was converted to another frame rate by blending",
        f"of its {len(none)} frames",
        "cannot be taken apart",
    ):
        assert part in words
    assert words.endswith("Give a release at the film's own frame rate.")


def test_a_shot_of_blends_is_no_reason_to_refuse() -> None:
    slow, _ = with_blends(film()[:70], every=1)
    slow = [one for one, kept in zip(slow, np.random.default_rng(1).random(len(slow)) < 0.8, strict=True) if kept]  # in no order
    found = blends_of([*slow, *film()[180:], *film(5)[:150]])
    assert found.mixed.any()
    none = np.zeros(len(found.mixed), bool)
    check_blends(release_like(), FramesFound(None, "", True, none, none, found, none[:0]))


def release_like() -> Any:
    return type("Release", (), {"side": "sdr", "path": "quay.mkv"})()


@pytest.mark.parametrize(("grain", "crf"), [(0.0, None), (0.08, None), (0.0, 28)])
def test_film_of_its_own_pictures_holds_no_blends(grain: float, crf: int | None) -> None:
    look = Grade(grain=grain)
    pictures = [look(one.astype(np.float32) / 255, n) for n, one in enumerate(film())]
    assert not blends_of(pictures if crf is None else squeeze(pictures, crf=crf)).mixed.any()


@pytest.mark.parametrize("crf", [12, 22])
def test_frames_that_an_encoder_predicts_from_both_sides_are_no_blends(crf: int, tmp_path: Path) -> None:
    path = write_side(tmp_path / "film", plain(range(200)), hdr=True, crf=crf)
    with av.open(str(path)) as container:
        pictures = [planes_of_picture(one)[0].copy() for one in container.decode(video=0)]
    assert not blends_of(pictures, code_step=4.0).mixed.any()


def test_a_dissolve_or_two_are_no_conversion() -> None:
    pictures, _ = with_blends(film()[:100], every=50)
    assert not blends_of(pictures).mixed.any()


def test_the_compiled_products_are_those_of_plain_numpy() -> None:
    three = [sample_rows(one) for one in np.random.default_rng(3).integers(0, 255, (3, 60, 90), np.uint8)]
    a, b, c = (one[0, ::2].astype(float)[:, 2:] - one[0, ::2].astype(float)[:, :-2] for one in three)
    counts = np.abs(a - c) >= 12.0
    a, b, c = a[counts], b[counts], c[counts]
    products = [(a - c) ** 2, (b - c) * (a - c), (b - c) ** 2, (b - a) ** 2, a**2 + c**2, np.ones_like(a)]
    wanted = [one.sum() for one in products]
    np.testing.assert_allclose(compare_mix(*three, code_step=1.0), wanted, rtol=1e-5)


def plain_phases(inside: NDArray[Any], outside: NDArray[Any], period: int, cost: float) -> float:
    """`best_phases` by trying every way: a phase, or none, for every frame."""
    best = -np.inf
    for states in itertools.product(range(period + 1), repeat=len(inside)):
        value = sum(0.0 if state == period else inside[n] if state == 0 else outside[n] for n, state in enumerate(states))
        follows = [after == (before if before == period else (before + 1) % period) for before, after in itertools.pairwise(states)]
        best = max(best, value - cost * follows.count(False))
    return float(best)


@pytest.mark.parametrize("seed", range(4))
def test_the_phases_are_the_best_of_all(seed: int) -> None:
    inside, outside = np.random.default_rng(seed).normal(size=(2, 7))
    out = np.zeros(7, bool)
    assert best_phases(inside, outside, 2, 0.7, out) == pytest.approx(plain_phases(inside, outside, 2, 0.7))


def test_nothing_is_said_of_too_little() -> None:
    assert not find_blends(np.zeros((4, 6))).mixed.any()
    assert blends_of([film()[0]]).mixed.tolist() == [False]


@pytest.mark.parametrize(("period", "words"), [(None, "at least 12 of 60 frames (20.0%)"), (5, "12 of 60 frames (20.0%)")])
def test_a_note_counts_the_blends(period: int | None, words: str) -> None:
    none, mixed = np.zeros(60, bool), np.arange(60) < 12
    (note,) = note_fields(FramesFound(None, "", True, none, none, Blends(mixed, mixed, period, 0.0), none[:0]))
    assert note.startswith(words)
    assert "mixes of their neighbours" in note
    assert "not matched" in note
    assert ("one in 5" in note) is (period == 5)
