"""`on_its_own`: laws of the model, its kernels against plain numpy, noise, and unchanged numbers for the fitted constants."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter
from scipy.special import ndtr

from pairdiff._errors import UsageError
from pairdiff.light.picture import nits_to_itp, sdr_code_to_nits
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.score._notice_kernels import BLOCK, block_noise, sum_band
from pairdiff.score.difference import blur_optics
from pairdiff.score.eye import EYE, EyeModel
from pairdiff.score.notice import (
    LEAST_BLOCKS,
    BlockPowers,
    Energies,
    NoiseFloor,
    PreferenceLoss,
    band_cycles,
    loss_from_response,
    measure_energies,
    notice_probability,
    pool_response,
    predict_loss,
    split_loss,
)
from pairdiff.score.sensitivity import BLUE_YELLOW, RED_GREEN, chromatic_sensitivity, optics_transfer, relative_sensitivity

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
SCALE = 28.27
WITHOUT_NOISE = replace(EYE, noise_factor=0.0)


def scene(*, rows: int = 144, columns: int = 240, seed: int = 3) -> F32:
    """SDR signal with soft and fine structure, a clipped light and some colour."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(rng.standard_normal((rows, columns, 3)).astype(np.float32), (0, 0), 12)
    fine = cv2.GaussianBlur(rng.standard_normal((rows, columns, 1)).astype(np.float32), (0, 0), 1.5)[..., None]
    code = 0.4 + 1.5 * soft + 0.1 * fine
    y, x = np.mgrid[:rows, :columns]
    code[np.hypot(y - rows / 3, x - columns / 2) < rows / 8] = 1.0
    return np.clip(code, 0, 1).astype(np.float32)


def light(*, white: float = 150.0) -> F32:
    return sdr_code_to_nits(scene(), white_nits=white, gamma=2.4)


def lit(nits: F32, gain: float) -> F32:
    """A highlight with a texture that the SDR picture has not."""
    rows, columns = nits.shape[:2]
    y, x = np.mgrid[:rows, :columns]
    bump = np.exp(-((y - rows / 3) ** 2 + (x - columns / 2) ** 2) / (rows / 10) ** 2) * (1 + 0.3 * np.sin(x / 2))
    return np.asarray(nits * (1 + (gain - 1) * bump[..., None]), np.float32)


def grainy(nits: F32, *, share: float = 0.08, radius: float = 0.0, seed: int = 1) -> F32:
    """Noise of a share of the light, alike in the three channels."""
    noise = np.random.default_rng(seed).standard_normal(nits.shape[:2]).astype(np.float32)
    if radius:
        noise = cv2.GaussianBlur(noise, (0, 0), radius)
        noise /= noise.std()
    return np.asarray(nits * np.maximum(1 + np.float32(share) * noise, 0)[..., None], np.float32)


def seen(nits: F32, *, scale: float = SCALE) -> F32:
    return nits_to_itp(blur_optics(nits, pixels_per_degree=scale))


def loss(hdr_nits: F32, sdr_nits: F32, *, scale: float = SCALE, eye: EyeModel = EYE) -> float:
    return predict_loss(seen(hdr_nits, scale=scale), seen(sdr_nits, scale=scale), pixels_per_degree=scale, eye=eye).jod


def flat_itp(*, intensity: float = 0.5, rows: int = 128, columns: int = 192) -> F32:
    picture = np.zeros((rows, columns, 3), np.float32)
    picture[..., 0] = intensity
    return picture


# ---------------------------------------------------------------- laws


def test_identical_pictures_lose_exactly_nothing() -> None:
    picture = seen(lit(light(), 3.0))
    assert predict_loss(picture, picture.copy(), pixels_per_degree=SCALE) == PreferenceLoss(0.0, 0.0, 0.0)


def test_the_loss_rises_with_the_highlight() -> None:
    losses = [loss(lit(light(), gain), light()) for gain in (1.0, 1.1, 1.3, 2.0, 4.0, 10.0)]
    assert np.all(np.diff(losses) > 0)
    assert losses[1] < 0.3
    assert losses[-1] > 1


def test_the_loss_rises_with_contrast() -> None:
    base = light()
    losses = [loss(150 * (base / 150) ** np.float32(power), base) for power in (1.0, 1.1, 1.3, 1.6)]
    assert np.all(np.diff(losses) > 0)


def test_the_loss_is_the_same_from_either_side() -> None:
    assert loss(lit(light(), 3.0), light()) == pytest.approx(loss(light(), lit(light(), 3.0)), rel=1e-5)


def test_an_even_change_of_brightness_is_adapted_away() -> None:
    brighter = flat_itp(intensity=0.55)
    assert predict_loss(brighter, flat_itp(), pixels_per_degree=SCALE).jod == pytest.approx(0, abs=1e-6)


def test_a_scale_of_both_sides_moves_the_loss_as_pq_predicts() -> None:
    # SMPTE ST 2084: a contrast of light is worth d(PQ)/d(log light) x 720 JND, and sensitivity is that at the light it is seen at.
    grey = np.ones((128, 192, 3), np.float32)
    y = np.arange(128, dtype=np.float32)[:, None, None]
    wave = np.float32(1) + np.float32(0.02) * np.sin(2 * np.pi * y * np.float32(1.2 / SCALE))
    cycles = band_cycles((128, 192), pixels_per_degree=SCALE)
    one_band = replace(WITHOUT_NOISE, masking_k1=1e-9, first_level=3, slowest_cycles=cycles[3])
    found, expected = [], []
    for nits in (1.0, 10.0, 100.0, 1000.0):
        pair = [seen(np.asarray(nits * picture, np.float32)) for picture in (grey * wave, grey)]
        found.append(measure_energies(*pair, pixels_per_degree=SCALE, eye=one_band).tone ** 0.25)
        step = nits_to_pq(1.01 * nits) - nits_to_pq(0.99 * nits)
        expected.append(float(step * relative_sensitivity(cycles[3], nits=nits)))
    assert np.array(found) / found[2] == pytest.approx(np.array(expected) / expected[2], rel=0.02)


def test_an_even_change_of_colour_is_seen_and_red_green_more_than_blue_yellow() -> None:
    shifted = (flat_itp() + np.array(shift, np.float32) for shift in ((0, 0.01, 0), (0, 0, 0.01)))
    blue, red = (measure_energies(picture, flat_itp(), pixels_per_degree=SCALE) for picture in shifted)
    assert red.slow_jnd == pytest.approx(7.2, rel=1e-4)
    assert blue.slow_jnd == pytest.approx(7.2 * EYE.blue_yellow_share, rel=1e-4)
    assert split_loss(red).tone_jod == pytest.approx(0, abs=1e-6)
    assert split_loss(red).jod == pytest.approx(EYE.most_jod * -np.expm1(-7.2 * EYE.slow_chromatic_per_jnd), rel=1e-3)


def test_no_difference_exceeds_the_most() -> None:
    one, other = np.zeros((64, 64, 3), np.float32), np.full((64, 64, 3), 0.5, np.float32)
    one[..., 0] = np.kron(np.indices((8, 8)).sum(0) % 2, np.ones((8, 8)))
    assert 0.9 * EYE.most_jod < predict_loss(one, other, pixels_per_degree=SCALE).jod <= EYE.most_jod
    losses = [loss_from_response(response) for response in np.geomspace(0.01, 100, 50)]
    assert np.all(np.diff(losses) >= 0)


def test_contrast_of_the_pictures_masks_a_difference() -> None:
    x = np.mgrid[:128, :192][1]
    bump, texture = ((amount * np.sin(x / 5.0)).astype(np.float32) for amount in (0.004, 0.05))
    pairs = []
    for base in (np.zeros_like(texture), texture):
        one, other = flat_itp(), flat_itp()
        other[..., 0] += base
        one[..., 0] += base + bump
        pairs.append(measure_energies(one, other, pixels_per_degree=SCALE, eye=WITHOUT_NOISE).tone ** 0.25)
    assert pairs[1] < 0.6 * pairs[0]


def test_fine_detail_counts_less_when_it_is_smaller_on_the_eye() -> None:
    fine = grainy(light(), share=0.05, radius=1.0)
    near, far = (loss(fine, light(), scale=scale, eye=WITHOUT_NOISE) for scale in (20.0, 80.0))
    assert far < 0.7 * near


def test_notice_probability_is_a_half_without_loss_and_three_in_four_at_one_jod() -> None:
    assert notice_probability(0.0) == 0.5
    assert notice_probability(1.0) == pytest.approx(0.75, abs=1e-4)
    assert notice_probability(0.3) == pytest.approx(ndtr(0.6745 * 0.3))


# ---------------------------------------------------------------- parts


@pytest.mark.parametrize(
    "energies", [Energies(1.0, 0.5, 3.0), Energies(0.0, 2.0, 0.0), Energies(5.0, 0.0, 0.0), Energies(0.01, 0.02, 40.0)]
)
def test_the_parts_add_up_and_neither_is_negative(energies: Energies) -> None:
    found = split_loss(energies)
    assert found.tone_jod + found.colour_jod == pytest.approx(found.jod, abs=1e-12)
    assert min(found.tone_jod, found.colour_jod) >= 0
    assert found.jod == loss_from_response(pool_response(energies))


def test_tone_alone_is_tone_and_colour_alone_is_colour() -> None:
    assert split_loss(Energies(2.0, 0.0, 0.0)).colour_jod == 0
    assert split_loss(Energies(0.0, 2.0, 5.0)).tone_jod == 0


def test_a_highlight_is_tone_and_a_cast_is_colour() -> None:
    base = light()
    high = predict_loss(seen(lit(base, 4.0)), seen(base), pixels_per_degree=SCALE)
    warm = predict_loss(seen(base * np.array([1.06, 1.0, 0.9], np.float32)), seen(base), pixels_per_degree=SCALE)
    assert high.tone_jod > 0.8 * high.jod
    assert warm.colour_jod > 0.8 * warm.jod


# ---------------------------------------------------------------- noise


@pytest.mark.parametrize("side", ["hdr", "sdr"])
@pytest.mark.parametrize("radius", [0.0, 0.8])
def test_grain_of_eight_percent_on_one_side_counts_as_none(side: str, radius: float) -> None:
    pair = (grainy(light(), radius=radius), light())
    hdr, sdr = pair if side == "hdr" else pair[::-1]
    assert loss(hdr, sdr, eye=WITHOUT_NOISE) > 0.18
    found = loss(hdr, sdr)
    assert found <= 0.15
    assert notice_probability(found) <= 0.54


def test_a_highlight_stays_seen_through_grain() -> None:
    high = lit(light(), 2.0)
    clean, through = loss(high, light()), loss(grainy(high), light())
    assert clean > 0.3
    assert through == pytest.approx(clean, rel=0.25)


def test_eight_bit_quantisation_of_the_sdr_alone_stays_small() -> None:
    code = cv2.GaussianBlur(scene(), (0, 0), 2)
    coded = (np.round(code * 219) / 219).astype(np.float32)
    one, other = (sdr_code_to_nits(picture, white_nits=150.0, gamma=2.4) for picture in (code, coded))
    assert loss(one, other) < 0.05


def test_a_shift_by_a_quarter_of_a_pixel_counts_as_none() -> None:
    move = np.array([[1, 0, 0.25], [0, 1, 0.25]], np.float32)
    base = light()
    shifted = cv2.warpAffine(base, move, base.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    assert loss(np.maximum(shifted, 0), base) < 0.1


def blocks_of(noise: NDArray[np.floating[Any]], *, contrast_jnd: float | F64 = 10.0) -> BlockPowers:
    contrast = np.broadcast_to((np.asarray(contrast_jnd) / EYE.jnd_per_unit) ** 2, noise.shape)
    return BlockPowers(noise.astype(np.float32), contrast.astype(np.float32))


def ramp_of_blocks(*, rows: int = 8, columns: int = 8) -> F32:
    return np.linspace(0, 1, rows * columns, dtype=np.float32).reshape(rows, columns)


def test_noise_is_that_of_the_calmer_half_and_falls_as_white_noise_does() -> None:
    # white noise: power in proportion to the area of frequencies, a quarter an octave down
    floor, light_of = NoiseFloor(EYE), ramp_of_blocks()
    noise = np.where(light_of > np.median(light_of), np.float32(100), np.float32(2))
    assert floor.follow(blocks_of(noise), light_of, level=0, channel=0) == 2
    assert floor.follow(blocks_of(3 * noise), light_of, level=1, channel=0) == 2
    assert floor.follow(blocks_of(noise / 8), light_of, level=2, channel=0) == 0.25
    assert floor.follow(blocks_of(noise), light_of, level=3, channel=0) == 0.0625
    few = np.s_[: LEAST_BLOCKS // 8 - 1]
    assert floor.follow(blocks_of(noise[few]), light_of[few], level=4, channel=0) == 0.015625


def test_noise_of_colour_is_that_of_the_noisier_half_and_no_more_than_brightness_has() -> None:
    floor, light_of = NoiseFloor(EYE), ramp_of_blocks()
    noise = np.where(light_of > np.median(light_of), np.float32(9), np.float32(4))
    assert floor.follow(blocks_of(noise), light_of, level=2, channel=1) == 0  # nothing is known of brightness
    floor.follow(blocks_of(np.full_like(noise, 8)), light_of, level=0, channel=0)
    floor.follow(blocks_of(np.full_like(noise, 0.1)), light_of, level=1, channel=0)
    assert floor.follow(blocks_of(noise / 2), light_of, level=2, channel=1) == 4.5
    assert floor.calm[1] == 2
    assert floor.follow(blocks_of(noise), light_of, level=3, channel=1) == 8
    assert floor.calm[1] == 4
    assert floor.follow(blocks_of(noise[:2, :2]), light_of[:2, :2], level=4, channel=1) == 8


@pytest.mark.parametrize(("channel", "share"), [(0, EYE.noise_quantile), (1, EYE.chromatic_noise_quantile)])
def test_noise_is_what_a_stated_share_of_the_blocks_does_not_exceed(channel: int, share: float) -> None:
    light_of = np.tile(np.array([0.2, 0.8], np.float32), (101, 1))
    noise = np.repeat(np.arange(101.0)[:, None], 2, axis=1)
    floor = NoiseFloor(EYE)
    floor.follow(blocks_of(np.full_like(noise, 1000.0)), light_of, level=0, channel=0)
    assert floor.follow(blocks_of(noise), light_of, level=1, channel=channel) == pytest.approx(100 * share)


def test_blocks_without_contrast_tell_nothing_of_noise() -> None:
    floor, light_of = NoiseFloor(EYE), ramp_of_blocks()
    even = light_of > np.median(light_of)  # a clear sky over a rough field
    noise, contrast = np.where(even, 0.0, 5.0), np.where(even, 0.5, 2.0) * EYE.noise_contrast_jnd
    assert floor.follow(blocks_of(noise, contrast_jnd=contrast), light_of, level=0, channel=0) == 5


def test_a_soft_picture_that_has_no_finest_contrast_may_still_be_noisy() -> None:
    floor, light_of = NoiseFloor(EYE), ramp_of_blocks()
    noise = np.full((8, 8), 3.0)
    assert floor.follow(blocks_of(0 * noise, contrast_jnd=0.1), light_of, level=0, channel=0) == 0
    assert floor.follow(blocks_of(noise), light_of, level=1, channel=0) == 3
    assert floor.follow(blocks_of(noise), light_of, level=2, channel=0) == 0.75


def test_a_clear_sky_does_not_make_the_noise_of_a_rough_field_count() -> None:
    rng = np.random.default_rng(8)
    rough = cv2.GaussianBlur(rng.standard_normal((144, 240)).astype(np.float32), (0, 0), 1.2)
    spoiled = rough + np.float32(0.4) * cv2.GaussianBlur(rng.standard_normal(rough.shape).astype(np.float32), (0, 0), 0.8)
    sky = (np.arange(144) < 80)[:, None, None]
    hdr, sdr = (np.where(sky, 60, 4 * np.exp2(field[..., None])) * np.ones(3, np.float32) for field in (rough, spoiled))
    assert loss(hdr, sdr, eye=replace(EYE, noise_contrast_jnd=0.0)) > 0.2
    assert loss(hdr, sdr) < 0.15


def test_where_brightness_is_clean_no_difference_of_colour_is_taken_for_noise() -> None:
    rng = np.random.default_rng(9)
    picture = np.zeros((144, 240, 3), np.float32) + np.float32(0.4)
    picture[..., 0] += np.float32(0.02) * cv2.GaussianBlur(rng.standard_normal(picture.shape[:2]).astype(np.float32), (0, 0), 2)
    patches = cv2.GaussianBlur(rng.standard_normal(picture.shape[:2]).astype(np.float32), (0, 0), 8)
    tinted = picture.copy()
    tinted[..., 2] += np.float32(0.2) * patches
    grain = picture.copy()
    grain[..., 0] += np.float32(0.02) * rng.standard_normal(picture.shape[:2]).astype(np.float32)
    clean, free = (measure_energies(tinted, picture, pixels_per_degree=SCALE, eye=eye).colour for eye in (EYE, WITHOUT_NOISE))
    assert clean == pytest.approx(free, rel=1e-3)
    assert free > 0
    grain[..., 2] = tinted[..., 2]
    assert measure_energies(grain, picture, pixels_per_degree=SCALE).colour < 0.7 * free


# ---------------------------------------------------------------- kernels


def local_power(band: F64) -> F64:
    return np.maximum(uniform_filter(band, 3, mode="mirror"), 0)  # the filter leaves round-off below 0


def plain_energies(hdr_itp: F32, sdr_itp: F32, *, pixels_per_degree: float) -> tuple[float, float]:
    """Energies of the bands without noise, in plain numpy and with Daly's elevation as it is printed."""
    hdr, sdr = hdr_itp.astype(np.float64), sdr_itp.astype(np.float64)
    found = [0.0, 0.0]
    for level, cycles in enumerate(band_cycles(hdr.shape[:2], pixels_per_degree=pixels_per_degree)):
        low = [cv2.pyrDown(side) for side in (hdr, sdr)]
        slow = [cv2.pyrUp(side, dstsize=hdr.shape[1::-1]) for side in low]
        nits = np.maximum(pq_to_nits(np.clip(0.5 * (slow[0] + slow[1])[..., 0], 0, 1)), 1e-3)
        weights = [relative_sensitivity(cycles, nits=nits)]
        weights += [
            np.full(nits.shape, EYE.chromatic * share * chromatic_sensitivity(cycles, terms))
            for share, terms in ((EYE.blue_yellow_share, BLUE_YELLOW), (1.0, RED_GREEN))
        ]
        for channel in range(0 if level < EYE.first_level else 1 if level < EYE.first_chromatic_level else 3):
            one, other = (EYE.jnd_per_unit * (side - blurred)[..., channel] for side, blurred in zip((hdr, sdr), slow, strict=True))
            weight = weights[channel] / optics_transfer(cycles, sigma_degrees=EYE.optics_degrees)
            contrasts = [weight * np.sqrt(local_power(band**2)) for band in (one, other)]
            apart = (
                weight * np.sqrt(local_power((one - other) ** 2)) if level >= EYE.coherent_level else np.abs(contrasts[0] - contrasts[1])
            )
            elevation = (1 + (EYE.masking_k1 * (EYE.masking_k2 * np.maximum(*contrasts)) ** EYE.masking_slope) ** EYE.masking_bend) ** (
                1 / EYE.masking_bend
            )
            found[min(channel, 1)] += float(np.mean((apart / elevation) ** EYE.pooling_power))
        hdr, sdr = low
    return found[0], found[1]


def test_the_energies_agree_with_plain_numpy() -> None:
    pair = [seen(lit(light(white=203.0) ** np.float32(1.05), 3.0)), seen(light())]
    found = measure_energies(*pair, pixels_per_degree=SCALE, eye=WITHOUT_NOISE)
    expected = plain_energies(pair[0], pair[1], pixels_per_degree=SCALE)
    assert (found.tone, found.colour) == pytest.approx(expected, rel=2e-3)
    assert min(expected) > 0


@pytest.mark.parametrize("coherent", [False, True])
@pytest.mark.parametrize("shape", [(2, 2), (2, 7), (5, 3)])
def test_the_kernel_takes_noise_off_in_power_and_mirrors_at_the_edges(shape: tuple[int, int], coherent: bool) -> None:
    rng = np.random.default_rng(5)
    hdr, sdr = (rng.uniform(0, 0.01, shape).astype(np.float32) for _ in range(2))
    nothing, half = np.zeros(shape, np.float32), np.full(shape, 0.5, np.float32)
    energy = np.empty(shape[0])
    noise = np.float32(4e-6)
    sum_band(hdr, nothing, sdr, nothing, half, half, np.full(2, 720, np.float32), noise, np.float32(3.3), coherent, energy)
    one, other, apart = (local_power(band.astype(np.float64) ** 2) for band in (hdr, sdr, hdr - sdr))
    off = np.maximum(np.abs(one - other) - noise, 0) / (np.sqrt(one) + np.sqrt(other))
    d = 720 * (np.sqrt(np.maximum(apart - noise, 0)) if coherent else off)
    expected = d**4 / (1 + 3.3 * (720 * np.sqrt(np.maximum(one, other))) ** 3)
    assert energy == pytest.approx(expected.sum(1), rel=2e-3)


def test_what_two_bands_do_not_share_is_what_a_line_leaves() -> None:
    rng = np.random.default_rng(6)
    base, noise = (rng.standard_normal((8 * BLOCK, 9 * BLOCK + 2)).astype(np.float32) for _ in range(2))
    hdr = 2 * base + np.float32(0.3) * noise
    nothing = np.zeros_like(base)
    found, contrast = np.empty((8, 9), np.float32), np.empty((8, 9), np.float32)
    block_noise(hdr, nothing, base, nothing, found, contrast)
    for row, column in ((0, 0), (7, 8)):
        part = np.s_[row * BLOCK : (row + 1) * BLOCK, column * BLOCK : (column + 1) * BLOCK]
        one, other = hdr[part].ravel().astype(np.float64)[:, None], base[part].ravel().astype(np.float64)[:, None]
        left = [np.linalg.lstsq(a, b, rcond=None)[1][0] / BLOCK**2 for a, b in ((other, one[:, 0]), (one, other[:, 0]))]
        assert found[row, column] == pytest.approx(max(left), rel=1e-3)
        assert contrast[row, column] == pytest.approx(max(np.mean(one**2), np.mean(other**2)), rel=1e-3)
    block_noise(base, nothing, 2 * base, nothing, found, contrast)
    assert found.max() < 1e-5
    assert contrast[0, 0] == pytest.approx(np.mean(4 * base[:BLOCK, :BLOCK] ** 2), rel=1e-3)


# ---------------------------------------------------------------- shape and refusal


def test_bands_stop_at_the_slowest_and_at_small_pictures() -> None:
    assert band_cycles((1080, 1920), pixels_per_degree=56.55) == pytest.approx([56.55 * 0.33 / 2**n for n in range(7)])
    assert len(band_cycles((8, 8), pixels_per_degree=56.55)) == 2
    assert band_cycles((3, 900), pixels_per_degree=56.55) == ()


def test_small_and_float64_pictures_are_taken() -> None:
    base = nits_to_itp(light()).astype(np.float64)
    dot = base[:1, :1]
    assert predict_loss(dot, dot.copy(), pixels_per_degree=SCALE).jod == 0
    wide, narrow = (predict_loss(kind(base * 1.01), kind(base), pixels_per_degree=SCALE).jod for kind in (np.float64, np.float32))
    assert wide == pytest.approx(narrow, rel=1e-3)


def test_pictures_of_two_sizes_are_refused() -> None:
    with pytest.raises(UsageError, match="of one size"):
        predict_loss(np.zeros((8, 8, 3), np.float32), np.zeros((8, 9, 3), np.float32), pixels_per_degree=SCALE)


@pytest.mark.parametrize("scale", [0.0, float("nan"), -3.0])
def test_a_scale_that_cannot_be_is_refused(scale: float) -> None:
    with pytest.raises(UsageError, match="pixels_per_degree must be above 0"):
        predict_loss(np.zeros((8, 8, 3), np.float32), np.zeros((8, 8, 3), np.float32), pixels_per_degree=scale)
