"""HDR stills: what the files say by the standards, what other decoders make of them, and that a file that does not hold is not left."""

from __future__ import annotations

import base64
import dataclasses
import io
import json
import re
import shutil
import struct
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import colour
import cv2
import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._errors import OutputRefused
from pairdiff._records import Mastering, Moment
from pairdiff.light.transfer import pq_to_nits
from pairdiff.stills.side_by_side import HDR_KINDS, HdrKind, SideBySide, join_sides
from pairdiff.writeup import hdr_image
from pairdiff.writeup.document import write_stills
from pairdiff.writeup.hdr_image import check_hdr, decode_hdr, encode_hdr, light_error, usable_mastering

MOMENT = Moment("typical", "closest to the median loss: 0.5 JOD", 12, 15, 0.5, 0.625, "?", "?", 0)
MASTERING = Mastering((0.708, 0.292), (0.17, 0.797), (0.131, 0.046), (0.3127, 0.329), 4000.0, 0.0001, "container")
BT2020_WEIGHTS = np.array((0.2627, 0.6780, 0.0593))  # BT.2020-2 Table 4


def scene(rows: int = 135, columns: int = 241) -> NDArray[np.float32]:
    """Soft coloured shapes from 0.05 to 4000 cd/m2, grain, and a row of patches; odd in both directions."""
    random = np.random.default_rng(7)
    soft = cv2.GaussianBlur(random.random((rows, columns, 3)).astype(np.float32), (0, 0), 6)
    soft = (soft - soft.min()) / np.ptp(soft)
    light = 10 ** (soft * 4.9 - 1.3) * (1 + 0.03 * random.standard_normal((rows, columns, 3)))
    for number, nits in enumerate((0.0, 1.0, 20.0, 100.0, 203.0, 1000.0)):
        light[:20, 30 * number : 30 * number + 30] = nits
    light[20:40, :60] = (300.0, 2.0, 2.0)
    light[20:40, 60:120] = (1.0, 2.0, 200.0)
    return np.asarray(light, dtype=np.float32)


@pytest.fixture(scope="module")
def still() -> SideBySide:
    hdr = scene()
    return join_sides(MOMENT, hdr_nits=hdr, sdr_nits=np.minimum(hdr, 203), white_nits=203.0, mastering=MASTERING)


@pytest.fixture(scope="module")
def files(still: SideBySide) -> dict[str, bytes]:
    return {kind: encode_hdr(still, kind) for kind in HDR_KINDS}


def wanted_light(still: SideBySide) -> NDArray[np.float64]:
    return np.asarray(colour.models.eotf_ST2084(still.code16 / 65535))


def png_chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    """After PNG third edition 5.2 and 5.3."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    found, place = [], 8
    while place < len(data):
        (length,) = struct.unpack(">I", data[place : place + 4])
        kind, body = data[place + 4 : place + 8], data[place + 8 : place + 8 + length]
        assert struct.unpack(">I", data[place + 8 + length : place + 12 + length]) == (zlib.crc32(kind + body),)
        found.append((kind, body))
        place += 12 + length
    return found


def boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """After ISO/IEC 14496-12 4.2."""
    place = 0
    while place < len(data):
        (length,) = struct.unpack(">I", data[place : place + 4])
        assert 8 <= length <= len(data) - place
        yield data[place + 4 : place + 8], data[place + 8 : place + length]
        place += length


# ---------------------------------------------------------------- what the files say


def test_the_chunks_of_a_png_say_light_and_colour_before_the_picture(still: SideBySide, files: dict[str, bytes]) -> None:
    found = png_chunks(files["png"])
    kinds = [kind for kind, _ in found]
    assert kinds[:4] == [b"IHDR", b"cICP", b"mDCV", b"cLLI"]
    assert set(kinds[4:]) == {b"IDAT", b"IEND"}  # no gAMA, sRGB or iCCP that would contradict them
    said = dict(found)
    assert struct.unpack(">2I5B", said[b"IHDR"]) == (490, 135, 16, 2, 0, 0, 0)
    assert said[b"cICP"] == bytes((9, 16, 0, 1))  # PNG third edition 11.3.2.6; H.273: BT.2020, PQ, R'G'B', full range
    # BT.2020 primaries and D65 in units of 0.00002, R, G, B, white; luminance in units of 0.0001 (11.3.2.7 and ST 2086)
    assert struct.unpack(">8H2I", said[b"mDCV"]) == (35400, 14600, 8500, 39850, 6550, 2300, 15635, 16450, 40_000_000, 1)
    light = wanted_light(still).max(axis=2)
    most, average = (units * 0.0001 for units in struct.unpack(">2I", said[b"cLLI"]))
    assert most == pytest.approx(light.max(), rel=1e-3)  # CTA-861.3-A; the codes are rounded to 16 bits
    assert average == pytest.approx(light.mean(), rel=1e-3)


def test_the_boxes_of_an_avif_say_light_and_colour(still: SideBySide, files: dict[str, bytes]) -> None:
    top = list(boxes(files["avif"]))
    assert [kind for kind, _ in top] == [b"ftyp", b"meta", b"mdat"]
    brand, version, others = top[0][1][:4], top[0][1][4:8], top[0][1][8:]
    assert (brand, version, others) == (b"avif", bytes(4), b"avifmif1miafMA1B")
    meta = dict(boxes(top[1][1][4:]))
    assert meta[b"hdlr"][8:12] == b"pict"
    assert meta[b"pitm"] == bytes((0, 0, 0, 0, 0, 1))
    start, length = struct.unpack(">2I", meta[b"iloc"][-8:])
    assert files["avif"][start : start + length] == top[2][1]
    properties = list(boxes(dict(boxes(meta[b"iprp"]))[b"ipco"]))
    said = dict(properties)
    assert struct.unpack(">4x2I", said[b"ispe"]) == (490, 135)
    assert said[b"pixi"][4:] == bytes((3, 10, 10, 10))
    assert struct.unpack(">4s3HB", said[b"colr"]) == (b"nclx", 9, 16, 9, 0x80)
    assert struct.unpack(">2H", said[b"clli"]) == (int(np.ceil(still.max_cll_nits)), int(np.ceil(still.max_fall_nits)))
    # ISO/IEC 14496-12 12.1.5: the primaries stand in the order G, B, R, as in the message of the bitstream
    assert struct.unpack(">8H2I", said[b"mdcv"]) == (8500, 39850, 6550, 2300, 35400, 14600, 15635, 16450, 40_000_000, 1)
    # AV1-ISOBMFF 2.3.3: marker and version, profile 0; 10 bits, 4:2:0
    assert said[b"av1C"][0] == 0x81
    assert said[b"av1C"][1] >> 5 == 0
    assert said[b"av1C"][2] & 0b0111_1100 == 0b0100_1100
    links = dict(boxes(meta[b"iprp"]))[b"ipma"][4:]
    assert struct.unpack(">IHB", links[:7]) == (1, 1, len(properties))
    assert [byte & 0x7F for byte in links[7:]] == list(range(1, len(properties) + 1))
    assert [properties[n][0] for n, byte in enumerate(links[7:]) if byte & 0x80] == [b"av1C"]
    header = top[2][1]
    assert header[0] == 0x0A  # AV1 5.3: a sequence header with its size; profile 3 bits, then still_picture, reduced header
    assert header[2] & 0b1111_1000 == 0b0001_1000


@pytest.mark.parametrize(("kind", "form", "matrix"), [("png", "rgb48be", 0), ("avif", "yuv420p10le", 9)])
def test_another_reader_sees_bt2020_pq_of_full_range(files: dict[str, bytes], kind: str, form: str, matrix: int) -> None:
    with av.open(io.BytesIO(files[kind])) as file:
        context = file.streams.video[0].codec_context
        stated = (context.color_primaries, context.color_trc, context.colorspace, context.color_range)
        frame = next(file.decode(video=0))
    assert stated == (9, 16, matrix, 2)
    assert (frame.color_primaries, frame.color_trc, frame.colorspace, frame.color_range) == (9, 16, matrix, 2)
    assert frame.format.name == form


def test_pillow_walks_the_chunks_of_a_png_and_reads_the_same_light(still: SideBySide, files: dict[str, bytes]) -> None:
    """Pillow's own reader of chunks, which holds each against its check sum; fields after PNG third edition 11.3.2.6 to 11.3.2.8."""
    pillow = pytest.importorskip("PIL.PngImagePlugin", reason="Pillow reads the chunks")
    stream = pillow.ChunkStream(io.BytesIO(files["png"][8:]))
    said: dict[bytes, bytes] = {}
    while b"IEND" not in said:
        kind, _, length = stream.read()
        body = stream.fp.read(length)
        stream.crc(kind, body)  # a SyntaxError where the sum is another
        said.setdefault(kind, body)
    kinds = list(said)
    assert kinds.index(b"cICP") < kinds.index(b"IDAT")
    primaries, transfer, matrix, full_range = said[b"cICP"]
    assert (primaries, transfer, matrix, full_range) == (9, 16, 0, 1)
    numbers = np.frombuffer(said[b"mDCV"], ">u2", 8) * 0.00002
    np.testing.assert_allclose(numbers, [0.708, 0.292, 0.17, 0.797, 0.131, 0.046, 0.3127, 0.329], atol=1.01e-5)  # BT.2020-2 Table 3
    np.testing.assert_allclose(np.frombuffer(said[b"mDCV"], ">u4", 2, 16) * 0.0001, [4000.0, 0.0001])
    levels = np.frombuffer(said[b"cLLI"], ">u4") * 0.0001
    np.testing.assert_allclose(levels, [still.max_cll_nits, still.max_fall_nits], rtol=1e-3)
    with pytest.raises(SyntaxError):  # and it does mind a sum
        stream.crc(b"cICP", b"")


@pytest.mark.parametrize("kind", HDR_KINDS)
def test_pillow_opens_both_and_sees_the_same_picture(still: SideBySide, files: dict[str, bytes], kind: str) -> None:
    """libpng and libavif behind Pillow, to 8 bits; AVIF is 4:2:0, so that single pixels may differ and the picture may not."""
    image = pytest.importorskip("PIL.Image", reason="Pillow opens the pictures")
    features = pytest.importorskip("PIL.features")
    if kind == "avif" and not features.check("avif"):
        pytest.skip("Pillow was built without AVIF")
    with image.open(io.BytesIO(files[kind])) as opened:
        found = np.asarray(opened.convert("RGB"), np.float64)
    wanted = still.code16 / 65535 * 255
    assert found.shape == wanted.shape
    assert np.abs(found - wanted).mean() < (0.6 if kind == "png" else 1.5)


@pytest.mark.parametrize("kind", HDR_KINDS)
def test_ffprobe_names_the_colour_of_both(files: dict[str, bytes], tmp_path: Path, kind: str) -> None:
    ffprobe = shutil.which("ffprobe")
    if ffprobe is None:
        pytest.skip("ffprobe is not installed")
    (tmp_path / f"still.{kind}").write_bytes(files[kind])
    command = [ffprobe, "-v", "error", "-show_frames", "-of", "json", str(tmp_path / f"still.{kind}")]
    (frame,) = json.loads(subprocess.run(command, capture_output=True, check=True, text=True).stdout)["frames"]
    assert (frame["width"], frame["height"], frame["color_range"]) == (490, 135, "pc")
    if kind == "png" and "color_transfer" not in frame:
        pytest.skip("this ffprobe does not read cICP")
    assert (frame["color_primaries"], frame["color_transfer"]) == ("bt2020", "smpte2084")
    if kind == "avif":
        assert (frame["color_space"], frame["pix_fmt"]) == ("bt2020nc", "yuv420p10le")


def test_a_mastering_display_that_is_not_whole_is_not_made_up(still: SideBySide) -> None:
    for declared in (
        None,
        dataclasses.replace(MASTERING, red_xy=None),
        dataclasses.replace(MASTERING, min_nits=None),
        dataclasses.replace(MASTERING, max_nits=0.001, min_nits=0.01),
        dataclasses.replace(MASTERING, max_nits=0.0),
    ):
        assert usable_mastering(declared) is None
        without = dataclasses.replace(still, mastering=declared)
        assert b"mDCV" not in dict(png_chunks(encode_hdr(without, "png")))
    assert usable_mastering(MASTERING) is not None
    assert b"mdcv" not in encode_hdr(dataclasses.replace(still, mastering=None), "avif")[:400]


def test_a_black_picture_states_no_levels() -> None:
    black = np.zeros((16, 24, 3), dtype=np.float32)
    dark = join_sides(MOMENT, hdr_nits=black, sdr_nits=black, white_nits=100.0)
    assert b"cLLI" not in dict(png_chunks(encode_hdr(dark, "png")))  # 0 would mean unknown (11.3.2.8)
    assert decode_hdr(encode_hdr(dark, "avif")).max() < 0.001


# ---------------------------------------------------------------- light


def test_a_png_comes_back_exactly_by_another_decoder(still: SideBySide, files: dict[str, bytes]) -> None:
    np.testing.assert_array_equal(imagecodecs.png_decode(files["png"]), still.code16)


@pytest.mark.parametrize("kind", HDR_KINDS)
def test_light_comes_back_within_two_percent(still: SideBySide, files: dict[str, bytes], kind: str) -> None:
    wanted = pq_to_nits(still.code16 / 65535)
    assert light_error(decode_hdr(files[kind]), wanted) < (0.02 if kind == "avif" else 1e-9)


def test_another_decoder_and_another_pq_find_the_light_of_an_avif(still: SideBySide, files: dict[str, bytes]) -> None:
    code = imagecodecs.avif_decode(files["avif"])
    assert code.dtype == np.uint16
    found, wanted = colour.models.eotf_ST2084(code / 1023) @ BT2020_WEIGHTS, wanted_light(still) @ BT2020_WEIGHTS
    for top in range(0, 120, 16):
        for left in range(0, 480, 16):
            block = (slice(top, top + 16), slice(left, left + 16))
            assert found[block].mean() == pytest.approx(wanted[block].mean(), rel=0.02, abs=0.02), block
    for percentile in (50, 99, 99.9):
        assert np.percentile(found, percentile) == pytest.approx(np.percentile(wanted, percentile), rel=0.02)


def test_the_same_light_is_the_same_on_both_sides_of_a_file() -> None:
    hdr = scene()[:128, :240]
    both = join_sides(MOMENT, hdr_nits=hdr, sdr_nits=hdr, white_nits=203.0)
    code = imagecodecs.png_decode(encode_hdr(both, "png"))
    np.testing.assert_array_equal(code[:, :240], code[:, -240:])
    light = decode_hdr(encode_hdr(both, "avif"))
    assert light_error(light[:, :240], light[:, -240:]) < 0.02


def block_error(found: NDArray[np.float64], wanted: NDArray[np.float64]) -> float:
    errors = []
    for top in range(0, wanted.shape[0], 16):
        for left in range(0, wanted.shape[1], 16):
            block = (slice(top, top + 16), slice(left, left + 16))
            is_now, was = ((light[block] @ BT2020_WEIGHTS).mean() for light in (found, wanted))
            errors.append(abs(is_now - was) / max(was, 1.0))
    return float(max(errors))


def test_saturated_lines_on_black_keep_their_luminance(monkeypatch: pytest.MonkeyPatch) -> None:
    neon = np.full((128, 192, 3), 0.02, dtype=np.float32)
    for number, colour_of in enumerate(((900.0, 0.0, 0.0), (0.0, 0.0, 900.0), (900.0, 0.0, 900.0))):
        for row in range(4 + 40 * number, 40 + 40 * number, 8):
            neon[row : row + 3, 10:180] = colour_of
    still = join_sides(MOMENT, hdr_nits=neon, sdr_nits=neon, white_nits=100.0)
    wanted = wanted_light(still)
    kept = block_error(decode_hdr(encode_hdr(still, "avif")), wanted)
    monkeypatch.setattr(hdr_image, "LUMA_SHARE", np.inf)  # plain 4:2:0
    plain = block_error(decode_hdr(encode_hdr(still, "avif")), wanted)
    assert kept < 0.02
    assert plain > 0.3


def test_the_error_of_light_is_found_where_it_is_planted() -> None:
    light = np.full((64, 64, 3), 50.0)
    assert light_error(light, light) == 0
    for change, share in ((1.03, 0.03), (0.9, 0.1)):
        block = light.copy()
        block[16:32, 32:48] *= change
        assert light_error(block, light) == pytest.approx(share)
    swapped = light * (1.0, 0.5, 0.2)
    assert light_error(swapped[..., ::-1], swapped) > 0.02
    assert light_error(np.full((64, 64, 3), 0.01), np.full((64, 64, 3), 0.02)) == pytest.approx(0.01)  # of 1 cd/m2


# ---------------------------------------------------------------- how they are written


@pytest.mark.parametrize("kind", HDR_KINDS)
def test_the_same_picture_gives_the_same_bytes(still: SideBySide, files: dict[str, bytes], kind: HdrKind) -> None:
    again = dataclasses.replace(still, code16=still.code16.copy())
    assert encode_hdr(again, kind) == files[kind]


def test_the_encoder_leaves_priority_and_surroundings_as_they_were() -> None:
    """In a process of its own: the encoder reads once, for good, how much it is to say."""
    lines = (
        "import os, numpy as np",
        "from pairdiff.stills.side_by_side import join_sides",
        "from pairdiff.writeup.hdr_image import encode_hdr",
        "from pairdiff._records import Moment",
        "moment = Moment('typical', 'why', 12, 15, 0.5, 0.625, '?', '?', 0)",
        "light = np.full((64, 64, 3), 120.0, np.float32)",
        "still = join_sides(moment, hdr_nits=light, sdr_nits=light, white_nits=100.0)",
        "before = os.sched_getscheduler(0), dict(os.environ)",
        "encode_hdr(still, 'avif')",
        "assert (os.sched_getscheduler(0), dict(os.environ)) == before",
    )
    done = subprocess.run([sys.executable, "-c", "\n".join(lines)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize("size", [(4, 4), (5, 5), (33, 7)])
def test_small_and_odd_pictures_are_written(tmp_path: Path, size: tuple[int, int]) -> None:
    light = np.full((*size, 3), 120.0, dtype=np.float32)
    small = join_sides(MOMENT, hdr_nits=light, sdr_nits=light, white_nits=100.0)
    for kind in HDR_KINDS:
        path = tmp_path / kind
        path.write_bytes(encode_hdr(small, kind))
        assert check_hdr(path, small) <= 0.02


def test_low_pictures_do_not_stall_the_encoder() -> None:
    light = np.geomspace(0.01, 900, 24 * 40 * 3).reshape(24, 40, 3).astype(np.float32)
    low = join_sides(MOMENT, hdr_nits=light, sdr_nits=light, white_nits=100.0)
    assert len({encode_hdr(low, "avif") for _ in range(20)}) == 1


def test_a_picture_too_low_for_the_encoder_is_refused() -> None:
    light = np.full((3, 16, 3), 120.0, dtype=np.float32)
    with pytest.raises(OutputRefused, match="The HDR picture could not be encoded as AVIF"):
        encode_hdr(join_sides(MOMENT, hdr_nits=light, sdr_nits=light, white_nits=100.0), "avif")


def test_written_pictures_are_listed_and_replaced(still: SideBySide, tmp_path: Path) -> None:
    ordinary = ordinary_still()
    paths = write_stills([ordinary], tmp_path, joined=[still])
    assert [path.name for path in paths] == ["01-f12-difference.png", "01-f12-hdr-side-by-side.png", "01-f12-hdr-side-by-side.avif"]
    listed = json.loads((tmp_path / "index.json").read_text())["moments"][0]["hdr_pictures"][0]
    assert [(one["kind"], one["file"], one["note"]) for one in listed["files"]] == [(p.suffix[1:], p.name, None) for p in paths[1:]]
    assert [one["bytes"] for one in listed["files"]] == [path.stat().st_size for path in paths[1:]]
    assert listed["files"][0]["light_error_share"] == 0
    assert 0 < listed["files"][1]["light_error_share"] < 0.02
    assert (listed["rows"], listed["columns"], listed["mastering"]) == (135, 490, True)
    write_stills([ordinary], tmp_path, joined=[still], kinds=("png",))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["01-f12-difference.png", "01-f12-hdr-side-by-side.png", "index.json"]


def ordinary_still() -> Any:
    from pairdiff.stills.draw import StillPicture

    return StillPicture(MOMENT, "difference", "words", np.zeros((4, 4, 3), dtype=np.uint8))


def brighter(still: SideBySide, kind: HdrKind) -> bytes:
    light = pq_to_nits(still.code16 / 65535) * 1.04
    code = np.rint(colour.models.eotf_inverse_ST2084(light) * 65535).astype(np.uint16)
    return encode_hdr(dataclasses.replace(still, code16=code), kind)


def untagged(still: SideBySide, kind: HdrKind) -> bytes:
    data = encode_hdr(still, kind)
    if kind == "avif":
        return data.replace(b"nclx\x00\x09\x00\x10", b"nclx\x00\x01\x00\x0d")
    return b"".join(
        [data[:8], *(struct.pack(">I", len(b)) + k + b + struct.pack(">I", zlib.crc32(k + b)) for k, b in png_chunks(data) if k != b"cICP")]
    )


def cropped(still: SideBySide, kind: HdrKind) -> bytes:
    return encode_hdr(dataclasses.replace(still, code16=np.ascontiguousarray(still.code16[:-2])), kind)


def refused(still: SideBySide, kind: HdrKind) -> bytes:
    raise OutputRefused("The HDR picture could not be encoded: no such encoder.")


@pytest.mark.parametrize("kind", HDR_KINDS)
@pytest.mark.parametrize(
    ("spoilt", "words"),
    [
        (brighter, r"decoded again, is off by [345]\.\d %, more than 2 %\."),
        (untagged, "where .* was written"),
        (cropped, "was decoded with the shape"),
        (lambda still, kind: encode_hdr(still, kind)[:300], "cannot be decoded again"),
        (refused, "could not be encoded"),
    ],
)
def test_a_file_that_does_not_hold_is_not_left_there(
    still: SideBySide, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: HdrKind, spoilt: Any, words: str
) -> None:
    (tmp_path / f"01-f12-hdr-side-by-side.{kind}").write_bytes(b"of an earlier run")
    data: bytes | None = None if spoilt is refused else spoilt(still, kind)
    monkeypatch.setattr(hdr_image, "encode_hdr", refused if data is None else lambda still, kind: data)
    write_stills([ordinary_still()], tmp_path, joined=[still], kinds=(kind,))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["01-f12-difference.png", "index.json"]
    listed = json.loads((tmp_path / "index.json").read_text())["moments"][0]["hdr_pictures"][0]["files"]
    assert listed[0]["file"] is None
    assert re.search(words, listed[0]["note"]), listed


def test_an_encoder_that_gives_nothing_is_refused(still: SideBySide, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hdr_image, "AVIF_QUALITY", {"preset": "no number"})
    with pytest.raises(OutputRefused, match="could not be encoded as AVIF"):
        encode_hdr(still, "avif")


# ---------------------------------------------------------------- a browser

DECODED = """async ([data, type]) => {
  const decoder = new ImageDecoder({data: Uint8Array.from(atob(data), one => one.charCodeAt(0)), type})
  const frame = (await decoder.decode()).image, space = frame.colorSpace.toJSON(), format = frame.format
  frame.close()
  return {...space, format}
}"""


def test_a_browser_decodes_both_as_pq(files: dict[str, bytes], tmp_path: Path) -> None:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright drives the browser")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed")
    for kind, data in files.items():
        (tmp_path / f"a.{kind}").write_bytes(data)
    (tmp_path / "page.html").write_text('<!doctype html><title>a</title><img src="a.png"><img src="a.avif">')
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--disable-gpu", "--disable-background-networking"])
        tab = browser.new_page()
        tab.goto((tmp_path / "page.html").resolve().as_uri())
        sizes = tab.evaluate("[...document.images].map(image => [image.naturalWidth, image.naturalHeight])")
        spaces = {kind: tab.evaluate(DECODED, [base64.b64encode(data).decode(), f"image/{kind}"]) for kind, data in files.items()}
        browser.close()
    assert sizes == [[490, 135], [490, 135]]
    for kind, space in spaces.items():
        assert (space["primaries"], space["transfer"]) == ("bt2020", "pq"), kind
    assert spaces["avif"]["format"] == "I420P10"
