"""The HDR rendition of an AVIF picture with a gain map is what the standard's formula gives; what cannot be applied is refused in words.

The formula of ISO 21496-1 clause 6 is written here once more, from the standard; base and map are those that were encoded, the map is
brought to size by OpenCV and colours by colour-science.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import colour
import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pairdiff import _pipeline
from pairdiff._errors import InputRefused, PairdiffError, SignalUnresolved
from pairdiff._settings import Settings
from pairdiff.clip import heif_items, probe, renditions
from pairdiff.clip.gain_map import base_item_number, find_gain_map, gain_map_state, parse_gain_map
from pairdiff.clip.heif_items import ItemFault
from pairdiff.clip.linear import AVIF_GAIN_MAP, linear_kind, read_linear
from pairdiff.clip.renditions import read_parts
from pairdiff.frames.joined import open_reader
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.light.gain_map import apply_gain_map
from tests._gain_map_avif import PLAIN, Channel, Parts, box, encode_av1, full, ispe, make_parts, nclx, numbers, smooth

pytest.importorskip("imagecodecs")
Floats = NDArray[np.floating[Any]]
ROWS, COLUMNS = 70, 94
SPACES = {"bt709": "ITU-R BT.709", "p3-d65": "Display P3", "bt2020": "ITU-R BT.2020"}
THREE: tuple[Channel, ...] = ((0.0, 2.0, 1.0, 1 / 64, 1 / 64), (-0.25, 1.5, 0.5, 0.0, 1 / 32), (0.25, 2.5, 2.0, 1 / 32, 0.0))


def map_codes(rows: int, columns: int, *, channels: int = 1) -> NDArray[np.uint8]:
    down, across = np.mgrid[0:rows, 0:columns].astype(np.float64)
    waves = [0.5 + 0.4 * np.cos(across / columns * 4 + turn) * np.sin(down / rows * 3 + 1) for turn in range(channels)]
    codes = np.round(np.stack(waves, -1) * 255).astype(np.uint8)
    return codes[..., 0] if channels == 1 else codes


def write(path: Path, parts: Parts) -> str:
    path.write_bytes(parts.file())
    return str(path)


def rendition(path: str, *, side: Any = "hdr", **stated: Any) -> Floats:
    return _pipeline._make_rendition(read_parts(path, side=side, settings=Settings(**stated)))


def convert(light: Floats, source: str, target: str) -> Floats:
    matrix = colour.matrix_RGB_to_RGB(colour.RGB_COLOURSPACES[SPACES[source]], colour.RGB_COLOURSPACES[SPACES[target]])
    return np.asarray(light @ matrix.T)


def by_formula(base: Floats, coded: Floats, channels: tuple[Channel, ...], *, weight: float = 1.0) -> Floats:
    """ISO 21496-1 clause 6: light from light, and the map between 0 and 1."""
    if coded.shape[:2] != base.shape[:2]:
        coded = cv2.resize(coded, base.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    coded = coded.reshape(*base.shape[:2], -1)
    least, most, gamma, base_offset, offset = np.array(channels).T
    log2_gain = least + (most - least) * coded ** (1 / gamma)
    return np.asarray((base + base_offset) * 2 ** (weight * log2_gain) - offset)


def near(found: Floats, wanted: Floats) -> None:
    np.testing.assert_allclose(found, wanted, rtol=0.005, atol=1e-4)


# ------------------------------------------------------------- what comes out


@pytest.mark.parametrize("map_size", [(ROWS, COLUMNS), (ROWS // 2, COLUMNS // 2), (9, 13), (1, 1)])
@pytest.mark.parametrize("channels", [PLAIN, ((0.5, 2.5, 0.45, 0.0, 0.0),), ((-1.0, 1.0, 2.2, 1 / 16, 1 / 32),)])
def test_a_grey_map_is_applied_as_the_standard_says(tmp_path: Path, channels: tuple[Channel, ...], map_size: tuple[int, int]) -> None:
    codes, coded = smooth(ROWS, COLUMNS, top=255), map_codes(*map_size)
    path = write(tmp_path / "a.avif", make_parts(codes, coded, numbers(channels), points=(1, 13, 0)))
    found = rendition(path)
    assert (found.dtype, found.shape) == (np.float32, (ROWS, COLUMNS, 3))
    near(found, by_formula(colour.models.eotf_sRGB(codes / 255), coded / 255, channels))


@pytest.mark.parametrize("in_base", [False, True])
@pytest.mark.parametrize(("base", "other"), [("p3-d65", "bt2020"), ("bt709", "p3-d65"), ("bt709", "bt709"), ("bt709", None)])
def test_a_map_of_colours_is_applied_in_the_primaries_that_the_file_says(
    tmp_path: Path, base: str, other: str | None, in_base: bool
) -> None:
    codes, coded = smooth(ROWS, COLUMNS, top=1023), map_codes(ROWS // 2, COLUMNS // 2, channels=3)
    point = {"bt709": 1, "p3-d65": 12, "bt2020": 9}
    parts = make_parts(
        codes,
        coded,
        numbers(THREE, in_base=in_base),
        points=(point[base], 13, 0),
        other=None if other is None else (point[other], 16, 0),
        base_how={"bitspersample": 10},
    )
    path = write(tmp_path / "a.avif", parts)
    target = other or base
    light = colour.models.eotf_sRGB(codes / 1023)
    ways = {
        True: convert(by_formula(light, coded / 255, THREE), base, target),
        False: by_formula(convert(light, base, target), coded / 255, THREE),
    }
    near(rendition(path), ways[in_base])
    assert np.allclose(ways[True], ways[False], rtol=0.01) == (base == target)
    read = read_parts(path, side="hdr", settings=Settings())
    assert (read.base_primaries, read.primaries, read.source) == (base, target, "container" if other else "base picture")


@pytest.mark.parametrize("form", ["444", "422", "420"])
def test_a_base_in_chroma_of_less_samples_is_read_as_another_library_reads_it(tmp_path: Path, form: str) -> None:
    import imagecodecs

    codes, coded = smooth(64, 96, top=1023), map_codes(32, 48)
    parts = make_parts(codes, coded, numbers(), points=(1, 13, 1), base_how={"bitspersample": 10, "pixelformat": form})
    path = write(tmp_path / "a.avif", parts)
    theirs = imagecodecs.avif_decode(Path(path).read_bytes())
    assert theirs.dtype == np.uint16
    wanted = by_formula(colour.models.eotf_sRGB(theirs / 1023), coded / 255, PLAIN)
    np.testing.assert_allclose(rendition(path)[2:-2, 2:-2], wanted[2:-2, 2:-2], rtol=0.01 if form != "444" else 0.006, atol=1e-3)


def test_a_jpeg_of_the_same_base_and_map_has_the_same_rendition(tmp_path: Path) -> None:
    """Read by the library that reads JPEG ones; its base is Display P3 and its rendition BT.709."""
    import imagecodecs

    across = np.linspace(0.05, 4, 160)
    light = np.stack([np.repeat((across * share)[None], 96, 0) for share in (1.0, 0.9, 0.8)], -1)
    jpeg = tmp_path / "photo.jpg"
    jpeg.write_bytes(imagecodecs.ultrahdr_encode(np.concatenate([light, np.ones((96, 160, 1))], -1).astype(np.float16)))
    data = jpeg.read_bytes()
    mark = b"urn:iso:std:iso:ts:21496:-1\0"
    head = data[data.rindex(mark) + len(mark) :]
    values = struct.unpack(">iIiIIIiIiI", head[21:61])  # as tests/whole/test_linear_pictures.py says
    channel = tuple(values[n] / values[n + 1] for n in range(0, 10, 2))
    second = data.rindex(b"\xff\xd8\xff")
    base, gain = (cv2.imdecode(np.frombuffer(one, np.uint8), cv2.IMREAD_UNCHANGED) for one in (data[:second], data[second:]))
    coded = np.ascontiguousarray(gain if gain.ndim == 2 else gain[..., 0])
    payload = numbers((channel,), headrooms=(0.0, channel[1]))  # type: ignore[arg-type]
    parts = make_parts(np.ascontiguousarray(base[..., ::-1]), coded, payload, points=(12, 13, 0), other=(1, 16, 0))
    ours = rendition(write(tmp_path / "photo.avif", parts))
    theirs = read_linear(str(jpeg), kind="gain map", side="hdr", most_megapixels=80)
    assert np.median(np.abs(ours - theirs) / theirs) < 0.01
    assert ours.mean() == pytest.approx(theirs.mean(), rel=0.01)


SHAPES: dict[str, dict[str, Any]] = {
    "data in the head": {"in_head": ("tmap",), "place_version": 1},
    "all in the head": {"in_head": ("base", "map", "tmap"), "place_version": 1},
    "wide numbers": {"wide": True},
    "in pieces": {"pieces": 3},
    "in pieces in the head": {"pieces": 3, "in_head": ("map", "tmap"), "wide": True},
    "map first": {"order": ("map", "tmap", "base")},
    "map of the lower number": {"numbered": {"base": 7, "map": 2, "tmap": 4}, "order": ("map", "base", "tmap")},
    "brand": {"brand": b"mif1"},
}


@pytest.mark.parametrize("shape", SHAPES)
def test_however_the_boxes_lie_it_is_the_same_picture(tmp_path: Path, shape: str) -> None:
    plain = make_parts(smooth(ROWS, COLUMNS, top=255), map_codes(35, 47), numbers(THREE[1:2]), points=(1, 13, 0))
    wanted = rendition(write(tmp_path / "plain.avif", plain))
    path = write(tmp_path / "other.avif", replace(plain, **SHAPES[shape]))
    assert linear_kind(path) == AVIF_GAIN_MAP
    np.testing.assert_array_equal(rendition(path), wanted)


@pytest.mark.parametrize("shape", ["map first", "map of the lower number"])
def test_the_sdr_side_is_the_base_and_not_the_map_that_lies_before_it(tmp_path: Path, shape: str) -> None:
    codes = smooth(ROWS, COLUMNS, top=255)
    parts = make_parts(codes, map_codes(ROWS, COLUMNS), numbers(), points=(1, 13, 1))
    path = write(tmp_path / "a.avif", replace(parts, **SHAPES[shape]))
    stated = Settings(sdr_transfer="bt1886")
    for side in ("sdr", None):
        release = _pipeline._probe(path, side=side, settings=stated, hash_whole=False, fresh=False, tell=_pipeline._silent)  # type: ignore[arg-type]
        assert probe.NOTE_BASE in release.notes
        assert not any("further video stream" in note for note in release.notes)
        with open_reader(release) as reader:
            np.testing.assert_allclose(planes_to_rgb(next(reader).planes, release.signal), codes / 255, atol=2 / 255)


def test_a_base_of_display_p3_is_brought_to_bt709_for_the_sdr_side(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path))
    codes = smooth(ROWS, COLUMNS, top=255)
    path = write(tmp_path / "a.avif", make_parts(codes, map_codes(ROWS, COLUMNS), numbers(), points=(12, 13, 1)))
    stated = Settings(sdr_transfer="bt1886")
    release = _pipeline._probe(path, side="sdr", settings=stated, hash_whole=False, fresh=False, tell=_pipeline._silent)
    assert release.signal.primaries.value == "bt709"
    shown = cv2.imread(str(release.opened), cv2.IMREAD_UNCHANGED)[..., ::-1] / 65535
    wanted = np.clip(convert(colour.models.eotf_sRGB(codes / 255), "p3-d65", "bt709"), 0, 1)
    assert np.abs(shown - colour.models.eotf_inverse_sRGB(wanted)).max() < 2.5 / 255


def test_what_is_stated_of_primaries_goes_before_the_file(tmp_path: Path) -> None:
    parts = make_parts(smooth(32, 32, top=255), map_codes(32, 32), numbers(), points=(1, 13, 0), other=(1, 16, 0))
    path = write(tmp_path / "a.avif", parts)
    found = read_parts(path, side="hdr", settings=Settings(hdr_primaries="bt2020", sdr_primaries="p3-d65"))
    assert (found.base_primaries, found.primaries, found.source) == ("p3-d65", "bt2020", "option")
    near(rendition(path, hdr_primaries="bt2020"), convert(rendition(path), "bt709", "bt2020"))


def test_where_nothing_is_stated_of_the_base_it_is_what_the_format_says(tmp_path: Path) -> None:
    """ISO/IEC 23000-22 7.3.6.4: sRGB, BT.709; the bitstream is silent here but for its matrix."""
    codes = smooth(32, 32, top=255)
    parts = make_parts(codes, map_codes(32, 32), numbers(), points=(2, 2, 0))
    parts.properties["base"] = parts.properties["base"][:2]
    near(rendition(write(tmp_path / "a.avif", parts)), by_formula(colour.models.eotf_sRGB(codes / 255), map_codes(32, 32) / 255, PLAIN))


# ------------------------------------------------------------- a base that is HDR


def hdr_based(**how: Any) -> tuple[NDArray[Any], NDArray[np.uint8], Parts]:
    codes, coded = smooth(ROWS, COLUMNS, top=1023), map_codes(ROWS, COLUMNS)
    payload = numbers(PLAIN, headrooms=(2.0, 0.0))
    points = {"points": (9, 16, 0), "other": (1, 13, 0)} | how
    return codes, coded, make_parts(codes, coded, payload, base_how={"bitspersample": 10}, **points)


def test_the_sdr_rendition_of_a_base_that_is_hdr_is_made_of_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Clause 6: the weight is -1; the light of PQ is 1 at 203 cd/m2 (ITU-R BT.2408-7)."""
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path))
    codes, coded, parts = hdr_based()
    path = write(tmp_path / "a.avif", parts)
    assert (gain_map_state(path), linear_kind(path)) == ("base is hdr", None)
    light = colour.models.eotf_ST2084(codes / 1023) / 203
    wanted = convert(by_formula(light, coded / 255, PLAIN, weight=-1.0), "bt2020", "bt709")
    near(rendition(path, side="sdr"), wanted)
    sides = [
        _pipeline._probe(path, side=side, settings=Settings(), hash_whole=False, fresh=False, tell=_pipeline._silent)  # type: ignore[arg-type]
        for side in ("hdr", "sdr")
    ]
    probe.check_pair(*sides)
    assert sides[0].signal.transfer.value == "pq"
    assert "the SDR rendition of a picture whose base is HDR" in sides[1].notes[0]
    shown = cv2.imread(str(sides[1].opened), cv2.IMREAD_UNCHANGED)[..., ::-1] / 65535
    assert np.abs(shown - colour.models.eotf_inverse_sRGB(np.clip(wanted, 0, 1))).max() < 0.005


def test_a_base_that_is_hdr_needs_no_gain_map_to_be_the_hdr_release(tmp_path: Path) -> None:
    parts = hdr_based()[2]
    path = write(tmp_path / "a.avif", replace(parts, data={**parts.data, "tmap": b"no numbers"}))
    assert (gain_map_state(path), linear_kind(path)) == ("base is hdr", None)
    with pytest.raises(InputRefused, match=r"The gain map of the SDR release .* cannot be applied: its numbers are of a version"):
        _pipeline._probe(path, side="sdr", settings=Settings(), hash_whole=False, fresh=False, tell=_pipeline._silent)


def test_a_base_of_hlg_is_refused_for_the_sdr_side(tmp_path: Path) -> None:
    path = write(tmp_path / "a.avif", hdr_based(points=(9, 18, 0))[2])
    with pytest.raises(SignalUnresolved, match=r"has the transfer hlg \(code point 18\), from which its SDR rendition is not made here"):
        read_parts(path, side="sdr", settings=Settings())


# ------------------------------------------------------------- what is refused


def spoil(**changes: Any) -> Callable[[Parts], Parts]:
    return lambda parts: replace(parts, **changes)


def add(name: str, *properties: bytes, essential: bool = False) -> Callable[[Parts], Parts]:
    def done(parts: Parts) -> Parts:
        listed = {**parts.properties, name: [*parts.properties[name], *properties]}
        marks = (*parts.essential, *(one[4:8] for one in properties)) if essential else parts.essential
        return replace(parts, properties=listed, essential=marks)

    return done


def change(name: str, place: int, body: bytes | None) -> Callable[[Parts], Parts]:
    def done(parts: Parts) -> Parts:
        listed = list(parts.properties[name])
        listed[place : place + 1] = [] if body is None else [body]
        return replace(parts, properties={**parts.properties, name: listed})

    return done


def data(name: str, body: bytes) -> Callable[[Parts], Parts]:
    return lambda parts: replace(parts, data={**parts.data, name: body})


REFUSED: dict[str, tuple[Callable[[Parts], Parts], str]] = {
    "one part": (spoil(made_of=("base",)), "its rendition is made of 1 pictures in place of a base and a gain map"),
    "twice the same": (spoil(made_of=("base", "base")), "base or gain map is not listed in the file, or both are the same"),
    "no such item": (spoil(order=("base", "tmap")), "base or gain map is not listed"),
    "grid": (spoil(kinds={"base": b"grid", "map": b"av01", "tmap": b"tmap"}), r"base is coded as 'grid', and only one AV1 picture"),
    "encrypted": (spoil(protected=("map",)), "its pictures are encrypted"),
    "turned": (add("base", box(b"irot", b"\1")), r"its base is turned by its file \(irot\), which is not done here"),
    "mirrored": (add("map", box(b"imir", b"\1")), r"its gain map is mirrored by its file \(imir\)"),
    "cut": (add("tmap", box(b"clap", bytes(32))), r"its rendition is cut by its file \(clap\)"),
    "unknown": (add("base", box(b"abcd", b""), essential=True), "its base has a property that it cannot be read without .'abcd'."),
    "no size": (change("base", 0, None), r"its item 1 states no size \(ispe\)"),
    "other size": (change("tmap", 0, ispe(5, 6)), r"its rendition is of another size \(5 x 6\) than its base \(94 x 70\)"),
    "smaller": (lambda parts: change("base", 0, ispe(47, 35))(change("tmap", 0, ispe(47, 35))(parts)), "base cannot be decoded"),
    "larger": (change("map", 0, ispe(400, 300)), "its gain map is of 94 x 70, where the file states 400 x 300"),
    "no record": (change("map", 1, None), r"its gain map does not say how it is coded \(av1C\)"),
    "no picture": (data("map", b"\0\1\2\3"), "its gain map cannot be decoded"),
    "nothing": (data("tmap", b""), "its numbers are cut off"),
    "behind the end": (data("tmap", numbers()[:-1]), r"its numbers are cut off \(61 bytes in place of 62\)"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_applied_is_refused_with_what_is_wrong(tmp_path: Path, what: str) -> None:
    change_parts, words = REFUSED[what]
    parts = make_parts(smooth(ROWS, COLUMNS, top=255), map_codes(ROWS, COLUMNS), numbers(), points=(1, 13, 0))
    path = write(tmp_path / "a.avif", change_parts(parts))
    with pytest.raises(
        InputRefused, match=r"The gain map of the HDR release .*a\.avif cannot be applied: .*Save the picture again"
    ) as caught:
        read_parts(path, side="hdr", settings=Settings())
    assert caught.match(words)
    assert linear_kind(path) == AVIF_GAIN_MAP  # so that it is refused, and not measured as something else


def test_a_picture_beyond_the_limit_is_refused_before_it_is_decoded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parts = make_parts(smooth(ROWS, COLUMNS, top=255), map_codes(ROWS, COLUMNS), numbers(), points=(1, 13, 0))
    path = write(tmp_path / "a.avif", parts)
    monkeypatch.setattr(renditions, "read_item", lambda *_: pytest.fail("read"))
    with pytest.raises(InputRefused, match=r"has a base of 94 x 70; the limit is 0\.005 million pixels \(--picture-limit-megapixels\)"):
        read_parts(path, side="hdr", settings=Settings(picture_limit_megapixels=0.005))


@pytest.mark.parametrize(
    ("how", "stated", "words"),
    [
        (
            {"points": (1, 8, 0)},
            {},
            r"base picture of .* has the transfer linear \(code point 8\), from which its HDR rendition is",
        ),
        ({"points": (1, 16, 0)}, {}, r"has the transfer pq \(code point 16\)"),
        ({"points": (4, 13, 0)}, {}, r"base picture of .* has the primaries BT\.470 M \(code point 4\), .*state them with --sdr-primaries"),
        ({"points": (1, 13, 0), "other": (5, 16, 0)}, {}, r"The HDR rendition of .* has the primaries BT\.601 625.*--hdr-primaries"),
        ({"points": (1, 13, 8)}, {}, r"coded by the matrix YCgCo \(code point 8\), which is not read here for 444"),
        ({"points": (1, 13, 1)}, {"sdr_matrix": "rgb"}, "which is not read here for 444"),
    ],
    ids=["linear", "pq", "primaries", "other primaries", "matrix", "stated matrix"],
)
def test_colours_that_are_not_read_are_refused(tmp_path: Path, how: dict[str, Any], stated: dict[str, Any], words: str) -> None:
    base_how = {"matrix": 1} if how["points"][2] else {}
    parts = make_parts(smooth(32, 32, top=255), map_codes(32, 32), numbers(), base_how=base_how, **how)
    with pytest.raises(SignalUnresolved, match=words):
        read_parts(write(tmp_path / "a.avif", parts), side="hdr", settings=Settings(**stated))


def test_a_gain_map_of_heic_is_told_of_and_refused_as_the_hdr_release(tmp_path: Path) -> None:
    parts = make_parts(smooth(32, 32, top=255), map_codes(32, 32), numbers(), points=(1, 13, 0))
    heic = replace(parts, kinds={"base": b"hvc1", "map": b"hvc1", "tmap": b"tmap"}, brand=b"heic")
    path = write(tmp_path / "a.heic", heic)
    assert (gain_map_state(path), linear_kind(path)) == ("not applied", None)
    assert probe.note_gain_map(path, "mov,mp4") == (probe.NOTE_GAIN_MAP,)
    with pytest.raises(InputRefused, match=r"its base is coded as 'hvc1', and only one AV1 picture in one piece"):
        find_gain_map(path, side="hdr")
    sdr = write(tmp_path / "a.avif", parts)
    release = probe.probe_release(sdr, side="hdr", settings=Settings(hdr_transfer="bt1886"))
    with pytest.raises(InputRefused, match=r"is SDR, and its gain map is not applied: .*Give its HDR rendition as a picture of its own"):
        probe.check_pair(replace(release, notes=(probe.NOTE_GAIN_MAP,)), release)


# ------------------------------------------------------------- the numbers


def test_the_numbers_are_those_that_were_written() -> None:
    found = parse_gain_map(numbers(THREE, headrooms=(0.5, 3.25), in_base=False))
    columns = list(zip(*THREE, strict=True))
    assert (found.base_headroom, found.alternate_headroom, found.in_base_primaries) == (0.5, 3.25, False)
    assert [found.least, found.most, found.gamma, found.base_offset, found.alternate_offset] == columns
    one = parse_gain_map(numbers(THREE[1:2]))
    assert (one.least, one.gamma, one.in_base_primaries) == ((-0.25,) * 3, (0.5,) * 3, True)


def test_more_numbers_of_a_later_writer_are_left_alone() -> None:
    later = struct.pack(">BHH", 0, 0, 1) + numbers()[5:] + b"more"
    assert parse_gain_map(later) == parse_gain_map(numbers())


def put(place: int, *values: int) -> bytes:
    whole = bytearray(numbers())
    whole[place : place + 4 * len(values)] = struct.pack(f">{len(values)}I", *values)
    return bytes(whole)


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"\1" + numbers()[1:], r"numbers are of a version that is not known \(item 1, numbers 0\)"),
        (b"\0\0\1" + numbers()[3:], r"\(item 0, numbers 1\)"),
        (numbers()[:5], "numbers are cut off"),
        (numbers(THREE)[:100], r"numbers are cut off \(100 bytes in place of 142\)"),
        (numbers() + b"\0", r"numbers are too many \(63 bytes in place of 62\)"),
        (put(10, 0), "headroom are divided by 0"),
        (put(26, 0), "numbers are divided by 0"),
        (numbers(headrooms=(1.0, 1.0)), r"two renditions have the same headroom \(1 stops\)"),
        (numbers(headrooms=(0.0, 33.0)), "go beyond 32 stops, which is no light"),
        (numbers(((-40.0, 0.0, 1.0, 0.0, 0.0),)), "go beyond 32 stops"),
        (numbers(((2.0, 1.0, 1.0, 0.0, 0.0),)), "least gain is above its most"),
        (numbers(((0.0, 1.0, 0.0, 0.0, 0.0),)), "gamma is 0"),
    ],
)
def test_numbers_that_no_gain_map_has_are_refused(payload: bytes, words: str) -> None:
    with pytest.raises(ItemFault, match=words):
        parse_gain_map(payload)


# ------------------------------------------------------------- the boxes


def items_of(tmp_path: Path, *boxes: bytes) -> heif_items.Items | None:
    path = tmp_path / "boxes.avif"
    path.write_bytes(box(b"ftyp", b"avif\0\0\0\0") + full(b"meta", b"".join(boxes)))
    return heif_items.read_items(str(path))


def infe(number: int) -> bytes:
    return full(b"infe", struct.pack(">HH4s", number, 0, b"av01") + b"\0", version=2)


@pytest.mark.parametrize(
    ("boxes", "words"),
    [
        ([b"\0\0\0\x40free"], r"list of items \(`meta`\) is cut off"),
        ([b"\0\0\0\1free\0\0\0\0\0\0\0\4"], r"list of items \(`meta`\) is cut off"),
        ([box(b"free", b"")] * 1001, "holds more than 1000 boxes"),
        ([full(b"iinf", b"\0\2" + infe(1) + infe(1))], r"names of items \(`iinf`\) name item 1 twice"),
        ([full(b"iinf", b"\0\1" + infe(1)[:-6])], r"names of items \(`iinf`\) is cut off"),
        ([full(b"iloc", b"\x44\0\0\0", version=3)], r"places of items \(`iloc`\) are of version 3, which is not known"),
        ([full(b"iloc", b"\x24\0\0\0")], "are of numbers of 2, 4, 0 and 0 bytes"),
        ([full(b"iloc", b"\x44\0\xff\xff")], r"\(`iloc`\) is cut off"),
        ([full(b"iloc", b"\0\0\0\1" + b"\0\1\0\0\x03\xe9")], "cut item 1 into 1001 pieces, more than the limit of 1000"),
        ([full(b"iloc", b"\0\0\0\2" + b"\0\1\0\0\0\0" * 2)], r"\(`iloc`\) name item 1 twice"),
        ([full(b"iref", box(b"dimg", b"\0\3\0\2\0\1"))], r"references of items \(`iref`\) is cut off"),
        ([box(b"iprp", box(b"ipco", b"") + full(b"ipma", b"\0\0\0\1\0\1\1\1"))], r"properties of items \(`iprp`\) name number 1 of 0"),
        ([box(b"iprp", full(b"ipma", b"\xff\xff\xff\xff\0\1"))], r"\(`iprp`\) is cut off"),
    ],
)
def test_boxes_that_do_not_fit_are_faults(tmp_path: Path, boxes: list[bytes], words: str) -> None:
    with pytest.raises(ItemFault, match=words):
        items_of(tmp_path, *boxes)


def test_what_is_no_picture_of_items_has_none(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    endless = struct.pack(">I4sQ", 1, b"free", 2**64 - 1)
    picture = box(b"ftyp", b"avif")
    for head in (box(b"ftyp", b"isom"), b"", b"\xff\xd8", picture, picture + b"\0\0\0\4meta", picture + endless):
        path.write_bytes(head)
        assert heif_items.read_items(str(path)) is None
        assert (gain_map_state(str(path)), base_item_number(str(path))) == (None, None)
    assert gain_map_state(str(tmp_path)) is base_item_number(str(tmp_path)) is None
    path.write_bytes(box(b"ftyp", b"avif") + b"\0\xff\0\0meta")
    with pytest.raises(ItemFault, match="cut off, or too long"):
        heif_items.read_items(str(path))
    plain = items_of(tmp_path, full(b"iinf", b"\0\1" + infe(1)))
    assert plain is not None
    assert gain_map_state(str(tmp_path / "boxes.avif")) is None
    with pytest.raises(InputRefused, match="its list of items names none"):
        find_gain_map(str(tmp_path / "boxes.avif"), side="hdr")


@pytest.mark.parametrize(
    ("item", "words"),
    [
        ({"method": 2}, r"item 1 does not lie in the file itself \(construction method 2\)"),
        ({"elsewhere": True}, "does not lie in the file itself"),
        ({"extents": ()}, "item 1 has no place in the file"),
        ({"extents": ((90, 20),)}, "item 1 lies behind the end of the file"),
        ({"extents": ((2, 4),), "method": 1}, "item 1 lies behind the end of the data in its head"),
        ({"extents": ((0, 60),) * 1000}, "item 1 is of 60000 bytes, more than the limit of 50000"),
    ],
)
def test_items_that_do_not_lie_in_the_file_are_faults(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, item: dict[str, Any], words: str
) -> None:
    monkeypatch.setattr(heif_items, "MOST_ITEM_BYTES", 50_000)
    path = tmp_path / "a"
    path.write_bytes(bytes(range(100)))
    plain = heif_items.Item(1, b"av01", False, (), 0, False, ((90, 4), (96, 0)), ())
    items = heif_items.Items({}, b"12345")
    assert heif_items.read_item(str(path), items, plain) == bytes([90, 91, 92, 93, 96, 97, 98, 99])
    assert heif_items.read_item(str(path), items, replace(plain, method=1, extents=((1, 2), (4, 0)))) == b"235"
    with pytest.raises(ItemFault, match=words):
        heif_items.read_item(str(path), items, replace(plain, **item))


def test_boxes_of_64_bit_sizes_and_up_to_the_end_are_read(tmp_path: Path) -> None:
    path = tmp_path / "a.avif"
    body = bytes(4) + full(b"iinf", b"\0\1" + infe(9))
    for meta in (struct.pack(">I4sQ", 1, b"meta", 16 + len(body)) + body, struct.pack(">I4s", 0, b"meta") + body):
        path.write_bytes(box(b"ftyp", b"avif") + box(b"free", b"1") + meta)
        items = heif_items.read_items(str(path))
        assert items is not None
        assert list(items.listed) == [9]


# ------------------------------------------------------------- spoilt files


@pytest.fixture(scope="module")
def sound() -> bytes:
    return make_parts(smooth(16, 24, top=255), map_codes(8, 12), numbers(), points=(1, 13, 0)).file()


@settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=6), st.floats(0, 1) | st.just(1.0))
def test_a_spoilt_file_is_a_picture_or_refused(
    sound: bytes, tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[float, int]], kept: float
) -> None:
    spoilt = bytearray(sound)
    for place, value in changes:
        spoilt[min(int(place * len(spoilt)), len(spoilt) - 1)] = value
    path = tmp_path_factory.getbasetemp() / "spoilt.avif"
    path.write_bytes(spoilt[: max(int(kept * len(spoilt)), 1)])
    kind = linear_kind(str(path))
    assert kind in (AVIF_GAIN_MAP, None)
    try:
        found = rendition(str(path))
    except PairdiffError:
        return
    assert found.shape[2] == 3
    assert np.isfinite(found).all()


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=160) | st.builds(lambda one, tail: numbers()[:one] + tail, st.integers(0, 62), st.binary(max_size=60)))
def test_any_numbers_give_light_or_are_refused(payload: bytes) -> None:
    try:
        found = parse_gain_map(payload)
    except ItemFault:
        return
    light = apply_gain_map(
        np.ones((1, 1, 3)), np.full((1, 1, 3), 0.5), numbers=found, base_transfer="srgb", base_primaries="bt709", primaries="bt2020"
    )
    assert np.isfinite(light).all()


def test_the_encoder_of_these_tests_writes_what_another_library_reads() -> None:
    """The base, read by libavif, which takes the file as one with a gain map and refuses boxes that contradict themselves."""
    import imagecodecs

    codes = smooth(32, 48, top=255)
    parts = make_parts(codes, map_codes(16, 24), numbers(), points=(1, 13, 0))
    np.testing.assert_array_equal(imagecodecs.avif_decode(parts.file()), codes)
    assert encode_av1(codes, pixelformat="444", matrix=0)[0][4:8] == b"av1C"
    assert nclx(1, 13, 0)[8:12] == b"nclx"
