"""What a pair with planted highlights says: texture where the SDR clips, contrast where it rolls off, nothing from flat light or grain."""

import numpy as np
import pytest

from pairdiff import compare_pictures
from pairdiff._settings import Settings
from pairdiff.light.transfer import nits_to_pq
from pairdiff.verdict import pictures
from tests.score._highlights import (
    COLUMNS,
    PIXELS_PER_DEGREE,
    ROWS,
    WHITE_NITS,
    add_grain,
    clip_grade,
    code_and_decode,
    highlight_box,
    pair_of,
    scene,
    shoulder_grade,
)

SETTINGS = Settings(support_draws=20, fit_pixels_per_pair=1000)
NUMBERS = range(4)
HDR_ONLY, SAME, DIFFERENT = "grain on the HDR side alone", "the same grain", "different grain"


@pytest.fixture(autouse=True)
def few_pixels(monkeypatch):
    """The fit sees fewer pixels than in use: what is tested does not hang on their number, and the time does."""
    monkeypatch.setattr(pictures, "FIT_PIXELS_AT_LEAST", 4000)


def compared(hdr, sdr):
    return compare_pictures(hdr, sdr, settings=SETTINGS, pixels_per_degree=PIXELS_PER_DEGREE)


def graded(grade, *, grain_jnd=0.0, kind=SAME, **planted):
    """Light and signal of every picture; the grain lies on the light that each side is made of."""
    lights = [scene(number, **planted) for number in NUMBERS]
    hdr = [add_grain(light, jnd=grain_jnd, seed=number) for number, light in enumerate(lights)]
    other = {HDR_ONLY: lights, SAME: hdr, DIFFERENT: [add_grain(light, jnd=grain_jnd, seed=50 + n) for n, light in enumerate(lights)]}
    return hdr, [grade(light) for light in other[kind]]


@pytest.mark.parametrize("jnd", [3.0, 8.0])
def test_textured_highlights_over_a_hundredth_of_the_picture_are_found_where_the_sdr_clips(jnd):
    found = compared(*pair_of(*graded(clip_grade, jnd=jnd)))
    assert found.recovered.status == "measured"
    assert found.recovered.clipped_share == pytest.approx(0.01, rel=0.2)  # its rim is left out
    assert found.recovered.detail_jnd == pytest.approx(jnd, rel=0.1)
    assert found.recovered.textured_share > 0.9
    assert found.headroom.contrast.gain_jnd == pytest.approx(jnd, rel=0.1)
    assert found.headroom.contrast.sdr_jnd < 0.5
    assert found.verdict.label == "wider-range"


def test_flat_bright_highlights_give_headroom_and_nothing_recovered():
    found = compared(*pair_of(*graded(clip_grade, jnd=0.0)))
    assert found.headroom.stops > 1
    assert (found.recovered.status, found.recovered.detail_jnd, found.recovered.textured_share) == ("measured", 0, 0)
    assert found.headroom.contrast.gain_jnd == 0


@pytest.mark.parametrize("kind", [HDR_ONLY, SAME, DIFFERENT])
@pytest.mark.parametrize("jnd", [4.0, 8.0])
def test_grain_alone_recovers_nothing(jnd, kind):
    found = compared(*pair_of(*graded(clip_grade, jnd=0.0, grain_jnd=jnd, kind=kind)))
    assert found.recovered.status == "measured"
    assert found.recovered.detail_jnd < SETTINGS.recovered_jnd
    assert found.recovered.textured_share < 0.2
    assert found.headroom.contrast.gain_jnd < SETTINGS.recovered_jnd


@pytest.mark.parametrize("kind", [SAME, DIFFERENT])
def test_coded_grain_recovers_nothing_and_coded_texture_is_found(kind, tmp_path):
    flat = compared(*code_and_decode(*graded(clip_grade, jnd=0.0, area_share=0.02, grain_jnd=6.0, kind=kind), tmp_path))
    assert flat.recovered.status == "measured"
    assert flat.recovered.detail_jnd < SETTINGS.recovered_jnd
    assert flat.headroom.contrast.gain_jnd < SETTINGS.recovered_jnd
    textured = compared(*code_and_decode(*graded(clip_grade, jnd=12.0, area_share=0.02, grain_jnd=3.0, kind=kind), tmp_path))
    assert textured.recovered.detail_jnd == pytest.approx(12, rel=0.25)


def planted_contrast_jnd(lights):
    """Median over pictures of the standard deviation of PQ of luminance in the highlight, x 720; grey, so that luminance is any channel."""
    boxes = [highlight_box(number, area_share=0.02) for number in NUMBERS]
    return float(np.median([720 * nits_to_pq(light[..., 1][box]).std() for light, box in zip(lights, boxes, strict=True)]))


def test_contrast_is_measured_against_an_sdr_that_rolls_off_and_recovered_detail_is_then_not_applicable():
    lights, codes = graded(shoulder_grade, jnd=16.0, area_share=0.02)
    found = compared(*pair_of(lights, codes))
    shown = [WHITE_NITS * code**2.4 for code in codes]
    contrast, recovered = found.headroom.contrast, found.recovered
    assert contrast.status == "measured"
    assert contrast.area_share == pytest.approx(0.02, rel=0.25)
    assert contrast.hdr_jnd == pytest.approx(planted_contrast_jnd(lights), rel=0.1)
    assert contrast.sdr_jnd == pytest.approx(planted_contrast_jnd(shown), abs=0.8)  # less the rounding to 8 bits
    assert contrast.hdr_stops / contrast.hdr_jnd == pytest.approx(1 / 53.7, rel=0.05)  # a stop of PQ at 350 cd/m2, x 720
    assert 0 < contrast.sdr_stops < 0.5 * contrast.hdr_stops
    assert contrast.gained_share > 0.9
    assert contrast.gain_jnd == pytest.approx(np.sqrt(planted_contrast_jnd(lights) ** 2 - planted_contrast_jnd(shown) ** 2), rel=0.1)
    assert (recovered.status, recovered.detail_jnd, recovered.detail_stops, recovered.textured_share) == (
        "not_applicable",
        None,
        None,
        None,
    )


def test_an_sdr_picture_in_a_container_has_no_highlights_to_hold_contrast():
    codes = [clip_grade(scene(number)) for number in NUMBERS]
    found = compared(*pair_of([WHITE_NITS * code**2.4 for code in codes], codes))
    contrast = found.headroom.contrast
    assert (contrast.status, contrast.hdr_jnd, contrast.sdr_jnd, contrast.gain_jnd) == ("not_applicable", None, None, None)
    assert found.verdict.label == "sdr-in-hdr-container"


def test_a_muted_film_inside_bt709_with_true_highlights_is_not_called_sdr_in_a_container():
    lights = []
    for number in NUMBERS:
        light = scene(number, jnd=16.0, area_share=0.02)
        grey = light @ np.array([0.2126, 0.7152, 0.0722])  # BT.709 luminance
        lights.append(0.85 * grey[..., None] + 0.15 * light)
    found = compared(*pair_of(lights, [shoulder_grade(light) for light in lights]))
    assert found.colour.outside_709_share in (0, None)
    assert found.verdict.label == "wider-range"
    assert found.verdict.axes["highlights"] == "clearly_more"


def test_the_planted_scene_is_what_its_words_say():
    boxes = [highlight_box(number, area_share=0.01) for number in NUMBERS]
    assert [box.sum() / (ROWS * COLUMNS) for box in boxes] == pytest.approx([0.01] * 4, rel=0.02)
    assert all(720 * nits_to_pq(scene(n, jnd=8.0)[box][:, 0]).std() == pytest.approx(8, rel=0.05) for n, box in enumerate(boxes))
