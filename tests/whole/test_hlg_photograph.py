"""A real HLG photograph, measured and compared from the command line.

The picture: `hdr_room.png` of Debian's libjxl-testdata (BSD-3-Clause), 676 x 449, 16 bits, cICP 9/18/0/1. The arithmetic: colour-science,
ITU-R BT.2100-2 HLG reference EOTF on a display of 1000 cd/m2. Its decoder: OpenCV.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import colour
import cv2
import numpy as np
import pytest

from pairdiff._demo.grade import BT709_TO_BT2020
from tests._clips import HLG_TAGS, encode_clip
from tests.whole._films import BT2020, Floats, planes_of_signal

Run = Callable[..., subprocess.CompletedProcess[str]]
PHOTOGRAPH = Path(".cache/libjxl-testdata/usr/share/libjxl-testdata/jxl/hdr_room.png")
WHITE_NITS = 203.0


@pytest.fixture(scope="module")
def photograph(project_root: Path) -> Path:
    path = project_root / PHOTOGRAPH
    if not path.is_file():
        pytest.skip(f"the HLG photograph of Debian's libjxl-testdata is not in {path}: run bash tests/run as root")
    return path


def signal_of(path: Path) -> Floats:
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1] / 65535)


def light_of(path: Path) -> Floats:
    return np.asarray(colour.models.eotf_BT2100_HLG(signal_of(path), L_W=1000, L_B=0))


def test_its_light_is_that_of_an_independent_decoder(photograph: Path, run_pairdiff: Run) -> None:
    done = run_pairdiff("measure", photograph, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    level = light_of(photograph).max(-1)
    levels = found["levels"]
    assert found["signal"]["transfer"]["value"] == "hlg"
    assert levels["max_cll_nits"] == pytest.approx(level.max(), rel=0.005)
    assert levels["max_fall_nits"] == pytest.approx(level.mean(), rel=0.005)
    for name, quantile in (("p9999_nits", 0.9999), ("p999_nits", 0.999), ("p99_nits", 0.99), ("p50_nits", 0.5)):
        assert levels[name] == pytest.approx(np.quantile(level, quantile), rel=0.005), name
    assert found["signal"]["frame_rate"]["assumed"]


def test_beside_an_sdr_rendering_it_widens_the_picture(photograph: Path, run_pairdiff: Run, tmp_path: Path) -> None:
    """The SDR: its light within BT.709, cut at HDR Reference White (BT.2408-7), on a set of gamma 2.4 (BT.1886)."""
    light = light_of(photograph) @ np.linalg.inv(BT709_TO_BT2020).T
    codes = np.round(np.clip(light / WHITE_NITS, 0, 1) ** (1 / 2.4) * 255).astype(np.uint8)
    sdr = tmp_path / "room.png"
    cv2.imwrite(str(sdr), codes[..., ::-1])
    stated = ("--sdr-transfer", "bt1886", "--sdr-primaries", "bt709", "--sdr-range", "full")
    done = run_pairdiff("compare", photograph, sdr, *stated, "--out", tmp_path / "out", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["verdict"]["label"] == "wider-range"
    assert found["setup"]["white_nits"] == pytest.approx(WHITE_NITS, rel=0.01)
    assert found["setup"]["gamma"] == pytest.approx(2.4, abs=0.02)
    planted = np.log2(np.quantile(light_of(photograph).max(-1), 0.999) / WHITE_NITS)
    assert found["headroom"]["stops"] == pytest.approx(planted, abs=0.1)


def test_as_a_film_in_ten_bits_it_has_the_same_light(photograph: Path, run_pairdiff: Run, tmp_path: Path) -> None:
    signal = signal_of(photograph)[:448, :672]
    planes = planes_of_signal(signal, weights=BT2020, bits=10, siting="top-left")
    film = encode_clip(
        tmp_path / "room.mkv", [planes] * 4, codec="ffv1", pix_fmt="yuv420p10le", tags=HLG_TAGS, options={"strict": "experimental"}
    )
    done = run_pairdiff("measure", film, "--json")
    assert done.returncode == 0, done.stderr
    levels = json.loads(done.stdout)["levels"]
    level = np.asarray(colour.models.eotf_BT2100_HLG(signal, L_W=1000, L_B=0)).max(-1)
    assert levels["max_fall_nits"] == pytest.approx(level.mean(), rel=0.01)
    assert levels["p99_nits"] == pytest.approx(np.quantile(level, 0.99), rel=0.02)
