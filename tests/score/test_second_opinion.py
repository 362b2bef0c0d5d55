"""The published metric beside ours: where its package is installed it must give back its own table; without it nothing is lost."""

import csv
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from pairdiff.light.picture import sdr_code_to_nits
from pairdiff.score import second_opinion
from pairdiff.score.second_opinion import ask_second_opinion, has_second_opinion

TABLE = Path(__file__).parents[1] / "reference/ladder_jod.csv"


def flat(nits):
    return np.full((32, 48, 3), nits, np.float32)


@pytest.fixture
def fake_metric(monkeypatch):
    """A stand-in for the package that notes how it was asked."""
    asked = {}

    class Metric:
        def __init__(self, **given):
            asked.update(given)

        def predict(self, test, reference, dim_order):
            print("words that must not reach standard output")
            asked.update(test=test, reference=reference, dim_order=dim_order)
            return 10.2 if np.array_equal(test, reference) else 9.25, None

    package, display, torch = ModuleType("pycvvdp"), ModuleType("pycvvdp.display_model"), ModuleType("torch")
    package.cvvdp, package.display_model = Metric, display
    display.vvdp_display_geometry = lambda size, ppd: (size, ppd)
    display.vvdp_display_photo_eotf = lambda peak, **rest: (peak, rest)
    torch.device = lambda name: name
    for name, module in (("pycvvdp", package), ("pycvvdp.display_model", display), ("torch", torch)):
        monkeypatch.setitem(sys.modules, name, module)
    monkeypatch.setattr(second_opinion, "has_second_opinion", lambda: True)
    second_opinion._metric.cache_clear()
    yield asked
    second_opinion._metric.cache_clear()


def test_the_metric_is_asked_for_the_sdr_picture_against_the_hdr_one_in_pq(fake_metric, capsys):
    assert ask_second_opinion(flat(100.0), flat(50.0), pixels_per_degree=28.27) == pytest.approx(0.75)
    assert fake_metric["display_geometry"] == ((48, 32), 28.27)
    assert fake_metric["display_photometry"] == (10_000.0, {"contrast": 1e8, "source_colorspace": "BT.2020-PQ", "E_ambient": 0})
    assert fake_metric["reference"].max() == pytest.approx(0.5081, abs=1e-4)  # ST 2084: 100 cd/m2
    assert fake_metric["test"].max() < fake_metric["reference"].max()
    assert capsys.readouterr().out == ""
    assert ask_second_opinion(flat(100.0), flat(100.0), pixels_per_degree=28.27) == 0.0


def test_without_the_package_there_is_no_second_opinion(monkeypatch):
    monkeypatch.setattr(second_opinion, "find_spec", lambda name: None)
    assert not has_second_opinion()
    assert ask_second_opinion(flat(100.0), flat(50.0), pixels_per_degree=28.27) is None


def test_a_package_that_cannot_be_loaded_costs_nothing_but_the_opinion(monkeypatch):
    def broken(*shape):
        raise ImportError("no part of it")

    monkeypatch.setattr(second_opinion, "has_second_opinion", lambda: True)
    monkeypatch.setattr(second_opinion, "_metric", broken)
    assert ask_second_opinion(flat(100.0), flat(50.0), pixels_per_degree=28.27) is None


@pytest.mark.slow
@pytest.mark.skipif(not has_second_opinion(), reason="the package cvvdp is not installed (pip install '.[vdp]')")
@pytest.mark.parametrize("rung", ["peak-260", "peak-2000", "stretch-4"])
def test_the_package_gives_back_the_table_that_ours_is_fitted_to(rung, ladder_pair):
    with TABLE.open(encoding="utf-8") as lines:
        row = next(r for r in csv.DictReader(lines) if (r["set"], r["scene"], r["rung"]) == ("panorama", "city", rung))
    hdr, signal = ladder_pair("panorama", "city", rung)
    sdr = sdr_code_to_nits(signal.astype(np.float32), white_nits=float(row["white_nits"]), gamma=float(row["gamma"]))
    assert 10 - ask_second_opinion(hdr.astype(np.float32), sdr, pixels_per_degree=56.55) == pytest.approx(float(row["jod"]), abs=0.002)
