import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff.light.ictcp import LMS_TO_ICTCP_HLG, LMS_TO_ICTCP_PQ, RGB_TO_LMS, delta_e_itp, ictcp_to_nits, nits_to_ictcp
from pairdiff.light.transfer import nits_to_pq


def test_matrices_keep_white_and_give_it_no_colour():
    """BT.2100-2 Table 7: rows of the first sum to 1, of the second to 1, 0, 0."""
    assert RGB_TO_LMS.sum(axis=1).tolist() == [1, 1, 1]
    assert LMS_TO_ICTCP_PQ.sum(axis=1).tolist() == [1, 0, 0]
    assert LMS_TO_ICTCP_HLG.sum(axis=1).tolist() == [1, 0, 0]


def test_intensity_of_grey_is_its_pq_signal():
    nits = np.geomspace(0.001, 10000, 50)
    found = nits_to_ictcp(np.repeat(nits[:, None], 3, axis=1))
    assert found[:, 0] == pytest.approx(nits_to_pq(nits), abs=1e-14)
    assert found[:, 1:] == pytest.approx(0, abs=1e-14)


def test_light_comes_back():
    rgb = np.random.default_rng(4).uniform(0.5, 4000, (300, 3))
    assert ictcp_to_nits(nits_to_ictcp(rgb)) == pytest.approx(rgb, rel=1e-7)


def test_difference_is_a_distance():
    first, second, third = np.random.default_rng(5).uniform(0, 1, (3, 40, 3))
    assert delta_e_itp(first, second) == pytest.approx(delta_e_itp(second, first))
    assert np.all(delta_e_itp(first, first) == 0)
    assert np.all(delta_e_itp(first, third) <= delta_e_itp(first, second) + delta_e_itp(second, third) + 1e-9)


def test_ct_counts_half():
    assert delta_e_itp([0, 0.1, 0], [0, 0, 0]) == pytest.approx(36)
    assert delta_e_itp([0, 0, 0.1], [0, 0, 0]) == pytest.approx(72)
    assert delta_e_itp([0.1, 0, 0], [0, 0, 0]) == pytest.approx(72)


def test_pictures_broadcast_against_one_colour():
    assert delta_e_itp(np.zeros((4, 5, 3)), [0.1, 0, 0]).shape == (4, 5)
    assert nits_to_ictcp(np.zeros((4, 5, 3), np.float32)).dtype == np.float64


@pytest.mark.parametrize("function", [nits_to_ictcp, ictcp_to_nits, lambda x: delta_e_itp(x, x)])
def test_wrong_axis_is_refused(function):
    with pytest.raises(UsageError, match=r"last axis must hold three components; the array has shape \(2,\)"):
        function([0.0, 1.0])
