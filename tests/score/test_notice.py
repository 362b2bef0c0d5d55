"""`on_its_own`: laws of the model, its kernel against plain numpy, and unchanged numbers for the fitted constants."""

from __future__ import annotations

from dataclasses import astuple

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from pairdiff._errors import UsageError
from pairdiff.light.picture import nits_to_itp, sdr_code_to_nits
from pairdiff.light.transfer import pq_to_nits
from pairdiff.score import notice
from pairdiff.score._notice_kernels import sum_band
from pairdiff.score.notice import (
    BAND_NOISE,
    FITTED,
    JND_PER_UNIT,
    MASK_BEND,
    MASK_K1,
    MASK_K2,
    MASK_SLOPE,
    band_cycles,
    band_noise_jnd,
    loss_from_visible,
    notice_probability,
    preference_loss,
    visible_difference,
)
from pairdiff.score.sensitivity import BLUE_YELLOW, RED_GREEN, chromatic_sensitivity, relative_sensitivity

F32 = NDArray[np.float32]
SCALE = 56.55


def scene(*, rows: int = 96, columns: int = 160, seed: int = 3) -> F32:
    """SDR signal with soft and fine structure, a clipped light and some colour."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(rng.standard_normal((rows, columns, 3)).astype(np.float32), (0, 0), 12)
    fine = cv2.GaussianBlur(rng.standard_normal((rows, columns, 1)).astype(np.float32), (0, 0), 1.5)[..., None]
    code = 0.4 + 1.5 * soft + 0.1 * fine
    y, x = np.mgrid[:rows, :columns]
    code[np.hypot(y - rows / 3, x - columns / 2) < rows / 8] = 1.0
    return np.clip(code, 0, 1).astype(np.float32)


def itp(nits: F32) -> F32:
    return nits_to_itp(nits)


def light(*, white: float = 150.0) -> F32:
    return sdr_code_to_nits(scene(), white_nits=white, gamma=2.4)


def lit(nits: F32, gain: float) -> F32:
    """A highlight with a texture that the SDR picture has not."""
    rows, columns = nits.shape[:2]
    y, x = np.mgrid[:rows, :columns]
    bump = np.exp(-((y - rows / 3) ** 2 + (x - columns / 2) ** 2) / (rows / 10) ** 2) * (1 + 0.3 * np.sin(x))
    return np.asarray(nits * (1 + (gain - 1) * bump[..., None]), np.float32)


def noisy(picture: F32, *, deviation_jnd: float, seed: int = 1) -> F32:
    rng = np.random.default_rng(seed)
    out = picture.copy()
    out[..., 0] += rng.normal(0, deviation_jnd / JND_PER_UNIT, picture.shape[:2]).astype(np.float32)
    return out


# ---------------------------------------------------------------- laws


def test_identical_pictures_lose_nothing() -> None:
    assert preference_loss(itp(light()), itp(light()), pixels_per_degree=SCALE) == 0


def test_the_loss_rises_with_the_highlight() -> None:
    losses = [preference_loss(itp(lit(light(), gain)), itp(light()), pixels_per_degree=SCALE) for gain in (1.0, 1.1, 1.3, 2.0, 4.0, 10.0)]
    assert np.all(np.diff(losses) > 0)
    assert losses[1] < 0.3
    assert losses[-1] > 1


def test_the_loss_rises_with_contrast() -> None:
    base = light()
    graded = [itp(150 * (base / 150) ** np.float32(power)) for power in (1.0, 1.1, 1.3, 1.6)]
    losses = [preference_loss(picture, itp(base), pixels_per_degree=SCALE) for picture in graded]
    assert np.all(np.diff(losses) > 0)


def test_the_difference_is_the_same_from_either_side() -> None:
    one, other = itp(lit(light(), 3.0)), itp(light())
    forth, back = (visible_difference(a, b, pixels_per_degree=SCALE) for a, b in ((one, other), (other, one)))
    assert forth == pytest.approx(back, rel=1e-6)


def test_an_even_change_of_brightness_is_adapted_away() -> None:
    flat = np.full((96, 160, 3), 0.5, np.float32) * np.array([1, 0, 0], np.float32)
    brighter = flat + np.array([0.05, 0, 0], np.float32)
    assert visible_difference(brighter, flat, pixels_per_degree=SCALE) == pytest.approx(0, abs=1e-4)


def test_an_even_change_of_colour_is_seen_and_red_green_more_than_blue_yellow() -> None:
    flat = np.full((96, 160, 3), 0.5, np.float32) * np.array([1, 0, 0], np.float32)
    shifted = (flat + np.array(shift, np.float32) for shift in ((0, 0.01, 0), (0, 0, 0.01)))
    blue, red = (visible_difference(picture, flat, pixels_per_degree=SCALE) for picture in shifted)
    assert red == pytest.approx(JND_PER_UNIT * 0.01 * FITTED.chromatic * FITTED.slow_chromatic, rel=1e-4)
    assert 0 < blue < red


def test_no_difference_exceeds_the_most() -> None:
    rng = np.random.default_rng(0)
    one, other = (rng.uniform(0, 1, (64, 64, 3)).astype(np.float32) for _ in range(2))
    one[..., 0] = np.kron(np.indices((8, 8)).sum(0) % 2, np.ones((8, 8)))
    other[..., 0] = 0.5
    assert FITTED.most_jod * 0.99 < preference_loss(one, other, pixels_per_degree=SCALE) <= FITTED.most_jod
    losses = [loss_from_visible(d) for d in np.geomspace(0.01, 100, 50)]
    assert np.all(np.diff(losses) >= 0)


def test_contrast_of_the_pictures_masks_a_difference() -> None:
    x = np.mgrid[:128, :128][1]
    bump = 0.004 * np.sin(x / 2.0)
    flat = np.zeros((128, 128, 3), np.float32)
    flat[..., 0] = 0.5
    busy = flat.copy()
    busy[..., 0] += (0.05 * np.sin(x / 2.0)).astype(np.float32)
    over = np.zeros_like(flat)
    over[..., 0] = bump
    alone, masked = (visible_difference(base + over, base, pixels_per_degree=SCALE) for base in (flat, busy))
    assert masked < 0.5 * alone


def test_fine_detail_counts_less_when_it_is_smaller_on_the_eye() -> None:
    near, far = (visible_difference(noisy(itp(light()), deviation_jnd=3), itp(light()), pixels_per_degree=scale) for scale in (20.0, 80.0))
    assert far < 0.7 * near


def test_notice_probability_is_a_half_without_loss_and_three_in_four_at_one_jod() -> None:
    assert notice_probability(0.0) == 0.5
    assert notice_probability(1.0) == pytest.approx(0.75, abs=1e-4)


# ---------------------------------------------------------------- noise


def test_white_noise_of_one_jnd_on_a_container_stays_below_a_tenth() -> None:
    base = itp(light())
    assert 0 < preference_loss(noisy(base, deviation_jnd=1.0), base, pixels_per_degree=SCALE) < 0.1


@pytest.mark.parametrize("deviation_jnd", [1.0, 2.0, 5.0])
def test_noise_that_is_declared_counts_as_none(deviation_jnd: float) -> None:
    base = itp(light())
    picture = noisy(base, deviation_jnd=deviation_jnd)
    raw = preference_loss(picture, base, pixels_per_degree=20.0)
    assert raw > 0.1
    assert preference_loss(picture, base, pixels_per_degree=20.0, noise_jnd=deviation_jnd) < 0.05 * raw


def test_a_highlight_stays_seen_through_declared_noise() -> None:
    base, high = itp(light()), itp(lit(light(), 4.0))
    clean = preference_loss(high, base, pixels_per_degree=20.0)
    assert preference_loss(noisy(high, deviation_jnd=1.0), base, pixels_per_degree=20.0, noise_jnd=1.0) > 0.8 * clean


def test_more_declared_noise_never_raises_the_loss() -> None:
    one, other = itp(lit(light(), 2.0)), itp(light())
    losses = [preference_loss(one, other, pixels_per_degree=SCALE, noise_jnd=noise) for noise in (0, 0.2, 0.5, 1, 2, 5)]
    assert np.all(np.diff(losses) <= 0)
    assert losses[-1] < losses[0]


def test_eight_bit_quantisation_of_the_sdr_alone_stays_small() -> None:
    code = cv2.GaussianBlur(scene(), (0, 0), 2)
    coded = (np.round(code * 219) / 219).astype(np.float32)
    one, other = (itp(sdr_code_to_nits(picture, white_nits=150.0, gamma=2.4)) for picture in (code, coded))
    assert preference_loss(one, other, pixels_per_degree=SCALE) < 0.05


def test_the_noise_of_a_band_is_never_below_that_of_white_noise() -> None:
    level = np.random.default_rng(2).standard_normal((512, 512)).astype(np.float32)
    for share in BAND_NOISE[:5]:
        low = cv2.pyrDown(level)
        band = level - cv2.pyrUp(low, dstsize=level.shape[::-1])
        assert band.std() <= share * 1.02
        level = low
    assert BAND_NOISE[0] == pytest.approx(0.944, abs=0.001)


def test_noise_falls_from_band_to_band_and_colour_is_a_band_slower() -> None:
    found = [band_noise_jnd(1.0, level=level, chromatic=False) for level in range(10)]
    assert np.all(np.diff(found) < 0)
    assert [band_noise_jnd(1.0, level=level, chromatic=True) for level in range(1, 10)] == found[:-1]
    assert band_noise_jnd(0.0, level=0, chromatic=False) == 0


# ---------------------------------------------------------------- kernel


def local_contrast(band: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.sqrt(np.maximum(uniform_filter(band**2, 3, mode="mirror"), 0))  # the filter leaves round-off below 0


def plain_energy(hdr_itp: F32, sdr_itp: F32, *, pixels_per_degree: float, noise_jnd: float) -> tuple[float, float]:
    """Energies of the bands of I, and of T and P, in plain numpy and with Daly's elevation as it is printed."""
    hdr, sdr = hdr_itp.astype(np.float64), sdr_itp.astype(np.float64)
    found = [0.0, 0.0]
    for level, cycles in enumerate(band_cycles(hdr.shape[:2], pixels_per_degree=pixels_per_degree)):
        low = [cv2.pyrDown(side) for side in (hdr, sdr)]
        slow = [cv2.pyrUp(side, dstsize=hdr.shape[1::-1]) for side in low]
        nits = np.maximum(pq_to_nits(np.clip(0.5 * (slow[0] + slow[1])[..., 0], 0, 1)), 1e-3)
        weights = [relative_sensitivity(cycles, nits=nits)]
        weights += [
            np.full(nits.shape, FITTED.chromatic * share * chromatic_sensitivity(cycles, terms))
            for share, terms in ((notice.BLUE_YELLOW_SHARE, BLUE_YELLOW), (1.0, RED_GREEN))
        ]
        for channel in range(1 if level < notice.FIRST_CHROMATIC_LEVEL else 3):
            one, other = (
                JND_PER_UNIT * local_contrast((side - blurred)[..., channel]) for side, blurred in zip((hdr, sdr), slow, strict=True)
            )
            noise = band_noise_jnd(noise_jnd, level=level, chromatic=channel > 0)
            seen = weights[channel] * np.sqrt(np.maximum((one - other) ** 2 - noise**2, 0))
            mask = weights[channel] * np.maximum(one, other)
            elevation = (1 + (MASK_K1 * (MASK_K2 * mask) ** MASK_SLOPE) ** MASK_BEND) ** (1 / MASK_BEND)
            found[min(channel, 1)] += float(np.mean((seen / elevation) ** 4))
        hdr, sdr = low
    return found[0], found[1]


@pytest.mark.parametrize("noise_jnd", [0.0, 0.5])
def test_the_kernel_agrees_with_plain_numpy(noise_jnd: float) -> None:
    one, other = itp(lit(light(white=203.0) ** np.float32(1.05), 3.0)), itp(light())
    found = notice.energy_parts(one, other, pixels_per_degree=30.0, noise_jnd=noise_jnd, constants=FITTED)
    expected = plain_energy(one, other, pixels_per_degree=30.0, noise_jnd=noise_jnd)
    assert found[:2] == pytest.approx(expected, rel=1e-3)
    assert min(expected) > 0
    total = (sum(expected) + (FITTED.chromatic * FITTED.slow_chromatic) ** 4 * found[2]) ** 0.25
    assert visible_difference(one, other, pixels_per_degree=30.0, noise_jnd=noise_jnd) == pytest.approx(total, rel=1e-4)


@pytest.mark.parametrize("shape", [(2, 2), (2, 7), (5, 3)])
def test_the_kernel_mirrors_at_the_edges_of_the_smallest_pictures(shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(5)
    hdr, sdr = (rng.uniform(0, 0.01, shape).astype(np.float32) for _ in range(2))
    nothing, half = np.zeros(shape, np.float32), np.full(shape, 0.5, np.float32)
    energy = np.empty(shape[0])
    sum_band(hdr, nothing, sdr, nothing, half, half, np.full(2, 720, np.float32), np.float32(0), np.float32(3.3), energy)
    one, other = (720 * local_contrast(side.astype(np.float64)) for side in (hdr, sdr))
    expected = (one - other) ** 4 / (1 + 3.3 * np.maximum(one, other) ** 3)
    assert energy == pytest.approx(expected.sum(1), rel=1e-3)


# ---------------------------------------------------------------- shape and refusal


def test_bands_stop_at_the_slowest_and_at_small_pictures() -> None:
    assert band_cycles((1080, 1920), pixels_per_degree=56.55) == pytest.approx([56.55 * 0.33 / 2**n for n in range(7)])
    assert len(band_cycles((8, 8), pixels_per_degree=56.55)) == 2
    assert band_cycles((3, 900), pixels_per_degree=56.55) == ()


def test_small_and_float64_pictures_are_taken() -> None:
    base = itp(light()).astype(np.float64)
    assert preference_loss(base[:1, :1], base[:1, :1], pixels_per_degree=SCALE) == 0
    assert preference_loss(base * 1.01, base, pixels_per_degree=SCALE) == pytest.approx(
        preference_loss((base * 1.01).astype(np.float32), base.astype(np.float32), pixels_per_degree=SCALE), rel=1e-3
    )
    turned = preference_loss(base.transpose(1, 0, 2) * 1.01, base.transpose(1, 0, 2), pixels_per_degree=SCALE)
    assert turned == pytest.approx(preference_loss(base * 1.01, base, pixels_per_degree=SCALE), rel=0.02)


def test_pictures_of_two_sizes_are_refused() -> None:
    with pytest.raises(UsageError, match="of one size"):
        preference_loss(np.zeros((8, 8, 3), np.float32), np.zeros((8, 9, 3), np.float32), pixels_per_degree=SCALE)


@pytest.mark.parametrize(("scale", "noise"), [(0.0, 0.0), (float("nan"), 0.0), (SCALE, -1.0)])
def test_a_scale_or_noise_that_cannot_be_is_refused(scale: float, noise: float) -> None:
    with pytest.raises(UsageError, match="pixels_per_degree must be above 0"):
        preference_loss(np.zeros((8, 8, 3), np.float32), np.zeros((8, 8, 3), np.float32), pixels_per_degree=scale, noise_jnd=noise)


# ---------------------------------------------------------------- unchanged


def test_the_fitted_constants_are_unchanged() -> None:
    # Printed by tests/bench/fit_notice.py on 374 pairs; change them here and in notice.py together, with the fit's figures.
    assert astuple(FITTED) == (0.661, 0.0727, 0.673, 4.17, 2.5)


@pytest.mark.parametrize(
    ("picture", "loss_jod"),
    [("highlight", 0.5323), ("contrast", 0.1551), ("warm", 0.4892), ("saturation", 0.1925)],
)
def test_losses_of_made_pictures_are_unchanged(picture: str, loss_jod: float) -> None:
    base = light()
    grey = base @ np.array([[0.2627], [0.6780], [0.0593]], np.float32)
    changed = {
        "highlight": lit(base, 2.0),
        "contrast": 150 * (base / 150) ** np.float32(1.15),
        "warm": base * np.array([1.06, 1.0, 0.9], np.float32),
        "saturation": np.maximum(grey + np.float32(1.2) * (base - grey), 0),
    }[picture]
    assert preference_loss(itp(changed), itp(base), pixels_per_degree=SCALE) == pytest.approx(loss_jod, rel=0.01)
