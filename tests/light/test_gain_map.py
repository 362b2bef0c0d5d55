"""Laws of a gain map that hold whatever its numbers; outside values are in tests/clip/test_gain_map.py."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff._records import GainMap
from pairdiff.light import gain_map
from pairdiff.light.gain_map import apply_gain_map
from pairdiff.light.transfer import nits_to_pq, srgb_to_linear

NONE = (0.0, 0.0, 0.0)
NUMBERS = GainMap(0.0, 3.0, NONE, (3.0, 2.0, 1.0), (1.0, 1.0, 1.0), NONE, NONE, True)
SAME: dict[str, Any] = {"base_transfer": "srgb", "base_primaries": "bt709", "primaries": "bt709"}


def picture(rows: int = 30, columns: int = 40) -> np.ndarray:
    return np.random.default_rng(5).uniform(0, 1, (rows, columns, 3)).astype(np.float32)


def test_no_gain_is_the_base_and_one_stop_is_twice_its_light() -> None:
    base = picture()
    flat = replace(NUMBERS, most=NONE)
    np.testing.assert_allclose(apply_gain_map(base, picture(7, 9), numbers=flat, **SAME), srgb_to_linear(base), rtol=1e-6)
    one = replace(NUMBERS, least=(1.0,) * 3, most=(1.0,) * 3)
    np.testing.assert_allclose(apply_gain_map(base, picture(7, 9), numbers=one, **SAME), 2 * srgb_to_linear(base), rtol=1e-6)


def test_the_ends_of_the_map_are_the_least_and_the_most_gain_of_each_channel() -> None:
    base = np.ones((2, 2, 3), np.float32)
    np.testing.assert_allclose(apply_gain_map(base, np.ones((1, 1, 3)), numbers=NUMBERS, **SAME)[0, 0], (8, 4, 2), rtol=1e-6)
    np.testing.assert_allclose(apply_gain_map(base, np.zeros((1, 1, 3)), numbers=NUMBERS, **SAME)[0, 0], (1, 1, 1), rtol=1e-6)


def test_what_was_made_of_a_base_gives_the_base_back_where_the_headrooms_change_places() -> None:
    base, coded = picture() * 0.5, picture()
    made = apply_gain_map(base, coded, numbers=NUMBERS, **SAME)
    pq = nits_to_pq(made * 203)
    back = apply_gain_map(pq, coded, numbers=replace(NUMBERS, base_headroom=3.0, alternate_headroom=0.0), **{**SAME, "base_transfer": "pq"})
    np.testing.assert_allclose(back, srgb_to_linear(base), rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("size", [(30, 40), (15, 20), (7, 9), (60, 90), (1, 40), (1, 1)])
def test_the_map_is_brought_to_size_as_opencv_brings_it(size: tuple[int, int]) -> None:
    coded = picture(*size)
    wanted = cv2.resize(coded, (40, 30), interpolation=cv2.INTER_LINEAR)
    found = gain_map._resample(coded, slice(0, 30), rows=30, columns=40)
    np.testing.assert_allclose(found, wanted, atol=2e-5)


def test_strips_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    base, coded = picture(), picture(7, 9)
    whole = apply_gain_map(base, coded, numbers=NUMBERS, **SAME)
    monkeypatch.setattr(gain_map, "STRIP_ROWS", 7)
    np.testing.assert_array_equal(apply_gain_map(base, coded, numbers=NUMBERS, **SAME), whole)


def test_what_is_no_picture_is_refused() -> None:
    for base, coded in ((picture()[..., 0], picture()), (picture(), picture()[..., :1]), (picture()[:0], picture())):
        with pytest.raises(UsageError, match=r"Base and gain map must be \(row, column, 3\); their shapes are"):
            apply_gain_map(base, coded, numbers=NUMBERS, **SAME)
    with pytest.raises(UsageError, match="Primaries 'film' are not known"):
        apply_gain_map(picture(), picture(), numbers=NUMBERS, **{**SAME, "primaries": "film"})
