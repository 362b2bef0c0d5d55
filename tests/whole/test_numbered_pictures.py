"""Films of numbered OpenEXR and AVIF pictures from the command line, and what of HEIF and AVIF is refused or noted."""

from __future__ import annotations

import contextlib
import json
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import av
import cv2
import numpy as np
import pytest

import pairdiff
from pairdiff._errors import InputRefused
from pairdiff.clip import handed_on
from pairdiff.clip.container import choose_stream
from pairdiff.clip.probe import holds_gain_map
from pairdiff.writeup.hdr_image import usual_priority
from tests.score._pairs import make_signal
from tests.whole._films import BT2020, Floats, light_to_pq, planes_of_signal
from tests.whole.test_linear_pictures import write_exr

Run = Callable[..., subprocess.CompletedProcess[str]]
FRAMES, ROWS, COLUMNS, WHITE_NITS = 16, 180, 320, 150.0
SDR = ("--sdr-transfer", "bt1886", "--sdr-primaries", "bt709")


def light(number: int) -> Floats:
    """BT.2020 linear light of a picture that moves, 1 at SDR white, with highlights up to 2.5."""
    still = cv2.resize(make_signal(3).astype(np.float64), (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
    signal = np.clip(np.roll(still, -6 * number, axis=1), 0, 1)
    linear = signal**2.4
    level = linear.max(-1, keepdims=True)
    return np.asarray(linear * (1 + 1.5 * np.clip((level - 0.6) / 0.4, 0, 1) ** 2))


def write_avif(path: Path, planes: list[np.ndarray], *, transfer: int = 16) -> Path:
    """A 10-bit PQ picture by libavif's rules, coded by SVT-AV1 (both in PyAV)."""
    with usual_priority(), av.open(str(path), "w", format="avif") as out:
        stream = out.add_stream("libsvtav1", rate=1, options={"preset": "8", "crf": "5"})
        stream.width, stream.height, stream.pix_fmt = COLUMNS, ROWS, "yuv420p10le"
        coder = stream.codec_context
        coder.color_primaries, coder.color_trc, coder.colorspace, coder.color_range = 9, transfer, 9, 1
        frame = av.VideoFrame(COLUMNS, ROWS, "yuv420p10le")
        for plane, codes in zip(frame.planes, planes, strict=True):
            np.frombuffer(plane, np.uint16).reshape(plane.height, -1)[:, : codes.shape[1]] = codes
        frame.pts, frame.time_base = 0, Fraction(1)
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def write_sdr(folder: Path) -> Path:
    folder.mkdir()
    for number in range(FRAMES):
        codes = np.round(np.clip(light(number), 0, 1) ** (1 / 2.4) * 255).astype(np.uint8)
        (folder / f"s{number:02d}.png").write_bytes(cv2.imencode(".png", codes[..., ::-1])[1].tobytes())
    return folder


def compare(run_pairdiff: Run, out: Path, *words: object) -> dict[str, Any]:
    done = run_pairdiff("compare", *words, "--out", out, "--min-matched-s", "0.3")
    assert done.returncode == 0, done.stderr
    result: dict[str, Any] = json.loads((out / "result.json").read_text(encoding="utf-8"))
    return result


@pytest.mark.slow
def test_a_film_of_exr_pictures_is_compared_and_its_light_kept(run_pairdiff: Run, tmp_path: Path) -> None:
    folder = tmp_path / "hdr"
    folder.mkdir()
    for number in range(FRAMES):
        write_exr(folder / f"h{number:02d}.exr", light(number))
    stated = ("--hdr-linear-nits", WHITE_NITS, "--hdr-primaries", "bt2020", "--hdr-frame-rate", "25")
    found = compare(run_pairdiff, tmp_path / "out", folder, write_sdr(tmp_path / "sdr"), *stated, *SDR)
    expected = max(float(light(number).max()) for number in range(FRAMES)) * WHITE_NITS
    assert found["hdr"]["levels"]["max_cll_nits"] == pytest.approx(expected, rel=0.005)
    assert found["hdr"]["path"] == str(folder)
    assert found["hdr"]["signal"]["frame_rate"] == {"value": "25/1", "source": "option", "assumed": False}
    assert found["hdr"]["notes"][0].startswith("16 numbered pictures (exr) of linear light, bt2020, 1.0 taken as 150 cd/m2")
    assert found["alignment"]["matched_share"] == 1.0
    assert found["alignment"]["offset_frames"] == 0


@pytest.mark.slow
def test_a_film_of_avif_pictures_is_read_code_for_code(run_pairdiff: Run, tmp_path: Path) -> None:
    folder = tmp_path / "hdr"
    folder.mkdir()
    for number in range(3):
        signal = light_to_pq(light(number) * WHITE_NITS)
        write_avif(folder / f"h{number}.avif", list(planes_of_signal(signal, weights=BT2020, bits=10, siting="top-left")))
    alone = [json.loads(run_pairdiff("measure", folder / f"h{number}.avif", "--json").stdout) for number in range(3)]
    together = run_pairdiff("measure", folder, "--json", "--hdr-frame-rate", "23.976")
    assert together.returncode == 0, together.stderr
    found = json.loads(together.stdout)
    assert found["levels"]["max_cll_nits"] == max(one["levels"]["max_cll_nits"] for one in alone)
    assert found["levels"]["max_fall_nits"] == max(one["levels"]["max_fall_nits"] for one in alone)
    assert found["signal"]["transfer"]["value"] == "pq"
    assert found["notes"][0] == "3 numbered pictures (avif) are read as one lossless film."


def test_numbered_pictures_that_state_two_descriptions_are_no_film(run_pairdiff: Run, tmp_path: Path) -> None:
    planes = [np.full((ROWS, COLUMNS), 400, np.uint16), *(np.full((ROWS // 2, COLUMNS // 2), 512, np.uint16) for _ in range(2))]
    for number in range(2):
        write_avif(tmp_path / f"h{number}.avif", planes, transfer=18 if number else 16)
    done = run_pairdiff("measure", tmp_path / "h%d.avif")
    assert done.returncode == 3
    assert "h1.avif of the HDR release states another colour description than the first" in done.stderr


def test_a_handed_on_film_is_written_anew_when_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    for number in range(4):
        write_exr(tmp_path / f"h{number}.exr", light(number))
    settings = pairdiff.Settings(hdr_linear_nits=100, hdr_primaries="bt2020")
    whole = pairdiff.measure(tmp_path / "h%d.exr", settings=settings)
    (film,) = (tmp_path / "kept" / "pictures").glob("*.mkv")
    film.write_bytes(film.read_bytes()[: film.stat().st_size // 2])
    again = pairdiff.measure(tmp_path / "h%d.exr", settings=settings, fresh=True)
    assert (again.result.frames, again.result.levels, again.result.damage) == (4, whole.result.levels, ())


def test_pictures_of_two_sizes_are_no_film(run_pairdiff: Run, tmp_path: Path) -> None:
    write_exr(tmp_path / "h0.exr", light(0))
    write_exr(tmp_path / "h1.exr", light(1)[:-2])
    done = run_pairdiff("measure", tmp_path / "h%d.exr", "--hdr-linear-nits", "100", "--hdr-primaries", "bt2020")
    assert done.returncode == 3
    said = "h1.exr of the HDR release is another one than the first: 320 x 178 (gbrp16le) in place of 320 x 180 (gbrp16le)"
    assert said in done.stderr
    assert not list(tmp_path.rglob("*.mkv"))


def test_what_numbered_linear_pictures_mean_is_asked_for(run_pairdiff: Run, tmp_path: Path) -> None:
    write_exr(tmp_path / "h0.exr", light(0))
    done = run_pairdiff("measure", tmp_path / "h%d.exr")
    assert done.returncode == 3
    assert "State how it was made, such as --hdr-linear-nits 100 --hdr-primaries bt2020" in done.stderr


def test_tiles_of_a_picture_are_not_taken_for_it() -> None:
    tiles = [SimpleNamespace(disposition=0x080000, codec_context=object(), type="video") for _ in range(4)]
    container: Any = SimpleNamespace(streams=SimpleNamespace(video=tiles))
    with pytest.raises(InputRefused, match=r"holds 4 parts of a picture .* Export the picture in one piece"):
        choose_stream(container, path="a.heic", side="hdr", wanted=None)
    whole = SimpleNamespace(disposition=1, codec_context=object(), type="video")
    container.streams.video = [*tiles, whole]
    assert choose_stream(container, path="a.heic", side="hdr", wanted=None) is whole


def test_nor_in_a_row_of_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    tiles = [SimpleNamespace(disposition=0x080000, codec_context=object(), type="video") for _ in range(4)]
    container = SimpleNamespace(streams=SimpleNamespace(video=tiles), decode=lambda *stream, **which: iter([object()]))
    monkeypatch.setattr(handed_on, "open_container", lambda path, side: contextlib.nullcontext(container))
    with pytest.raises(InputRefused, match=r"a\.avif holds 4 parts of a picture"):
        handed_on.read_alone("a.avif", side="hdr")


def test_a_gain_map_that_is_not_applied_is_told_of(tmp_path: Path) -> None:
    planes = [np.full((ROWS, COLUMNS), 400, np.uint16), *(np.full((ROWS // 2, COLUMNS // 2), 512, np.uint16) for _ in range(2))]
    path = write_avif(tmp_path / "a.avif", planes)
    assert not holds_gain_map(str(path), "mov,mp4")
    path.write_bytes(path.read_bytes().replace(b"mif1", b"tmap", 1))
    assert holds_gain_map(str(path), "mov,mp4")
