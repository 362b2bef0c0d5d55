"""Fields: what tells two moments in a frame, and whole pictures put together again, exactly.

Pulldowns are made by libavfilter's `telecine` (FFmpeg through PyAV), an outside library, on files without loss; pictures that a test
calls progressive are photographs of scikit-image under a moving camera, drawn lines and captions (OpenCV).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._errors import InputRefused
from pairdiff._records import Release
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.frames.blends import Blends
from pairdiff.frames.cadence import FieldWatch, FramesFound, is_interlaced, look_at_fields, note_fields, take_one_field
from pairdiff.frames.decode import FrameReader, decode_pictures, read_frames_at, read_key_frames
from pairdiff.frames.fields import (
    choose_match,
    classify_pairs,
    compare_weaves,
    find_combed,
    find_field_order,
    join_fields,
    sample_rows,
)
from pairdiff.frames.pulldown import find_order, trace_pictures
from tests._clips import SDR_TAGS, encode_clip
from tests.match._films import Grade, squeeze
from tests.whole._cadence import NTSC, Stored, film, interlace, plain, pull_down, shift_fields

LOSSLESS = {"ffv1": {"level": "3"}, "libx264": {"preset": "ultrafast", "qp": "0"}}
TAGGED = replace(Settings(), hdr_transfer="pq", hdr_primaries="bt2020", hdr_matrix="bt2020-ncl", hdr_range="narrow")
PART = range(6, 66)


def whole_planes(number: int, *, bits: int) -> list[NDArray[Any]]:
    """Luma and chroma of one picture of the film; chroma carries the picture too, so that its fields are seen."""
    luma = film()[number].astype(np.int64) * 219 // 255 + 16
    scale, kind = 2 ** (bits - 8), np.uint16 if bits > 8 else np.uint8
    small = luma[::2, ::2] // 2 + 64
    return [(plane * scale + (np.arange(plane.shape[1]) % scale)).astype(kind) for plane in (luma, small, 255 - small)]


def planes_of(stored: Stored, *, bits: int) -> list[list[NDArray[Any]]]:
    out = []
    for top, bottom in zip(stored.top, stored.bottom, strict=True):
        planes = whole_planes(top, bits=bits)
        for plane, other in zip(planes, whole_planes(bottom, bits=bits), strict=True):
            plane[1::2] = other[1::2]
        out.append(planes)
    return out


def weaves_of(planes: list[NDArray[Any]]) -> NDArray[np.int64]:
    watch = FieldWatch()
    for number, plane in enumerate(planes):
        watch.add(number, (plane,))
    return watch.weaves()


def luma_of(stored: Stored) -> list[NDArray[Any]]:
    return [planes[0] for planes in planes_of(stored, bits=8)]


PULLDOWNS = {
    "2:3 top first": (pull_down(PART, "23"), "top"),
    "2:3 bottom first": (pull_down(PART, "23", first="bottom"), "bottom"),
    "12 + 1 pulldown": (pull_down(PART, "222222222223"), "top"),
    "one phase off": (shift_fields(PART), "bottom"),
}


# ---------------------------------------------------------------- files without loss


def write_lossless(folder: Path, name: str, *, bits: int, codec: str = "ffv1") -> Release:
    stored, order = PULLDOWNS[name]
    path = encode_clip(
        folder / "woven.mkv",
        planes_of(stored, bits=bits),
        codec=codec,
        pix_fmt="yuv420p10le" if bits == 10 else "yuv420p",
        rate=NTSC,
        options=LOSSLESS[codec],
        params="keyint=12" if codec == "libx264" else "",
    )
    release = probe_release(path, side="hdr", settings=TAGGED)
    watch = FieldWatch()
    with FrameReader(release, watch=watch.add) as reader:
        assert sum(1 for _ in reader) == len(stored.top)
    assert find_field_order(watch.weaves()) == order
    return replace(release, field_order=order)


@pytest.mark.parametrize(("name", "bits", "codec"), [*((name, 10, "ffv1") for name in PULLDOWNS), ("2:3 top first", 8, "libx264")])
def test_rejoined_fields_are_the_pictures_before_the_pulldown_code_for_code(tmp_path: Path, name: str, bits: int, codec: str) -> None:
    release = write_lossless(tmp_path, name, bits=bits, codec=codec)
    stored, order = PULLDOWNS[name]
    numbers = list(stored.numbers(first=order))
    if name == "one phase off":
        numbers[0] = stored.top[0]  # its own partner field is not in the file
    with FrameReader(release) as reader:
        frames = [replace(frame, planes=tuple(plane.copy() for plane in frame.planes)) for frame in reader]
    assert [frame.index for frame in frames] == list(range(len(stored.top)))
    assert all(abs(float(frame.time_s) - frame.index * 1001 / 30000) <= 0.001 for frame in frames)
    for frame, number in zip(frames, numbers, strict=True):
        for plane, wanted in zip(frame.planes, whole_planes(number, bits=bits), strict=True):
            np.testing.assert_array_equal(plane, wanted, err_msg=f"frame {frame.index}")
    for chosen in ([0, 1, len(frames) - 1], [2], [33], [40, 41, 70 % len(frames)], list(range(5, 20))):
        places = sorted(set(chosen))
        found = list(read_frames_at(release, indices=places, times_s=[frames[n].time_s for n in places]))
        assert [frame.index for frame in found] == places
        for frame in found:
            assert frame.time_s == frames[frame.index].time_s
            for plane, wanted in zip(frame.planes, frames[frame.index].planes, strict=True):
                np.testing.assert_array_equal(plane, wanted)


def test_a_jump_to_a_key_frame_still_has_the_neighbour_before_it(tmp_path: Path) -> None:
    release = write_lossless(tmp_path, "one phase off", bits=8, codec="libx264")  # every frame needs the one before
    with FrameReader(release) as reader:
        frames = [(frame.time_s, frame.planes[0].copy(), frame.key_frame) for frame in reader]
    keys = [n for n, (_, _, key) in enumerate(frames) if key and n > 24]
    assert keys
    for key in keys:
        (found,) = read_frames_at(release, indices=[key], times_s=[frames[key][0]])
        np.testing.assert_array_equal(found.planes[0], frames[key][1])


def test_rejoined_planes_cannot_be_written_and_the_sources_stay() -> None:
    first, second = np.zeros((4, 3), np.uint8), np.ones((4, 3), np.uint8)
    (joined,) = join_fields([first], [second])
    np.testing.assert_array_equal(joined[:, 0], [0, 1, 0, 1])
    assert not first.any()
    with pytest.raises(ValueError, match="read-only"):
        joined[0, 0] = 5


# ---------------------------------------------------------------- what is told apart


def plain_weaves(before: NDArray[Any], after: NDArray[Any]) -> list[int]:
    """`compare_weaves` in plain numpy: whole pictures woven first, combing of the sampled middle rows counted then."""
    before, after = before.astype(np.int64), after.astype(np.int64)
    rows = len(before) // 2 * 2
    firsts = [0] if rows <= 180 else [int(place) // 2 * 2 for place in np.linspace(0, rows - 18, 10)]
    middles = np.concatenate([np.arange(first + 1, first + (rows if rows <= 180 else 18) - 1) for first in firsts])
    top_later, bottom_later = before.copy(), after.copy()
    top_later[0::2] = after[0::2]
    bottom_later[0::2] = before[0::2]

    def comb(picture: NDArray[np.int64]) -> NDArray[np.int64]:
        upper, middle, lower = (picture[middles + step] for step in (-1, 0, 1))
        below, above = np.minimum(upper, lower) - middle, middle - np.maximum(upper, lower)
        return np.asarray(np.maximum(np.maximum(below, above), 0))

    own = [comb(one) for one in (before, after, top_later, bottom_later)]
    pairs = [(0, 2), (0, 3), (1, 2), (1, 3), (2, 3)]
    return [int(one.sum()) for one in own] + [int(((own[a] - own[b]) ** 2).sum()) for a, b in pairs]


@pytest.mark.parametrize("shape", [(180, 320), (181, 63), (400, 20), (5, 4), (4, 2)])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_the_compiled_weaves_are_those_of_plain_numpy(shape: tuple[int, int], kind: Any) -> None:
    before, after = np.random.default_rng(shape[0]).integers(0, np.iinfo(kind).max, (2, *shape), kind, endpoint=True)
    found, wanted = compare_weaves(sample_rows(before), sample_rows(after)), plain_weaves(before, after)
    assert found[:4].tolist() == wanted[:4]
    np.testing.assert_allclose(found[4:], wanted[4:], rtol=1e-5)


def test_of_a_picture_wider_than_1920_columns_both_ends_are_looked_at_in_turn() -> None:
    luma = np.random.default_rng(1).integers(0, 1024, (400, 2400), np.uint16)
    strips, narrow = sample_rows(luma), sample_rows(luma[:, :1920])
    assert strips.shape == narrow.shape == (10, 18, 1920)
    assert np.array_equal(strips[0::2], narrow[0::2])
    assert np.array_equal(strips[1::2], sample_rows(luma[:, 480:])[1::2])


def test_a_row_of_the_strongest_combing_of_8_bits_is_added_up_whole() -> None:
    """1920 squares of 255 are more than 16 bits hold, and are added in integers."""
    before = np.zeros((18, 1920), np.uint8)
    after = before.copy()
    before[1::2], after[0::2] = 255, 255
    found, wanted = compare_weaves(sample_rows(before), sample_rows(after)), plain_weaves(before, after)
    assert max(wanted[4:]) == 16 * 1920 * 255**2
    assert found.tolist() == wanted


@pytest.mark.parametrize("rows", [1, 2, 3])
def test_pictures_too_low_for_rows_on_both_sides_say_nothing(rows: int) -> None:
    one = sample_rows(np.ones((rows, 8), np.uint8))
    assert compare_weaves(one, one).tolist() == [0] * 9


@pytest.mark.parametrize("name", PULLDOWNS)
def test_the_field_order_of_film_is_found_and_nothing_is_left_combed(name: str) -> None:
    stored, order = PULLDOWNS[name]
    weaves = weaves_of(luma_of(stored))
    assert find_field_order(weaves) == order
    assert not find_combed(weaves, order)[0].any()


def test_pulldown_is_found_through_a_coarse_encoding() -> None:
    weaves = weaves_of(squeeze(luma_of(pull_down(PART, "23")), crf=28))
    assert find_order(weaves) == "top"
    assert not find_combed(weaves, "top", trace_pictures(weaves, "top").broken)[0].any()


@pytest.mark.parametrize(("first", "crf"), [("top", None), ("bottom", None), ("top", 24), ("top", 30), ("bottom", 32)])
def test_video_of_two_moments_is_told_from_film(first: str, crf: int | None) -> None:
    stored = interlace(range(6, 206))
    pictures = luma_of(stored if first == "top" else Stored(stored.bottom, stored.top))
    weaves = weaves_of(pictures if crf is None else squeeze(pictures, crf=crf))
    assert find_order(weaves) is None
    combed, moving = find_combed(weaves, None)
    assert combed.sum() >= (0.6 if crf is None or crf < 30 else 0.35) * moving.sum()  # from a quarter on it is refused


def test_video_whose_fields_often_join_by_chance_is_no_film() -> None:
    stored = interlace(range(240))
    shown = film(5)
    pictures = [join_fields([shown[top]], [shown[bottom]])[0] for top, bottom in zip(stored.top, stored.bottom, strict=True)]
    weaves = weaves_of([(one.astype(np.float32) * (219 / 255) + 16).astype(np.uint8) for one in pictures])
    assert (classify_pairs(weaves).exchanged == 1).sum() >= 0.1 * (classify_pairs(weaves).apart == 1).sum()
    assert find_order(weaves) is None


def scroll(picture: NDArray[Any], frames: int, step: tuple[float, float]) -> list[NDArray[np.uint8]]:
    """A picture moved by columns and rows a frame."""
    rows, columns = picture.shape
    out = []
    for n in range(frames):
        warp = np.array([[1, 0, -n * step[0]], [0, 1, -n * step[1]]], float)
        out.append(cv2.warpAffine(picture, warp, (columns, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))
    return out


def lines(period: int) -> NDArray[np.uint8]:
    """Fine horizontal lines, brighter towards the right so that sideways motion shows as well."""
    picture = np.linspace(40, 200, 320)[None].repeat(180, 0) * np.where(np.arange(180) % period < period / 2, 1.0, 0.3)[:, None]
    return np.asarray(picture.astype(np.uint8))


def captions() -> NDArray[np.uint8]:
    """Small words with strokes of one row."""
    picture = np.full((180, 320), 16, np.uint8)
    for line in range(14):
        cv2.putText(picture, f"words of line {line * 37 % 23} upon the quay", (3 + line % 5, 12 * line + 11), 0, 0.32, 235, 1)
    return picture


STEPS = [(0.0, 1.0), (0.0, 2.0), (0.0, 0.5), (0.0, 3.0), (1.0, 0.0), (2.5, 1.0), (0.7, -1.0)]


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("kind", ["lines of 2", "lines of 3", "lines of 4", "captions", "noise"])
def test_fine_detail_that_moves_is_never_taken_for_combing(kind: str, step: tuple[float, float]) -> None:
    noise = np.random.default_rng(4).integers(16, 235, (180, 320), np.uint8)
    picture = captions() if kind == "captions" else noise if kind == "noise" else lines(int(kind[-1]))
    weaves = weaves_of(scroll(picture, 30, step))
    assert find_order(weaves) is None
    assert not find_combed(weaves, None)[0].any()


@pytest.mark.parametrize(("grain", "crf"), [(0.08, None), (0.0, 30), (0.08, 30)])
def test_film_with_grain_or_coarsely_encoded_is_never_taken_for_combed(grain: float, crf: int | None) -> None:
    look = Grade(grain=grain)
    pictures = [look(one.astype(np.float32) / 255, n) for n, one in enumerate(film()[:200])]
    weaves = weaves_of(pictures if crf is None else squeeze(pictures, crf=crf))
    assert find_order(weaves) is None
    assert not find_combed(weaves, None)[0].any()


# ---------------------------------------------------------------- a few combed frames, and too many


def test_a_frame_of_two_shots_is_set_aside_and_its_neighbours_are_not() -> None:
    film_frames = luma_of(plain(range(6, 60)))
    film_frames[30] = join_fields([film_frames[29]], [luma_of(plain([150]))[0]])[0]
    weaves = weaves_of(film_frames)
    assert find_field_order(weaves) is None
    assert np.flatnonzero(find_combed(weaves, None)[0]).tolist() == [30]


def test_an_edit_between_two_fields_of_woven_film_leaves_one_frame_over() -> None:
    first, second = pull_down(range(6, 46), "23"), pull_down(range(140, 180), "23")
    top, bottom = list(first.top[:36] + second.top[3:]), list(first.bottom[:36] + second.bottom[3:])
    bottom[35] = second.bottom[1]  # frame 35 was whole: of its pictures one lost its bottom field, the other its top field
    mixed = Stored(tuple(top), tuple(bottom))
    weaves = weaves_of(luma_of(mixed))
    assert find_field_order(weaves) == "top"
    assert np.flatnonzero(find_combed(weaves, "top")[0]).tolist() == [35]


def test_video_at_the_end_of_a_film_is_set_aside_alone() -> None:
    pictures = luma_of(plain(range(6, 126))) + luma_of(interlace(range(130, 160)))
    weaves = weaves_of(pictures)
    combed, moving = find_combed(weaves, find_field_order(weaves))
    assert not combed[:119].any()
    assert combed[121:].mean() > 0.8
    assert not is_interlaced(combed, moving)


def test_three_frames_of_four_that_show_two_moments_are_interlaced_video() -> None:
    combed, moving = np.ones(40, bool), np.ones(40, bool)
    combed[:10] = False
    assert is_interlaced(combed, moving)


@pytest.mark.parametrize(("combed", "moving"), [(9, 40), (11, 11), (0, 0)])
def test_a_few_combed_frames_make_no_interlaced_video(combed: int, moving: int) -> None:
    assert not is_interlaced(np.arange(50) < combed, np.arange(50) < moving)


def test_interlaced_video_is_read_as_the_top_field_of_each_frame(tmp_path: Path) -> None:
    stored = interlace(range(24))
    path = encode_clip(
        tmp_path / "video.mkv", planes_of(stored, bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, options={"qp": "0"}
    )
    release = probe_release(path, side="sdr", settings=Settings())
    field = take_one_field(release)
    assert (field.signal.height.value, field.signal.sample_aspect.value) == (release.signal.height.value // 2, Fraction(1, 2))
    with FrameReader(release) as whole, FrameReader(field) as halves:
        for frame, half in zip(whole, halves, strict=True):
            for plane, part in zip(frame.planes, half.planes, strict=True):
                assert np.array_equal(plane[::2], part)
    times = [Fraction(n, 24) for n in (3, 9)]
    for number, frame in zip((3, 9), read_frames_at(field, indices=[3, 9], times_s=times), strict=True):
        assert np.array_equal(frame.planes[0], planes_of(stored, bits=8)[number][0][::2])
    assert {frame.planes[0].shape for frame in read_key_frames(field, most=4)} == {(field.signal.height.value, field.signal.width.value)}


def test_interlaced_video_in_several_files_is_refused_with_what_to_do() -> None:
    part = type("Release", (), {"side": "sdr", "path": "quay.mkv", "parts": (1, 2)})()
    with pytest.raises(InputRefused, match=r"SDR release quay\.mkv is interlaced video, in several files.*Join the files into one first"):
        take_one_field(part)


def test_notes_say_what_was_undone_and_what_was_left() -> None:
    none = np.zeros(100, bool)
    pure = Blends(none, none, None, 0.0)
    assert note_fields(FramesFound(None, "", True, none, none, pure, none[:0])) == ()
    found = FramesFound("top", "obboo" * 20, True, np.arange(100) < 3, none, pure, none)
    rejoined, left = note_fields(found)
    assert "top field first" in rejoined
    assert "40 of 100 frames (40%)" in rejoined
    assert "3 of 100 frames (3.0%)" in left
    assert "not matched" in left


def test_windows_of_a_long_film_tell_its_field_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stored = pull_down(range(200), "23")
    path = encode_clip(
        tmp_path / "long.mkv",
        planes_of(stored, bits=8),
        codec="libx264",
        pix_fmt="yuv420p",
        rate=NTSC,
        tags=SDR_TAGS,
        params="keyint=12:min-keyint=12",
    )
    release = probe_release(path, side="sdr", settings=Settings())
    assert look_at_fields(release).field_order is None  # short: the pass itself will tell
    monkeypatch.setattr("pairdiff.frames.cadence.LEAST_DURATION_S", 1)
    assert look_at_fields(release).field_order == "top"


@pytest.mark.parametrize(("kind", "windows"), [("film", 8), ("still", 16), ("woven", 16)])
def test_half_of_the_windows_are_enough_where_film_moves_and_no_pair_looks_woven(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, windows: int
) -> None:
    stored = {"film": plain(range(180)), "still": plain([9] * 180), "woven": pull_down(range(160), "23")}[kind]
    path = encode_clip(
        tmp_path / f"{kind}.mkv",
        planes_of(stored, bits=8),
        codec="libx264",
        pix_fmt="yuv420p",
        rate=NTSC,
        tags=SDR_TAGS,
        params="keyint=8:min-keyint=8",
    )
    begun: list[str] = []

    def decode(*given: Any, **options: Any) -> Any:
        begun.append("")
        return decode_pictures(*given, **options)

    monkeypatch.setattr("pairdiff.frames.cadence.LEAST_DURATION_S", 1)
    monkeypatch.setattr("pairdiff.frames.cadence.decode_pictures", decode)
    found = look_at_fields(probe_release(path, side="sdr", settings=Settings()))
    assert len(begun) == windows
    assert (found.field_order, found.one_field) == ("top" if kind == "woven" else None, False)


def test_a_choice_without_neighbours_is_the_frame_itself() -> None:
    assert choose_match(None, None, order="top") == "own"
    still = compare_weaves(*(sample_rows(film()[9]) for _ in range(2)))
    assert choose_match(still, still, order="bottom") == "own"
    assert not classify_pairs(still[None]).moving.any()
