import itertools

import colour
import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff.light.primaries import (
    PRIMARIES_XY,
    conversion_matrix,
    convert_primaries,
    gamut_area,
    hues_apart,
    inside_gamut,
    primaries_by_hues,
    rgb_to_xyz_matrix,
)

NAMES = tuple(PRIMARIES_XY)
PAIRS = list(itertools.product(NAMES, NAMES))


def test_bt2087_matrix_to_four_places():
    """BT.2087-0 M2, as printed."""
    printed = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    assert conversion_matrix("bt709", "bt2020") == pytest.approx(np.array(printed), abs=6e-5)


@pytest.mark.parametrize(("source", "target"), PAIRS)
def test_white_stays_white(source, target):
    assert convert_primaries([203, 203, 203], source=source, target=target) == pytest.approx([203] * 3, rel=1e-12)


@pytest.mark.parametrize(("source", "target"), PAIRS)
def test_colours_come_back_unclipped(source, target):
    rgb = np.random.default_rng(3).uniform(-1, 100, (5, 4, 3))
    there = convert_primaries(rgb, source=source, target=target)
    assert convert_primaries(there, source=target, target=source) == pytest.approx(rgb, abs=1e-10)


def test_same_primaries_leave_values_alone():
    assert np.array_equal(conversion_matrix("bt2020", "bt2020"), np.eye(3))


@pytest.mark.parametrize("name", NAMES)
def test_xyz_of_a_primary_has_its_chromaticity(name):
    matrix = rgb_to_xyz_matrix(name)
    for column, xy in zip(matrix.T, PRIMARIES_XY[name], strict=True):
        assert column[:2] / column.sum() == pytest.approx(xy, abs=1e-12)
    assert matrix.sum(axis=1)[1] == pytest.approx(1)


def test_caller_cannot_change_the_matrix_for_others():
    rgb_to_xyz_matrix("bt709")[:] = 0
    assert rgb_to_xyz_matrix("bt709")[1, 1] == pytest.approx(0.7152, abs=5e-5)


def test_primaries_are_inside_their_own_gamut_and_wide_ones_outside_the_narrow():
    assert inside_gamut(np.eye(3), source="bt709", target="bt2020").all()
    assert not inside_gamut(np.eye(3), source="bt2020", target="bt709").any()
    assert inside_gamut(np.eye(3) * 4000, source="p3-d65", target="p3-d65").all()
    assert inside_gamut([0, 0, 0], source="bt2020", target="bt709")


def test_brightness_does_not_move_a_colour_out_of_its_gamut():
    assert inside_gamut(np.array([[0.1, 0.1, 0.1], [9000, 9000, 9000]]), source="bt2020", target="bt709").all()


def test_gamuts_grow_in_order():
    for diagram in ("xy", "uv"):
        areas = [gamut_area(name, diagram=diagram) for name in ("bt709", "p3-d65", "bt2020")]
        assert areas == sorted(areas)


def test_result_is_float64_of_the_same_shape():
    out = convert_primaries(np.zeros((2, 3, 3), np.float32), source="bt709", target="bt2020")
    assert out.shape == (2, 3, 3)
    assert out.dtype == np.float64
    assert inside_gamut(np.zeros((2, 3, 3)), source="bt709", target="bt2020").shape == (2, 3)


def test_unknown_names_and_wrong_axes_are_refused():
    with pytest.raises(UsageError, match="Primaries 'ntsc' are not known; use one of bt709, p3-d65, bt2020"):
        conversion_matrix("ntsc", "bt709")
    with pytest.raises(UsageError, match="Primaries 'x' are not known"):
        gamut_area("x")
    with pytest.raises(UsageError, match="Diagram 'lab' is not known"):
        gamut_area("bt709", diagram="lab")
    with pytest.raises(UsageError, match=r"the array has shape \(2,\)"):
        convert_primaries([1, 2], source="bt709", target="bt2020")


def test_hues_tell_the_primaries_of_another_rendition():
    """colour-science: the same light in Display P3 and BT.2020; brighter, as a rendition is."""
    light = np.random.default_rng(8).uniform(0.1, 0.7, (400, 3))
    spaces = colour.RGB_COLOURSPACES
    base = np.asarray(colour.RGB_to_RGB(light, spaces["ITU-R BT.709"], spaces["Display P3"]))
    for name, space in (("bt709", "ITU-R BT.709"), ("bt2020", "ITU-R BT.2020"), ("p3-d65", "Display P3")):
        rendition = 2.5 * np.asarray(colour.RGB_to_RGB(light, spaces["ITU-R BT.709"], spaces[space]))
        apart = hues_apart(rendition, base, other_primaries="p3-d65")
        assert min(apart, key=apart.get) == name
        assert apart[name] < 1e-3
        assert primaries_by_hues(rendition, base, other_primaries="p3-d65") == name


def test_greys_tell_no_primaries():
    grey = np.repeat(np.linspace(0.1, 0.7, 50)[:, None], 3, 1)
    assert primaries_by_hues(2 * grey, grey, other_primaries="bt709") is None
