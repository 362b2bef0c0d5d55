"""Pictures of linear light from the command line: OpenEXR and gain-map JPEG, against libraries that are not used to read them here."""

from __future__ import annotations

import json
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import colour
import cv2
import numpy as np
import pytest

import pairdiff
from pairdiff import _pipeline
from pairdiff._errors import InputRefused, SignalUnresolved
from pairdiff.clip.linear import linear_kind, read_linear
from tests._gain_map_avif import make_parts, numbers
from tests.score._pairs import make_signal, relabel
from tests.whole._films import Floats

imagecodecs = pytest.importorskip("imagecodecs")
Run = Callable[..., subprocess.CompletedProcess[str]]
WHITE_NITS = 203.0


def light() -> Floats:
    """BT.709 linear light, 1 at SDR white, with highlights up to 2.5."""
    signal = make_signal(3).astype(np.float64)
    linear = signal**2.4
    level = linear.max(-1, keepdims=True)
    return np.asarray(linear * (1 + 1.5 * np.clip((level - 0.6) / 0.4, 0, 1) ** 2))


def write_exr(path: Path, linear: Floats) -> Path:
    """Half-float OpenEXR by PyAV's encoder: gbrpf32, no compression of light."""
    import av

    with av.open(str(path), "w", format="image2") as out:
        stream = out.add_stream("exr", rate=24, options={"format": "float"})
        stream.height, stream.width, stream.pix_fmt = linear.shape[0], linear.shape[1], "gbrpf32le"
        frame = av.VideoFrame(linear.shape[1], linear.shape[0], "gbrpf32le")
        for plane, channel in zip(frame.planes, (1, 2, 0), strict=True):
            np.frombuffer(plane, np.float32).reshape(plane.height, -1)[:, : linear.shape[1]] = linear[..., channel]
        frame.pts = 0
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def write_sdr(path: Path, linear: Floats) -> Path:
    codes = np.round(np.clip(linear, 0, 1) ** (1 / 2.4) * 255).astype(np.uint8)
    path.write_bytes(cv2.imencode(".png", codes[..., ::-1])[1].tobytes())
    return path


def compare(run_pairdiff: Run, out: Path, *words: object) -> dict[str, Any]:
    done = run_pairdiff("compare", *words, "--out", out)
    assert done.returncode == 0, done.stderr
    result: dict[str, Any] = json.loads((out / "result.json").read_text(encoding="utf-8"))
    return result


SDR = ("--sdr-transfer", "bt1886", "--sdr-primaries", "bt709")


def test_an_exr_picture_is_compared_and_its_light_kept(run_pairdiff: Run, tmp_path: Path) -> None:
    linear = light()
    hdr, sdr = write_exr(tmp_path / "scene.exr", linear), write_sdr(tmp_path / "scene.png", linear)
    words = (hdr, sdr, "--hdr-linear-nits", WHITE_NITS, "--hdr-primaries", "bt709", *SDR)
    found = compare(run_pairdiff, tmp_path / "out", *words)
    wide = relabel(linear ** (1 / 2.4), white_nits=WHITE_NITS, gamma=2.4)  # BT.2020: MaxCLL is defined there
    assert found["hdr"]["levels"]["max_cll_nits"] == pytest.approx(wide.max(), rel=0.005)
    assert found["hdr"]["path"] == str(hdr)
    assert found["setup"]["white_nits"] == pytest.approx(WHITE_NITS, rel=0.03)
    assert "a picture of linear light (exr), bt709, 1.0 taken as 203 cd/m2" in found["hdr"]["notes"][0]


def test_an_exr_picture_is_read_as_another_library_reads_it(tmp_path: Path) -> None:
    openexr = pytest.importorskip("OpenEXR")
    linear = light()
    path = write_exr(tmp_path / "scene.exr", linear)
    with openexr.File(str(path)) as file:
        channels = file.channels()
        theirs = channels["RGB"].pixels if "RGB" in channels else np.stack([channels[name].pixels for name in "RGB"], -1)
    ours = read_linear(str(path), kind="exr", side="hdr", most_megapixels=80)
    assert ours == pytest.approx(theirs[..., :3], rel=1e-3, abs=1e-4)


def test_both_renditions_of_a_gain_map_picture_are_a_pair(run_pairdiff: Run, tmp_path: Path) -> None:
    linear = light()[:352, :624]
    rgba = np.concatenate([linear, np.ones((*linear.shape[:2], 1))], -1).astype(np.float16)
    path = tmp_path / "photo.jpg"
    path.write_bytes(imagecodecs.ultrahdr_encode(rgba))
    assert linear_kind(str(path)) == "gain map"
    stated = ("--hdr-primaries", "bt709", *SDR, "--sdr-matrix", "bt601", "--sdr-range", "full")
    found = compare(run_pairdiff, tmp_path / "out", path, path, *stated)
    assert found["hdr"]["levels"]["p999_nits"] == pytest.approx(np.quantile(linear.max(-1), 0.999) * WHITE_NITS, rel=0.1)
    assert "1.0 taken as 203 cd/m2 (assumed" in found["hdr"]["notes"][0]
    assert found["alignment"]["matched_share"] == 1.0


AVIF_OFFSET = 1 / 64


def write_gain_map_avif(path: Path, linear: Floats, *, point: int) -> None:
    """Of BT.709 light: its clipped rendition of those primaries, sRGB-coded, and a map that makes it of that again."""
    spaces = colour.RGB_COLOURSPACES
    name = {1: "ITU-R BT.709", 12: "Display P3"}[point]
    light = np.asarray(colour.RGB_to_RGB(linear, spaces["ITU-R BT.709"], spaces[name]))
    base = np.round(colour.models.eotf_inverse_sRGB(np.clip(light, 0, 1)) * 255).astype(np.uint8)
    level, shown = light.max(-1), colour.models.eotf_sRGB(base / 255).max(-1)
    stops = np.log2((level + AVIF_OFFSET) / (shown + AVIF_OFFSET))
    coded = np.round(np.clip(stops / 2, 0, 1) * 255).astype(np.uint8)
    payload = numbers(((0.0, 2.0, 1.0, AVIF_OFFSET, AVIF_OFFSET),))
    path.write_bytes(make_parts(base, coded, payload, points=(point, 13, 1), other=(point, 16, 0)).file())


@pytest.mark.parametrize(("point", "name"), [(1, "bt709"), (12, "p3-d65")])
def test_both_renditions_of_a_gain_map_avif_are_a_pair(run_pairdiff: Run, tmp_path: Path, point: int, name: str) -> None:
    linear = light()[:352, :624]
    path = tmp_path / "photo.avif"
    write_gain_map_avif(path, linear, point=point)
    assert linear_kind(str(path)) == "AVIF gain map"
    found = compare(run_pairdiff, tmp_path / "out", path, path, "--sdr-transfer", "bt1886")
    wide = np.asarray(colour.RGB_to_RGB(linear, colour.RGB_COLOURSPACES["ITU-R BT.709"], colour.RGB_COLOURSPACES["ITU-R BT.2020"]))
    assert found["hdr"]["levels"]["p999_nits"] == pytest.approx(np.quantile(wide.max(-1), 0.999) * WHITE_NITS, rel=0.02)
    assert f"(AVIF gain map), {name} (stated by the file), 1.0 taken as 203 cd/m2 (assumed" in found["hdr"]["notes"][0]
    assert found["hdr"]["signal"]["primaries"] == {"value": name, "source": "container", "assumed": False}
    assert found["sdr"]["signal"]["primaries"]["value"] == "bt709"
    assert any("holds a gain map" in note for note in found["sdr"]["notes"])
    assert found["alignment"]["matched_share"] == 1.0
    assert found["headroom"]["status"] == "measured"


def parts_of_gain_map_picture(data: bytes) -> tuple[Floats, Floats, list[float]]:
    """Base and gain map, 0 to 1, as OpenCV decodes them, and least and most gain (log2), gamma and both offsets.

    ISO 21496-1 annex C: after two versions and a byte of flags the headroom of both renditions, then of each channel five numbers, each
    as a numerator and a denominator of 32 bits; one channel and no common denominator here, which the flags say.
    """
    mark = b"urn:iso:std:iso:ts:21496:-1\0"
    second = data.rindex(b"\xff\xd8\xff")
    body = data[data.rindex(mark) + len(mark) :]
    assert body[4] & 0x88 == 0
    numbers = struct.unpack(">iIiIIIiIiI", body[21:61])
    base, gain = (cv2.imdecode(np.frombuffer(one, np.uint8), cv2.IMREAD_UNCHANGED) for one in (data[:second], data[second:]))
    return base[..., ::-1] / 255.0, gain[..., :1] / 255.0, [numbers[n] / numbers[n + 1] for n in range(0, 10, 2)]


def test_a_gain_map_is_applied_as_the_standard_says(tmp_path: Path) -> None:
    """ISO 21496-1 clause 6: log2 gain is least + (most - least) * map ** (1 / gamma); HDR = (base + offset) * gain - offset.

    The library keeps the base in Display P3 and hands the rendition on in BT.709, which colour-science undoes.
    """
    linear = light()[:88, :160]
    path = tmp_path / "photo.jpg"
    path.write_bytes(imagecodecs.ultrahdr_encode(np.concatenate([linear, np.ones((*linear.shape[:2], 1))], -1).astype(np.float16)))
    base, gain, (least, most, gamma, base_offset, offset) = parts_of_gain_map_picture(path.read_bytes())
    shown = (colour.models.eotf_sRGB(base) + base_offset) * 2 ** (least + (most - least) * gain ** (1 / gamma)) - offset
    spaces = colour.RGB_COLOURSPACES
    theirs = np.asarray(colour.RGB_to_RGB(shown, spaces["Display P3"], spaces["ITU-R BT.709"]))
    ours = read_linear(str(path), kind="gain map", side="hdr", most_megapixels=80)
    assert ours.mean() == pytest.approx(theirs.mean(), rel=0.005)
    for quantile in (0.5, 0.9, 0.99, 0.999):
        assert np.quantile(ours.max(-1), quantile) == pytest.approx(np.quantile(theirs.max(-1), quantile), rel=0.005)


def test_a_base_picture_of_display_p3_is_measured_as_bt709(run_pairdiff: Run, tmp_path: Path) -> None:
    linear = light()[:88, :160]
    path = tmp_path / "photo.jpg"
    path.write_bytes(imagecodecs.ultrahdr_encode(np.concatenate([linear, np.ones((*linear.shape[:2], 1))], -1).astype(np.float16)))
    stated = ("--hdr-primaries", "bt709", "--sdr-transfer", "bt1886", "--sdr-range", "full")
    found = compare(run_pairdiff, tmp_path / "out", path, path, *stated)
    note = found["sdr"]["notes"][0]
    assert note.startswith("the picture has Display P3 primaries (container); it is measured as BT.709, and 0.")
    assert found["sdr"]["signal"]["primaries"]["value"] == "bt709"
    assert found["sdr"]["path"] == str(path)
    assert found["tone"]["shift_median_jnd"] < 2.5


@pytest.mark.slow
def test_the_primaries_of_a_rendition_are_told_by_its_base_picture(run_pairdiff: Run, tmp_path: Path) -> None:
    """The library hands BT.709 numbers on beside a base picture of Display P3; taken as BT.2020 they are another film's colours."""
    linear = light()[:88, :160]
    path = tmp_path / "photo.jpg"
    path.write_bytes(imagecodecs.ultrahdr_encode(np.concatenate([linear, np.ones((*linear.shape[:2], 1))], -1).astype(np.float16)))
    found = compare(run_pairdiff, tmp_path / "out", path, path, "--sdr-transfer", "bt1886", "--sdr-range", "full")
    assert found["hdr"]["notes"][0].startswith(
        "a picture of linear light (gain map), bt709 (told by the hues of its base picture), 1.0 taken"
    )
    assert found["hdr"]["signal"]["primaries"] == {"value": "bt709", "source": "assumed", "assumed": True}


def test_it_is_brought_there_as_another_library_brings_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path))
    linear = light()[:88, :160]
    path = tmp_path / "photo.jpg"
    path.write_bytes(imagecodecs.ultrahdr_encode(np.concatenate([linear, np.ones((*linear.shape[:2], 1))], -1).astype(np.float16)))
    settings = pairdiff.Settings(sdr_transfer="bt1886", sdr_range="full")
    release = _pipeline._probe(path, side="sdr", settings=settings, hash_whole=False, fresh=False, tell=_pipeline._silent)
    base, *_ = parts_of_gain_map_picture(path.read_bytes())
    spaces = colour.RGB_COLOURSPACES
    theirs = colour.RGB_to_RGB(base, spaces["Display P3"], spaces["sRGB"], apply_cctf_decoding=True, apply_cctf_encoding=True)
    ours = cv2.imread(str(release.opened), cv2.IMREAD_UNCHANGED)[..., ::-1] / 65535
    assert np.abs(ours - np.clip(theirs, 0, 1)).mean() < 0.4 / 255
    assert np.abs(ours - base).mean() > 0.5 / 255


def test_what_linear_numbers_mean_is_asked_for(tmp_path: Path) -> None:
    path = write_exr(tmp_path / "scene.exr", light()[:64, :64])
    with pytest.raises(SignalUnresolved, match="--hdr-linear-nits 100 --hdr-primaries bt2020"):
        pairdiff.measure(path)
    with pytest.raises(SignalUnresolved, match="such as --hdr-linear-nits 100"):
        pairdiff.measure(path, settings=pairdiff.Settings(hdr_primaries="bt2020"))


def test_a_jpeg_without_a_gain_map_and_a_broken_one_are_told_apart(tmp_path: Path) -> None:
    plain = tmp_path / "plain.jpg"
    plain.write_bytes(cv2.imencode(".jpg", np.full((64, 64, 3), 90, np.uint8))[1].tobytes())
    assert linear_kind(str(plain)) is None
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(plain.read_bytes() + b"urn:iso:std:iso:ts:21496:-1")
    with pytest.raises(InputRefused, match=r"The gain map of the HDR release .* cannot be applied"):
        read_linear(str(broken), kind="gain map", side="hdr", most_megapixels=80)


def test_odd_numbers_and_pictures_beyond_the_limit(tmp_path: Path) -> None:
    linear = light()[:64, :64].astype(np.float32)
    linear[0, 0], linear[0, 1], linear[0, 2] = np.nan, -1.0, np.inf
    path = write_exr(tmp_path / "odd.exr", linear)
    found = read_linear(str(path), kind="exr", side="hdr", most_megapixels=80)
    assert (found[0, 0].max(), found[0, 1].max()) == (0, 0)
    assert np.isfinite(found).all()
    with pytest.raises(InputRefused, match=r"64 x 64; the limit is 0\.001 million pixels"):
        read_linear(str(path), kind="exr", side="hdr", most_megapixels=0.001)
