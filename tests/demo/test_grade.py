"""The demo's own arithmetic, its kernels against their plain twins, and what each grade was made to be."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import pairdiff._demo
from pairdiff._demo import PAIRS, TRUTH, _kernels, grade
from pairdiff._demo.encode import Coder, shrink
from pairdiff._demo.shots import SHOTS

MEASURING = ("clip", "frames", "light", "match", "score", "stills", "verdict", "writeup", "_pipeline")


def test_demo_imports_nothing_that_measures() -> None:
    for source in Path(pairdiff._demo.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{source.name}:{node.lineno}"
                names = [node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)]
            for name in names:
                assert not any(name.startswith(f"pairdiff.{part}") for part in MEASURING), f"{source.name}:{getattr(node, 'lineno', 0)}"


@pytest.mark.parametrize(("nits", "code10"), [(0.0, 64), (100.0, 509), (203.0, 573), (1000.0, 723), (10000.0, 940)])
def test_pq_codes_are_those_of_the_standard(nits: float, code10: int) -> None:
    """BT.2408-7 table 1 and BT.2100: 10-bit narrow-range codes of PQ (100, 203, 1000 cd/m2; ends of the range)."""
    assert round(64 + 876 * float(grade.light_to_pq(np.array(nits)))) == code10


def test_bt709_to_bt2020_is_the_published_matrix() -> None:
    """BT.2087-0, equation for linear BT.709 to BT.2020, printed to four decimals."""
    printed = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    np.testing.assert_allclose(grade.BT709_TO_BT2020, printed, atol=6e-5)


def scene_samples() -> np.ndarray:
    """Random scene light of all levels and colours, (134 x 1920, one row block) as float32."""
    rng = np.random.default_rng(5)
    level = 10 ** rng.uniform(-3, 1.9, (804, 1920, 1))
    return np.asarray(level * rng.uniform(0.0, 1.0, (804, 1920, 3)), dtype=np.float32)


@pytest.mark.parametrize("pair", [pytest.param(None, marks=pytest.mark.slow), *PAIRS])
def test_kernel_grades_as_its_plain_twin(tmp_path: Path, pair: str | None) -> None:
    scene = scene_samples()
    coder = Coder(tmp_path / ("a.mp4" if pair is None else "a.mkv"), pair=pair)
    luma = coder.fill_planes(scene, shot="sun")[0]
    coder.abandon()
    if pair is None:
        signal, (kr, kb), step = grade.grade_sdr(shrink(scene).astype(np.float64)), (0.2126, 0.0722), 1
        rows = slice(92, 628)
    else:
        signal = grade.light_to_pq(grade.grade_hdr(scene.astype(np.float64), pair, shot="sun"))
        (kr, kb), step, rows = (0.2627, 0.0593), 4, slice(138, 942)
    level = signal @ np.array([kr, 1 - kr - kb, kb])
    off = np.abs(luma[rows].astype(np.float64) - (16 + 219 * level) * step)
    assert np.percentile(off, 99.9) < 0.65
    assert off.max() < 1.0  # near zero a power law makes much of what single precision rounds off


def test_area_average_keeps_the_mean_and_flat_areas() -> None:
    scene = scene_samples()[:6, :9]
    small = np.empty((4, 6, 3), np.float32)
    _kernels.shrink_by_two_thirds(scene, small)
    np.testing.assert_allclose(small.mean(axis=(0, 1)), scene.mean(axis=(0, 1)), rtol=1e-5)
    np.testing.assert_allclose(small[0, 0], (4 * scene[0, 0] + 2 * (scene[0, 1] + scene[1, 0]) + scene[1, 1]) / 9, rtol=1e-5)


@pytest.mark.parametrize("top_left", [True, False])
def test_chroma_of_a_ramp_lands_on_its_site(top_left: bool) -> None:
    rows, columns = np.mgrid[0:40, 0:60].astype(np.float32)
    for ramp, site in ((columns, 0.0), (rows, 0.0 if top_left else 0.5)):
        half = np.zeros((20, 30), np.uint16)
        _kernels.site_chroma(ramp, half, top_left, np.float32(0.0), np.float32(10.0), np.float32(1023))
        where = half[5, 10] / 10
        assert where == pytest.approx((20 if ramp is columns else 10) + site, abs=0.11)


def test_container_is_the_sdr_signal_at_the_planted_white_and_gamma() -> None:
    scene = scene_samples()[:50]
    signal = grade.grade_sdr(scene.astype(np.float64))
    shown = (TRUTH["container_white_nits"] * signal ** TRUTH["container_gamma"]) @ grade.BT709_TO_BT2020.T
    np.testing.assert_allclose(grade.grade_hdr(scene.astype(np.float64), "container", shot="moor"), shown, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(("pair", "white_nits"), [("restrained", 140.0), ("wider", 150.0), ("stretched", 160.0)])
def test_mid_tones_are_the_sdr_ones_at_one_white(pair: str, white_nits: float) -> None:
    grey = np.geomspace(0.002, 0.38, 50)[:, None] * np.ones(3)
    shown = white_nits * grade.grade_sdr(grey) ** 2.4
    np.testing.assert_allclose(grade.grade_hdr(grey, pair, shot="quay"), shown, rtol=1e-6)


def test_highlights_reach_what_each_grade_was_made_for() -> None:
    grey = np.array([[2.0, 2.0, 2.0], [90.0, 90.0, 90.0]])
    np.testing.assert_allclose(grade.grade_sdr(grey), 1.0)
    cloud, sun = grade.grade_hdr(grey, "wider", shot="sun")[:, 0]
    assert sun == pytest.approx(1000, rel=0.01)
    assert sun > 2 * cloud > 2 * 150
    cloud, sun = grade.grade_hdr(grey, "restrained", shot="sun")[:, 0]
    assert 0.5 < np.log2(sun / 140) < 0.7
    assert sun > 1.15 * cloud
    for pair, top in (("container", 180.0), ("stretched", 800.0)):
        np.testing.assert_allclose(grade.grade_hdr(grey, pair, shot="sun"), top, rtol=1e-6)
    for shot in SHOTS:
        flat = grade.grade_hdr(grey, "regraded", shot=shot)
        np.testing.assert_allclose(flat[0], flat[1])
        assert flat.max() < 110


@pytest.mark.parametrize("pair", ["container", "restrained", "stretched", "regraded"])
def test_only_the_wider_grade_leaves_bt709(pair: str) -> None:
    scene = scene_samples()[:60].astype(np.float64)
    inside = grade.grade_hdr(scene, pair, shot="signs") @ grade.BT2020_TO_BT709.T
    assert inside.min() > -1e-6 * inside.max()
    assert (grade.grade_hdr(scene, "wider", shot="signs") @ grade.BT2020_TO_BT709.T).min() < -1.0


@pytest.mark.parametrize("name", SHOTS)
def test_every_frame_of_a_shot_differs_from_the_next(name: str) -> None:
    draw = SHOTS[name]()
    first, second = (shrink(draw(frame)) for frame in (10, 11))
    one, two = grade.grade_sdr(first[::4, ::4].astype(np.float64)), grade.grade_sdr(second[::4, ::4].astype(np.float64))
    assert np.isfinite(first).all()
    assert first.min() >= 0
    assert (np.abs(one - two).max(axis=-1) > 0.02).mean() > 0.02


def test_painting_is_the_same_every_time() -> None:
    first, second = (SHOTS["cabin"]()(7) for _ in range(2))
    np.testing.assert_array_equal(first, second)
