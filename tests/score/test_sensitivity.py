"""Contrast sensitivity: Barten's model against a printed value and against colour-science, the pupil and the colour terms by law."""

from __future__ import annotations

import colour.contrast
import numpy as np
import pytest

from pairdiff.score.sensitivity import (
    BLUE_YELLOW,
    RED_GREEN,
    barten_sensitivity,
    chromatic_sensitivity,
    pupil_millimetres,
    relative_sensitivity,
)


def test_bartens_value_of_the_colour_science_tests_is_met() -> None:
    # colour-science 0.4.7, colour/contrast/tests/test_barten1999.py.
    found = barten_sensitivity(4.0, sigma_degrees=0.01, trolands=65.0, field_degrees=60.0, most_degrees=12.0, photons=1.2e6)
    assert found == pytest.approx(352.761342126727, rel=1e-9)


def test_bartens_model_agrees_with_colour_science_on_random_values() -> None:
    rng = np.random.default_rng(7)
    for _ in range(50):
        u, sigma, trolands, field = rng.uniform(0.2, 40), rng.uniform(0.004, 0.03), 10 ** rng.uniform(-1, 4), rng.uniform(1, 60)
        expected = colour.contrast.contrast_sensitivity_function_Barten1999(
            u, sigma=sigma, E=trolands, X_0=field, Y_0=field, X_max=12, Y_max=12, p=1.2e6
        )
        found = barten_sensitivity(u, sigma_degrees=sigma, trolands=trolands, field_degrees=field, most_degrees=12.0, photons=1.2e6)
        assert found == pytest.approx(float(expected), rel=1e-9)


def test_the_pupil_agrees_with_colour_science_and_shrinks_with_light() -> None:
    nits = np.geomspace(1e-3, 1e4, 30)
    found = pupil_millimetres(nits, field_degrees=40.0)
    assert found == pytest.approx(colour.contrast.pupil_diameter_Barten1999(nits, 40.0, 40.0), rel=1e-9)
    assert np.all(np.diff(found) < 0)


def test_relative_sensitivity_lies_between_zero_and_one_and_is_highest_at_a_middle_frequency() -> None:
    nits = np.geomspace(0.01, 4000, 20)
    curve = np.array([relative_sensitivity(float(f), nits=nits) for f in np.geomspace(0.05, 50, 60)])
    assert np.all((curve > 0) & (curve <= 1.01))
    best = np.geomspace(0.05, 50, 60)[curve.argmax(0)]
    assert np.all((best > 0.3) & (best < 8))
    assert np.all(np.diff(best) >= 0), "fine detail gains with light"


def test_relative_sensitivity_keeps_the_shape_of_the_light() -> None:
    assert relative_sensitivity(2.0, nits=np.full((3, 5), 100.0)).shape == (3, 5)


@pytest.mark.parametrize("terms", [RED_GREEN, BLUE_YELLOW])
def test_colour_is_seen_best_where_it_is_broad(terms: tuple[tuple[float, float], tuple[float, float]]) -> None:
    curve = chromatic_sensitivity(np.linspace(0, 40, 50), terms)
    assert curve[0] == 1
    assert np.all(np.diff(curve) < 0)


def test_blue_yellow_is_blurrier_than_red_green() -> None:
    # Half sensitivity by the terms of Andersson et al. 2020, table 1: sqrt(ln 2 / 0.0053) = 11.4 cycles per degree for red-green.
    assert chromatic_sensitivity(np.sqrt(np.log(2) / 0.0053), RED_GREEN) == pytest.approx(0.5, rel=1e-9)
    assert chromatic_sensitivity(11.4, BLUE_YELLOW) < 0.05
