"""The parsers that are our own, fed what no file or user should hold: an answer, or a refusal in words, and never anything else.

bash tests/run -m slow tests/test_parsers_fuzzed.py      fifteen minutes in place of a few seconds
"""

from __future__ import annotations

import contextlib
import os
import struct
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pairdiff import _keep, _pipeline
from pairdiff._errors import PairdiffError
from pairdiff._settings import Settings
from pairdiff._settings_file import make_settings, settings_from_file
from pairdiff.clip import container, gain_map, heif_items, metadata, probe
from pairdiff.clip.icc import primaries_of_profile
from pairdiff.clip.picture_size import stated_size
from pairdiff.clip.png_chunks import read_profile
from pairdiff.clip.sequence import find_sequence
from pairdiff.light.display import read_displays
from pairdiff.writeup.html import render_report

QUICK = settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
LONG_S = 60.0
"""How long each of the fifteen parsers is fed in the slow form."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


def refused_or_done(call: Callable[[], object]) -> None:
    with contextlib.suppress(PairdiffError):
        call()


HEADS = st.sampled_from([b"\1", b"#EXTM3U", b"\0\0\0\x14ftypisom", b"v=0\n", b"<MPD", b"\xef\xbb\xbf", b"\0\0\1", b""])
BYTES = st.builds(lambda head, tail: head + tail, HEADS, st.binary(max_size=400))
LINES = st.text(max_size=80) | st.from_regex(r"[0-9:.,f=\-+]{0,24}", fullmatch=True)
EXR_HEAD = b"\x76\x2f\x31\x01\2\0\0\0dataWindow\0box2i\0\x10\0\0\0"
PICTURE_HEADS = st.sampled_from([b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", EXR_HEAD, b"\xff\xd8\xff", b"SDPX", b"XPDS" + bytes(768)])
CHUNK = st.tuples(st.sampled_from([b"iCCP", b"cLLI", b"mDCV", b"IDAT"]), st.binary(max_size=40) | st.just(bytes(24)))
CHUNKS = st.builds(
    lambda chunks, tail: b"\x89PNG\r\n\x1a\n" + b"".join(struct.pack(">I", len(b)) + n + b + bytes(4) for n, b in chunks) + tail,
    st.lists(CHUNK, max_size=4),
    st.binary(max_size=40),
)
PROFILES = st.builds(
    lambda tags, tail: struct.pack(">I", len(tags)) + b"".join(struct.pack(">4s2I", *tag) for tag in tags) + tail,
    st.lists(st.tuples(st.sampled_from([b"rXYZ", b"gXYZ", b"bXYZ", b"cicp"]), st.integers(0, 400), st.integers(0, 2**32 - 1)), max_size=6),
    st.binary(max_size=200),
)
PICTURES = st.builds(lambda head, tail: head + tail, PICTURE_HEADS, st.binary(max_size=400))
BOX_NAMES = (b"iinf", b"iloc", b"iref", b"iprp", b"ipco", b"ipma", b"infe", b"dimg", b"ispe", b"idat", b"pitm")
SMALL_BOXES = st.lists(st.tuples(st.sampled_from(BOX_NAMES), st.binary(max_size=30)), max_size=4)
ITEM_BOXES = st.builds(
    lambda boxes, tail: b"".join(struct.pack(">I4s", 8 + len(body), name) + body for name, body in boxes) + tail,
    st.lists(
        st.tuples(
            st.sampled_from(BOX_NAMES),
            st.binary(max_size=60)
            | st.builds(
                lambda head, boxes: head + b"".join(struct.pack(">I4s", 8 + len(body), name) + body for name, body in boxes),
                st.sampled_from([b"", bytes(4), bytes(5) + b"\1"]),
                SMALL_BOXES,
            ),
        ),
        max_size=6,
    ),
    st.binary(max_size=20) | st.just(b""),
)
NAMES = st.lists(st.from_regex(r"[a-c%]{0,3}[0-9]{0,12}\.(png|tif|dpx|PNG|txt)", fullmatch=True), max_size=6)


def written(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def feed_parameter_sets(folder: Path, data: bytes) -> None:
    bare = metadata.bare_parameter_sets(data)
    assert isinstance(bare, bytes)


def feed_unit_types(folder: Path, data: bytes) -> None:
    for extradata in (b"", data[:30], b"\1" + bytes(20) + data[:1] + bytes(8)):
        metadata.list_unit_types(data, codec=SimpleNamespace(extradata=extradata))  # type: ignore[arg-type]


def feed_static(folder: Path, data: bytes) -> None:
    kinds = ("MASTERING_DISPLAY_METADATA", "CONTENT_LIGHT_LEVEL")

    class Side(bytes):
        type: Any

    pieces = []
    for kind in kinds:
        piece = Side(data)
        piece.type = SimpleNamespace(name=kind)
        pieces.append(piece)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(metadata, "SideDataContainer", lambda frame: frame.pieces)
        metadata.read_static(SimpleNamespace(pieces=pieces), codec="hevc")  # type: ignore[arg-type]


def feed_boxes(folder: Path, data: bytes) -> None:
    path = str(written(folder, "boxes.mp4", data))
    container._lacks_index(path)
    container._names_others(path)


def feed_settings(folder: Path, data: bytes) -> None:
    refused_or_done(lambda: make_settings(written(folder, "s.toml", data), {}))
    refused_or_done(lambda: settings_from_file(written(folder, "s.toml", b"sdr_white = " + data)))


def feed_kept(folder: Path, data: bytes) -> None:
    os.environ[_keep.FOLDER_VARIABLE] = str(folder)
    try:
        written(folder, "key.npz", data)
        assert _keep.load_track("key") is None
    finally:
        del os.environ[_keep.FOLDER_VARIABLE]


def feed_results(folder: Path, data: bytes) -> None:
    out = folder / "out"
    out.mkdir(exist_ok=True)
    written(out, "result.json", data)
    with pytest.raises(PairdiffError):
        render_report(out)


def feed_profiles(folder: Path, data: bytes) -> None:
    head = bytearray(128)
    head[36:40] = b"acsp"
    assert primaries_of_profile(bytes(head) + data) in (None, 1, 9, 12)


def feed_chunks(folder: Path, data: bytes) -> None:
    metadata.read_png_static(data)
    assert len(read_profile(data)) <= 1 << 22


def feed_pictures(folder: Path, data: bytes) -> None:
    size = stated_size(str(written(folder, "picture", data)))
    assert size is None or min(size) > 0


def feed_items(folder: Path, data: bytes) -> None:
    head = b"\0\0\0\x0cftypavif" + struct.pack(">I4sI", 12 + len(data), b"meta", 0)
    path = str(written(folder, "items.avif", head + data))
    with contextlib.suppress(heif_items.ItemFault):
        items = heif_items.read_items(path)
        for item in items.listed.values() if items is not None else ():
            with contextlib.suppress(heif_items.ItemFault):
                assert len(heif_items.read_item(path, items, item)) <= 1000 * len(head + data)  # type: ignore[arg-type]
    assert gain_map.gain_map_state(path) in (None, "broken", "not applied")
    assert (gain_map.base_item_number(path) or 0) < 1 << 32
    refused_or_done(lambda: gain_map.find_gain_map(path, side="hdr"))


def feed_gain_numbers(folder: Path, data: bytes) -> None:
    for payload in (data, bytes(5) + data, bytes(5) + b"\x80" + data):
        with contextlib.suppress(heif_items.ItemFault):
            found = gain_map.parse_gain_map(payload)
            assert all(low <= high for low, high in zip(found.least, found.most, strict=True))


def feed_times(folder: Path, text: str) -> None:
    for read in (_pipeline.read_time, _pipeline.read_anchors, _pipeline.read_span):
        refused_or_done(lambda read=read: read(text))  # type: ignore[misc]


def feed_words(folder: Path, text: str) -> None:
    refused_or_done(lambda: read_displays(text, None))
    refused_or_done(lambda: read_displays("", text))
    refused_or_done(lambda: probe._stated_rate(Settings(hdr_frame_rate=text), "hdr"))
    assert "+".join(probe.split_parts(text)) == text


def feed_names(folder: Path, names: list[str]) -> None:
    pictures = folder / "pictures"
    pictures.mkdir(exist_ok=True)
    for old in pictures.iterdir():
        old.unlink()
    for name in names:
        (pictures / name).write_bytes(b"x")
    found = None
    with contextlib.suppress(PairdiffError):
        found = find_sequence(str(pictures), name="x")
    if found is not None:
        assert all(Path(path).is_file() for path in found.paths())
        assert found.count == len({name for name in names if name.rpartition(".")[2].lower() != "txt"})


FEEDERS: list[tuple[Callable[[Path, Any], None], st.SearchStrategy[Any]]] = [
    *((feed, BYTES) for feed in (feed_parameter_sets, feed_unit_types, feed_static, feed_boxes, feed_settings, feed_kept, feed_results)),
    (feed_profiles, PROFILES),
    (feed_chunks, CHUNKS),
    (feed_pictures, PICTURES),
    (feed_items, ITEM_BOXES),
    (feed_gain_numbers, st.binary(max_size=160)),
    (feed_times, LINES),
    (feed_words, LINES),
    (feed_names, NAMES),
]


@pytest.mark.parametrize(("feed", "what"), FEEDERS, ids=[feed.__name__ for feed, _ in FEEDERS])
def test_a_parser_answers_or_refuses(feed: Callable[[Path, Any], None], what: st.SearchStrategy[Any], folder: Path) -> None:
    QUICK(given(what)(lambda data: feed(folder, data)))()


@pytest.mark.slow
@pytest.mark.parametrize(("feed", "what"), FEEDERS, ids=[feed.__name__ for feed, _ in FEEDERS])
def test_a_parser_answers_or_refuses_for_a_minute(feed: Callable[[Path, Any], None], what: st.SearchStrategy[Any], folder: Path) -> None:
    start = time.monotonic()
    while time.monotonic() - start < LONG_S:
        settings(max_examples=3000, deadline=None, suppress_health_check=list(HealthCheck), database=None)(
            given(what)(lambda data: feed(folder, data))
        )()


def test_a_time_that_is_read_is_what_was_written() -> None:
    assert _pipeline.read_time("1:02:03.5") == Fraction(7447, 2)
