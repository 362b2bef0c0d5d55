"""Files whose tags are wrong, as they come from a careless remux: coded one way, tagged another, compared from the command line."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import colour
import cv2
import numpy as np
import pytest

import pairdiff
from tests._clips import PQ_TAGS, SDR_TAGS, Planes, encode_clip
from tests.score._pairs import make_signal, relabel
from tests.whole._films import BT709, BT2020, Floats, light_to_pq, planes_of_signal

Run = Callable[..., subprocess.CompletedProcess[str]]
FULL_SDR_TAGS = (1, 1, 1, 2)
SHOTS, FRAMES, TURN = 4, 12, 8


def pictures(make: Callable[[Floats], Floats]) -> Iterator[Floats]:
    """Four shots that turn: what `make` makes of the SDR signal."""
    for seed in range(SHOTS):
        signal = np.round(make_signal(seed).astype(np.float64) * 219) / 219
        signal[:, : signal.shape[1] // 12] = 0  # a post in the dark: without black a film does not tell its range
        still = np.asarray(make(signal))
        for number in range(FRAMES):
            yield np.roll(still, -number * TURN, axis=1)


def film(make: Callable[[Floats], Floats], *, bits: int) -> Iterator[Planes]:
    """The same as planes of code values."""
    weights, siting = (BT2020, "top-left") if bits > 8 else (BT709, "left")
    for picture in pictures(make):
        yield planes_of_signal(picture, weights=weights, bits=bits, siting=siting)


def hdr_light(signal: Floats) -> Floats:
    """Light of a grade whose highlights rise above white 203 cd/m2."""
    light = relabel(signal, white_nits=203.0, gamma=2.4)
    level = light.max(-1, keepdims=True) / 203.0
    return np.asarray(light * (1 + 1.5 * np.clip((level - 0.6) / 0.4, 0, 1) ** 2))


def to_hlg(signal: Floats) -> Floats:
    """HLG signal of that light at 1000 cd/m2, by colour-science (BT.2100)."""
    with np.errstate(invalid="ignore"):
        return np.asarray(colour.models.eotf_inverse_BT2100_HLG(np.clip(hdr_light(signal), 1e-4, 1000), L_W=1000))


def as_full(signal: Floats) -> Floats:
    """What makes a coder of narrow codes write full ones."""
    return np.asarray((255 * signal - 16) / 219)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Releases by what is in them.

    `hdr` and `sdr` are what they say; `hlg` and `sdr-pq` (an SDR signal) are tagged PQ; `full` has full codes and is tagged narrow,
    `narrow` the other way round.
    """
    folder = tmp_path_factory.mktemp("tags")

    def hdr(name: str, make: Callable[[Floats], Floats]) -> Path:
        return encode_clip(folder / f"{name}.mkv", film(make, bits=10), tags=PQ_TAGS, options={"crf": "16"})

    def sdr(name: str, make: Callable[[Floats], Floats], tags: tuple[int, int, int, int]) -> Path:
        planes = film(make, bits=8)
        return encode_clip(folder / f"{name}.mkv", planes, codec="libx264", pix_fmt="yuv420p", tags=tags, options={"crf": "16"})

    return {
        "hdr": hdr("hdr", lambda signal: light_to_pq(hdr_light(signal))),
        "hlg": hdr("hlg", to_hlg),
        "sdr-pq": hdr("sdr-pq", lambda signal: signal),
        "sdr": sdr("sdr", lambda signal: signal, SDR_TAGS),
        "full": sdr("full", as_full, SDR_TAGS),
        "narrow": sdr("narrow", lambda signal: signal, FULL_SDR_TAGS),
    }


@pytest.mark.parametrize(
    ("hdr", "sdr", "words"),
    [
        ("hlg", "sdr", ["do not fit the way they are read", "--hdr-transfer hlg", "--hdr-transfer pq"]),
        pytest.param("sdr-pq", "sdr", ["do not fit the way they are read", "it is no HDR release then"], marks=pytest.mark.slow),
        pytest.param("hdr", "full", ["do not fit the way they are read", "--sdr-range full", "--sdr-range narrow"], marks=pytest.mark.slow),
        ("hdr", "narrow", ["do not fit the way they are read", "--sdr-range narrow", "--sdr-range full"]),
    ],
)
def test_levels_that_contradict_the_tags_stop_the_run_and_name_the_option(
    files: dict[str, Path], hdr: str, sdr: str, words: list[str], run_pairdiff: Run, tmp_path: Path
) -> None:
    done = run_pairdiff("compare", files[hdr], files[sdr], "--out", tmp_path / "out")
    assert done.returncode == 3, done.stderr
    assert [word for word in words if word not in done.stderr] == [], done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.rglob("result.json"))


@pytest.fixture(scope="module")
def plain(files: dict[str, Path]) -> pairdiff.Comparison:
    """The pair as it is tagged."""
    return pairdiff.compare(files["hdr"], files["sdr"])


def compare(run_pairdiff: Run, out: Path, *words: object) -> dict[str, Any]:
    done = run_pairdiff("compare", *words, "--out", out)
    assert done.returncode == 0, done.stderr
    result: dict[str, Any] = json.loads((out / "result.json").read_text(encoding="utf-8"))
    return result


@pytest.mark.parametrize(
    ("hdr", "sdr", "option"),
    [
        ("hlg", "sdr", ("--hdr-transfer", "hlg")),
        pytest.param("hdr", "full", ("--sdr-range", "full"), marks=pytest.mark.slow),
        pytest.param("hdr", "narrow", ("--sdr-range", "narrow"), marks=pytest.mark.slow),
    ],
)
def test_the_option_that_is_named_makes_the_pair_what_it_is(
    files: dict[str, Path], plain: pairdiff.Comparison, hdr: str, sdr: str, option: tuple[str, str], run_pairdiff: Run, tmp_path: Path
) -> None:
    mended = compare(run_pairdiff, tmp_path / "mended", files[hdr], files[sdr], *option)
    assert plain.signal_check is not None
    assert plain.signal_check.state == mended["signal_check"]["state"] == "fits"
    assert mended["verdict"]["label"] == plain.verdict.label
    assert mended["headroom"]["stops"] == pytest.approx(plain.headroom.stops, abs=0.1)
    assert mended["setup"]["white_nits"] == pytest.approx(plain.setup.white_nits, rel=0.02)


def test_a_tag_that_the_user_stands_by_is_measured_with_a_caution_on_the_page(
    files: dict[str, Path], run_pairdiff: Run, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    done = run_pairdiff("compare", files["hlg"], files["sdr"], "--hdr-transfer", "pq", "--out", out)
    assert done.returncode == 0, done.stderr
    assert "Caution: The levels of the two releases do not fit the way they are read." in done.stdout
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "do not fit the way they are read" in page
    assert "HDR transfer taken as PQ, as the user states" in page.replace("pq, as", "PQ, as")


def test_one_release_alone_is_told_of_by_its_codes(files: dict[str, Path], run_pairdiff: Run) -> None:
    for name, caution in (("full", "--sdr-range full"), ("narrow", "--sdr-range narrow")):
        done = run_pairdiff("measure", files[name])
        assert done.returncode == 0, done.stderr
        assert caution in done.stdout
    assert "--sdr-range" not in run_pairdiff("measure", files["sdr"]).stdout


# ------------------------------------------------------------- the same releases as numbered pictures


@pytest.mark.slow
def test_numbered_pictures_give_the_stops_of_their_light(run_pairdiff: Run, tmp_path: Path) -> None:
    """PNG of 16 and 8 bits, full range, by OpenCV from the light itself: no codec lies between, and the stops are the light's own."""
    levels = []
    for number, (light, signal) in enumerate(zip(pictures(hdr_light), pictures(np.asarray), strict=True)):
        levels.append(float(np.percentile(light.max(-1), 99.9)))
        for folder, picture, most in (("hdr", light_to_pq(light), 65535), ("sdr", signal, 255)):
            (tmp_path / folder).mkdir(exist_ok=True)
            coded = np.round(np.clip(picture, 0, 1) * most).astype(np.uint16 if most > 255 else np.uint8)
            (tmp_path / folder / f"f{number:04d}.png").write_bytes(cv2.imencode(".png", coded[..., ::-1])[1].tobytes())
    stated = ("--hdr-transfer", "pq", "--hdr-primaries", "bt2020", "--sdr-transfer", "bt1886", "--sdr-primaries", "bt709")
    found = compare(run_pairdiff, tmp_path / "out", tmp_path / "hdr", tmp_path / "sdr" / "f%04d.png", *stated)
    assert found["headroom"]["stops"] == pytest.approx(float(np.log2(np.quantile(levels, 0.9) / 203)), abs=0.06)
    assert found["setup"]["white_nits"] == pytest.approx(203, rel=0.02)
    assert found["alignment"]["matched_share"] == 1.0
    assert found["hdr"]["signal"]["frame_rate"] == {"value": "24/1", "source": "assumed", "assumed": True}


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Single pictures of the film: `hN.png` and `sN.png`, and `cN.png`, the SDR one cropped and four fifths as large."""
    folder = tmp_path_factory.mktemp("single")
    for number, (light, signal) in enumerate(zip(pictures(hdr_light), pictures(np.asarray), strict=True)):
        if number in (14, 26):
            small = cv2.resize(signal[6:-6, 10:-10], None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA)
            for name, picture, most in (("h", light_to_pq(light), 65535), ("s", signal, 255), ("c", small, 255)):
                coded = np.round(np.clip(picture, 0, 1) * most).astype(np.uint16 if most > 255 else np.uint8)
                (folder / f"{name}{number}.png").write_bytes(cv2.imencode(".png", coded[..., ::-1])[1].tobytes())
    return folder


STATED = ("--hdr-transfer", "pq", "--hdr-primaries", "bt2020", "--sdr-transfer", "bt1886", "--sdr-primaries", "bt709")


@pytest.mark.slow
@pytest.mark.parametrize("sdr", ["s14", "c14"])
def test_two_single_pictures_are_a_pair_whatever_their_size(drawn: Path, sdr: str, run_pairdiff: Run, tmp_path: Path) -> None:
    found = compare(run_pairdiff, tmp_path / "out", drawn / "h14.png", drawn / f"{sdr}.png", *STATED)
    assert found["setup"]["white_nits"] == pytest.approx(203, rel=0.03)
    assert found["verdict"]["label"] != "undetermined"
    assert found["alignment"]["notes"][0].startswith("Two single pictures were compared")
    assert found["difference"]["side_by_side"]["rms"] < 12
    assert "single_frame" not in found["hdr_peak"]["causes"]
    assert list((tmp_path / "out" / "stills").glob("*.png"))


def test_two_pictures_of_other_moments_are_refused(drawn: Path, run_pairdiff: Run, tmp_path: Path) -> None:
    done = run_pairdiff("compare", drawn / "h14.png", drawn / "s26.png", *STATED, "--out", tmp_path / "out")
    assert done.returncode == 4
    assert "The two pictures do not seem to show the same" in done.stderr


# ------------------------------------------------------------- the same release in two files


@pytest.mark.slow
def test_a_release_in_two_files_gives_what_it_gives_in_one(
    files: dict[str, Path], plain: pairdiff.Comparison, run_pairdiff: Run, tmp_path: Path
) -> None:
    planes = list(film(lambda signal: light_to_pq(hdr_light(signal)), bits=10))
    for name, part in (("a", planes[:17]), ("b", planes[17:])):
        encode_clip(tmp_path / f"{name}.mkv", part, tags=PQ_TAGS, options={"crf": "16"})
    joined = compare(run_pairdiff, tmp_path / "joined", f"{tmp_path / 'a.mkv'}+{tmp_path / 'b.mkv'}", files["sdr"])
    again = compare(run_pairdiff, tmp_path / "joined", f"{tmp_path / 'a.mkv'}+{tmp_path / 'b.mkv'}", files["sdr"])
    assert joined["title"] == "a"
    assert joined["verdict"]["label"] == again["verdict"]["label"] == plain.verdict.label
    assert joined["headroom"]["stops"] == pytest.approx(plain.headroom.stops, abs=0.05)
    assert again["headroom"] == joined["headroom"]
    assert joined["alignment"]["matched_share"] == 1.0
    assert joined["run"]["coverage"]["hdr_frames"] == len(planes)
    assert "2 files are read as one release" in joined["hdr"]["notes"][0]


@pytest.mark.slow
def test_stills_of_a_pair_that_is_read_against_its_levels_say_so(files: dict[str, Path], run_pairdiff: Run, tmp_path: Path) -> None:
    words = ("stills", files["hlg"], files["sdr"], "--at", "f12", "--out", tmp_path / "out", "--hdr-transfer", "pq")
    done = run_pairdiff(*words)
    assert done.returncode == 0, done.stderr
    assert "caution: The levels of the two releases do not fit the way they are read" in done.stderr
    index = json.loads((tmp_path / "out" / "index.json").read_text(encoding="utf-8"))
    captions = [picture["caption"] for moment in index["moments"] for picture in moment["pictures"]]
    assert captions
    for caption in captions:
        assert "HDR transfer taken as PQ, as the user states." in caption
        assert "Caution: the levels do not fit the way the releases are read." in caption
