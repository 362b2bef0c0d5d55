"""Both sides in one HDR picture: the light they have, the same code for the same light, and what PQ cannot say is said."""

from __future__ import annotations

from typing import Any

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._records import Mastering, Moment
from pairdiff.stills.side_by_side import CODE16, GAP_COLUMNS, SideBySide, join_sides

MOMENT = Moment("typical", "closest to the median loss: 0.5 JOD", 12, 15, 0.5, 0.625, "?", "?", 0)


def picture(seed: int, *, rows: int = 40, columns: int = 60, peak: float = 900.0) -> NDArray[np.float32]:
    light = np.random.default_rng(seed).random((rows, columns, 3)) ** 4 * peak
    return light.astype(np.float32)


def join(hdr: NDArray[np.float32], sdr: NDArray[np.float32], **options: Any) -> SideBySide:
    return join_sides(MOMENT, hdr_nits=hdr, sdr_nits=sdr, **{"white_nits": 120.0, **options})


def light_of(still: SideBySide) -> NDArray[np.float64]:
    """By colour-science: ST 2084 as another library has it."""
    return np.asarray(colour.models.eotf_ST2084(still.code16 / CODE16))


def test_each_side_has_the_light_it_had() -> None:
    hdr, sdr = picture(1), picture(2, peak=120)
    light = light_of(join(hdr, sdr))
    assert light.shape == (40, 120 + GAP_COLUMNS, 3)
    np.testing.assert_allclose(light[:, :60], hdr, rtol=1e-3, atol=1e-4)  # a 16-bit step of PQ is under 0.1 % of the light above 0.01 cd/m2
    np.testing.assert_allclose(light[:, -60:], sdr, rtol=1e-3, atol=1e-4)
    assert (light[:, 60:-60] == 0).all()


def test_the_same_light_gives_the_same_code_on_both_sides() -> None:
    code = join(picture(1), picture(1)).code16
    np.testing.assert_array_equal(code[:, :60], code[:, -60:])


def test_published_levels_have_their_published_codes() -> None:
    # BT.2408 Table 1: 203 cd/m2 is 58 % of PQ; BT.2100-2: signal 1 is 10 000 cd/m2. To the printed precision.
    light = np.array([0.0, 203.0, 10000.0], dtype=np.float32)[None, :, None].repeat(3, axis=2)
    code = join(light, light).code16[0, :3, 0]
    assert [round(int(one) / CODE16, 2) for one in code] == [0.0, 0.58, 1.0]


def test_light_levels_are_those_of_this_picture() -> None:
    hdr, sdr = picture(1), picture(2)
    still = join(hdr, sdr)
    levels = np.concatenate([hdr.max(axis=2), np.zeros((40, GAP_COLUMNS)), sdr.max(axis=2)], axis=1)  # CTA-861.3-A: the largest component
    assert still.max_cll_nits == pytest.approx(levels.max())
    assert still.max_fall_nits == pytest.approx(levels.mean())


def test_wide_pictures_are_averaged_in_light() -> None:
    hdr = picture(1, columns=400)
    still = join(hdr, hdr, max_columns=208)
    assert still.code16.shape == (10, 208, 3)
    np.testing.assert_allclose(light_of(still)[:, :100].mean(axis=(0, 1)), hdr.mean(axis=(0, 1)), rtol=1e-3)


def test_what_pq_cannot_say_is_clipped_and_said() -> None:
    hdr = picture(1)
    hdr[0, :24] = 20000.0
    hdr[1, 0, 2] = -1.0
    still = join(hdr, picture(2))
    assert still.max_cll_nits == 10000.0
    assert still.code16[0, 0, 0] == CODE16
    assert still.code16[1, 0, 2] == 0
    assert "1 % of the HDR pixels above 10 000 cd/m2 are clipped to it." in still.caption
    assert "0.042 % of the HDR pixels with a component below 0 are clipped there." in still.caption
    assert "of the SDR pixels" not in still.caption
    assert "clipped" not in join(picture(1), picture(2)).caption


def test_the_caption_says_what_it_is() -> None:
    declared = Mastering((0.708, 0.292), (0.17, 0.797), (0.131, 0.046), (0.3127, 0.329), 4000.0, 0.0001, "container")
    still = join(picture(1), picture(2), stamps=("SDR transfer from an option",), mastering=declared)
    assert still.caption.startswith("HDR release left, SDR release right at controls (SDR white 120 cd/m2)")
    assert still.caption.endswith("SDR transfer from an option.")
    assert still.mastering is declared


def test_pictures_that_cannot_be_joined_are_refused() -> None:
    with pytest.raises(ValueError, match="pictures of one canvas are needed"):
        join(picture(1), picture(1, rows=41))
    broken = picture(1)
    broken[3, 3, 0] = np.nan
    with pytest.raises(ValueError, match="sdr_nits holds values that are not finite"):
        join(picture(1), broken)
    with pytest.raises(ValueError, match="white_nits must be above zero; got 0"):
        join(picture(1), picture(1), white_nits=0.0)
    with pytest.raises(ValueError, match="max_columns must leave a column for each side"):
        join(picture(1), picture(1), max_columns=9)
