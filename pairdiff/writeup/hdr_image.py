"""Pictures that a browser shows as HDR: 16-bit PNG and 10-bit AVIF, BT.2020 PQ, each read again before it counts as written.

PNG (third edition): cICP, and mDCV and cLLI where there is something to say, stand right behind IHDR. What was coded comes back exactly.

AVIF: one AV1 still picture, 4:2:0, full range, CICP 9/16/9; its file is put together here, since the library that codes it (PyAV 18.1)
cannot be told of light levels. Chroma is the mean of each two by two pixels; where that would change the light, luma makes up for it.

The check decodes the bytes that lie on the disk, by another library than wrote the PNG, and holds their light against the picture's. The
same picture gives the same bytes.

Sources: PNG third edition 11.3.2.6 to 11.3.2.8; AV1 Image File Format 1.1; ISO/IEC 23008-12 9.3 and 6.5, ISO/IEC 14496-12 8.11 and 12.1.5
(boxes); ITU-T H.273 (code points).
"""

from __future__ import annotations

import io
import math
import os
import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import TypeVar

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._beat import decoding
from pairdiff._errors import InputRefused, OutputRefused
from pairdiff._records import Mastering
from pairdiff.clip.heif_items import ItemFault, split_boxes
from pairdiff.clip.st2086 import LUMINANCE_UNITS_PER_NIT, MasteringUnits, luminance_faults, mastering_to_units
from pairdiff.frames.quantisation import code_to_signal, rgb_to_ycbcr, signal_to_code, ycbcr_to_rgb
from pairdiff.light.transfer import LUMINANCE_WEIGHTS, pq_to_nits
from pairdiff.stills.side_by_side import CODE16, HdrKind, SideBySide

Number = TypeVar("Number", bound=np.generic)

PRIMARIES, TRANSFER, MATRIX = 9, 16, 9
"""BT.2020, PQ, BT.2020 non-constant luminance (H.273 Tables 2, 3 and 4); of R'G'B' the matrix is 0."""
FULL_RANGE = 2
"""How PyAV says full range."""

PNG_HEAD_BYTES = 33
"""Signature and IHDR (PNG third edition 5.2 and 11.2.1): what stands before the chunks of light and colour."""
PNG_COMPRESSION = 1
"""zlib level (own: levels above take many times as long, for a few percent of a picture with grain)."""

AVIF_BITS = 10
AVIF_QUALITY = {"crf": "1", "preset": "8", "svtav1-params": "avif=1:lp=1"}
"""Finest quantiser that is not lossless; 8 is the finest preset that codes a still picture in well under a second on two cores (own).
One step at a time (`lp=1`): with more SVT-AV1 4.1 waits for itself for ever on pictures of one row of blocks, and is no faster."""

TOLERANCE_SHARE = 0.02
"""How far the light that is decoded may lie from the picture's, as a share of it (own)."""
FLOOR_NITS = 1.0
"""Light below this counts as this in that share, cd/m2 (own: a step of 10-bit PQ is 2 % of the light there, and more below)."""
BLOCK_PIXELS = 16
"""Side of the blocks whose luminance is checked (own: the smallest lamp that still reads as a surface; 4:2:0 moves single pixels)."""
CHECKED_PERCENTILES = (99.9, 99.0, 50.0)
"""Percentiles of the pixels' luminance that are checked (own)."""
LUMA_SHARE = 0.01
"""Change of a pixel's luminance by coarser chroma from which its luma is chosen anew (own: a step of 10-bit PQ at 100 cd/m2)."""


def encode_hdr(still: SideBySide, kind: HdrKind) -> bytes:
    """Encode a picture.

    Parameters
    ----------
    still : SideBySide
        PQ, BT.2020.
    kind : {"png", "avif"}
        Form.

    Returns
    -------
    bytes
        The whole file; the same for the same picture.

    Raises
    ------
    OutputRefused
        The encoder gave none.
    """
    try:
        return _encode_png(still) if kind == "png" else _encode_avif(still)
    except (av.FFmpegError, cv2.error, ValueError, ItemFault) as refused:
        raise OutputRefused(f"The HDR picture could not be encoded as {kind.upper()}: {refused}.") from refused


def check_hdr(path: Path, still: SideBySide) -> float:
    """Decode a picture that was written, and hold its light against what it should be.

    Parameters
    ----------
    path : Path
        The file.
    still : SideBySide
        What it was made from.

    Returns
    -------
    float
        Largest error of light, as a share; see `light_error`.

    Raises
    ------
    OutputRefused
        It cannot be decoded, is tagged otherwise than BT.2020 PQ of full range, has another size, or its light is off by more than 2 %.
    """
    wanted = _light(still.code16)
    try:
        found = decode_hdr(path.read_bytes())
    except (av.FFmpegError, ValueError, StopIteration) as broken:
        raise OutputRefused(f"The HDR picture cannot be decoded again: {broken}.") from broken
    if found.shape != wanted.shape:
        raise OutputRefused(f"The HDR picture was decoded with the shape {found.shape} and not {wanted.shape}.")
    error = light_error(found, wanted)
    if not error <= TOLERANCE_SHARE:
        raise OutputRefused(
            f"The light of the HDR picture, decoded again, is off by {100 * error:.1f} %, more than {100 * TOLERANCE_SHARE:.0f} %."
        )
    return error


def decode_hdr(data: bytes) -> NDArray[np.float64]:
    """Light of a PNG or AVIF picture that is tagged BT.2020 PQ, full range.

    Parameters
    ----------
    data : bytes
        The file.

    Returns
    -------
    NDArray[np.float64]
        (row, column, 3) linear BT.2020, cd/m2. Chroma of 4:2:0 is interpolated.

    Raises
    ------
    ValueError
        Other tags, or another form of sample.
    """
    with av.open(io.BytesIO(data), "r") as file:
        stream = file.streams.video[0]
        stated = _tags(stream.codec_context)  # of the file; the picture's own follow
        frame = next(file.decode(stream))
    form = frame.format.name
    matrix = {"rgb48be": 0, "yuv420p10le": MATRIX}.get(form)
    for place, tags in (("file", stated), ("picture", _tags(frame))):
        if tags != (PRIMARIES, TRANSFER, matrix, FULL_RANGE):
            raise ValueError(f"its {place} is tagged {tags} in {form}, where {(PRIMARIES, TRANSFER, matrix, FULL_RANGE)} was written")
    if form == "rgb48be":
        packed = np.frombuffer(memoryview(frame.planes[0]), ">u2").reshape(frame.height, -1)[:, : 3 * frame.width]
        return _light(packed.reshape(frame.height, frame.width, 3).astype(np.uint16))
    luma, cb, cr = (np.frombuffer(memoryview(plane), "<u2").reshape(plane.height, -1)[:, : plane.width] for plane in frame.planes)
    return _light_of_ycbcr(luma, *(_spread(plane, luma.shape) for plane in (cb, cr)))


def light_error(found_nits: NDArray[np.float64], wanted_nits: NDArray[np.float64]) -> float:
    """Largest error of light between two pictures, as a share of the light.

    Three things are held against each other: the luminance of each block of 16 by 16 pixels; the 99.9th, 99th and 50th percentile of the
    pixels' luminance; and the mean of R, G and B, as shares of the largest of the three. Light below 1 cd/m2 counts as 1.

    Parameters
    ----------
    found_nits, wanted_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2, of one size.

    Returns
    -------
    float
        0 where they agree.
    """
    luminances = [_luminance(nits) for nits in (found_nits, wanted_nits)]
    blocks = [_block_means(luminance) for luminance in luminances]
    ranks = [np.percentile(luminance, CHECKED_PERCENTILES, method="inverted_cdf") for luminance in luminances]
    means = [nits.mean(axis=(0, 1)) for nits in (found_nits, wanted_nits)]
    pairs = ((*blocks, blocks[1]), (*ranks, ranks[1]), (*means, means[1].max()))
    return max(float((np.abs(found - wanted) / np.maximum(base, FLOOR_NITS)).max()) for found, wanted, base in pairs)


def usable_mastering(mastering: Mastering | None) -> MasteringUnits | None:
    """A declared mastering display that can be handed on: whole, and one that the standard allows; else None, and nothing is made up.

    Parameters
    ----------
    mastering : Mastering or None
        What the release declares.

    Returns
    -------
    MasteringUnits or None
        Its integers.
    """
    if mastering is None:
        return None
    try:
        units = mastering_to_units(mastering)
    except InputRefused:
        return None
    return None if luminance_faults(units.max_luminance, units.min_luminance) else units


# ---------------------------------------------------------------- PNG


def _encode_png(still: SideBySide) -> bytes:
    given = [cv2.IMWRITE_PNG_COMPRESSION, PNG_COMPRESSION, cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_SUB]
    done, coded = cv2.imencode(".png", np.ascontiguousarray(still.code16[..., ::-1]), given)
    if not done:
        raise ValueError(f"no PNG came of a picture of the shape {still.code16.shape}")
    plain = coded.tobytes()
    chunks = [_chunk(b"cICP", bytes((PRIMARIES, TRANSFER, 0, 1)))]
    display = usable_mastering(still.mastering)
    if display is not None:  # R, G, B and white; most, least
        places = (*display.red, *display.green, *display.blue, *display.white)
        chunks.append(_chunk(b"mDCV", struct.pack(">8H2I", *places, display.max_luminance, display.min_luminance)))
    if still.max_cll_nits > 0:  # 0 would mean unknown
        levels = (round(nits * LUMINANCE_UNITS_PER_NIT) for nits in (still.max_cll_nits, still.max_fall_nits))
        chunks.append(_chunk(b"cLLI", struct.pack(">2I", *levels)))
    return plain[:PNG_HEAD_BYTES] + b"".join(chunks) + plain[PNG_HEAD_BYTES:]


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


# ---------------------------------------------------------------- AVIF


def _encode_avif(still: SideBySide) -> bytes:
    rows, columns = still.code16.shape[:2]
    what = "file, as the encoder gave it,"
    file = dict(split_boxes(_encode_av1(_planes(still.code16), rows=rows, columns=columns), what))
    listed_in = dict(split_boxes(file[b"meta"][4:], what))
    properties = dict(split_boxes(dict(split_boxes(listed_in[b"iprp"], what))[b"ipco"], what))
    record, picture = _box(b"av1C", properties[b"av1C"]), file[b"mdat"]
    head = _box(b"ftyp", b"avif" + bytes(4) + b"avifmif1miafMA1B")
    listed = [
        _full_box(b"ispe", struct.pack(">2I", columns, rows)),
        _full_box(b"pixi", bytes((3, AVIF_BITS, AVIF_BITS, AVIF_BITS))),
        record,
        _box(b"colr", b"nclx" + struct.pack(">3HB", PRIMARIES, TRANSFER, MATRIX, 0x80)),
        *_light_boxes(still),
    ]
    start = len(head) + len(_meta(listed, start=0, length=len(picture))) + 8
    return head + _meta(listed, start=start, length=len(picture)) + _box(b"mdat", picture)


def _light_boxes(still: SideBySide) -> list[bytes]:
    """`clli` in whole cd/m2, rounded up so that nothing is brighter than it says; `mdcv` with the primaries in the order G, B, R."""
    found = []
    if still.max_cll_nits > 0:
        found.append(_box(b"clli", struct.pack(">2H", math.ceil(still.max_cll_nits), math.ceil(still.max_fall_nits))))
    display = usable_mastering(still.mastering)
    if display is not None:
        places = (*display.green, *display.blue, *display.red, *display.white)
        found.append(_box(b"mdcv", struct.pack(">8H2I", *places, display.max_luminance, display.min_luminance)))
    return found


def _meta(properties: list[bytes], *, start: int, length: int) -> bytes:
    """One item, number 1, coded as AV1, with all properties; of them the codec's record is essential."""
    essential = {number: 0x80 for number, one in enumerate(properties, 1) if one[4:8] == b"av1C"}
    links = bytes((len(properties), *(number | essential.get(number, 0) for number in range(1, len(properties) + 1))))
    parts = (
        _full_box(b"hdlr", bytes(4) + b"pict" + bytes(13)),
        _full_box(b"pitm", struct.pack(">H", 1)),
        _full_box(b"iloc", b"\x44\0" + struct.pack(">4H2I", 1, 1, 0, 1, start, length)),
        _full_box(b"iinf", struct.pack(">H", 1) + _full_box(b"infe", struct.pack(">2H", 1, 0) + b"av01\0", version=2)),
        _box(b"iprp", _box(b"ipco", b"".join(properties)) + _full_box(b"ipma", struct.pack(">IH", 1, 1) + links)),
    )
    return _full_box(b"meta", b"".join(parts))


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def _full_box(kind: bytes, body: bytes, *, version: int = 0) -> bytes:
    return _box(kind, bytes((version, 0, 0, 0)) + body)


def _planes(code16: NDArray[np.uint16]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Luma and chroma of 10 bits: chroma of two by two pixels is their mean, and luma makes up for what that does to the light.

    Each pixel's luma is chosen for its luminance. Beside a saturated colour a dark pixel cannot be as dark as it was; what it has too much
    is taken from the brightest of the four.
    """
    rows, columns = code16.shape[:2]
    even = np.pad(code16, ((0, rows % 2), (0, columns % 2), (0, 0)), mode="edge")
    ycbcr = rgb_to_ycbcr(even / CODE16, matrix="bt2020-ncl")
    means = [_fours(ycbcr[..., place]).mean(axis=2) for place in (1, 2)]
    cb, cr = (signal_to_code(mean, bit_depth=AVIF_BITS, code_range="full", component="chroma") for mean in means)
    beside = _spread(cb, even.shape), _spread(cr, even.shape)
    luma = signal_to_code(ycbcr[..., 0], bit_depth=AVIF_BITS, code_range="full", component="luma")
    wanted = _luminance(_light(even))
    least = LUMA_SHARE * np.maximum(wanted, FLOOR_NITS)
    off = np.abs(_luminance(_light_of_ycbcr(luma, *beside)) - wanted) > least
    luma[off] = _fit_luma(wanted[off], cb=beside[0][off], cr=beside[1][off])
    over = _fours(_luminance(_light_of_ycbcr(luma, *beside)) - wanted)
    brightest = np.arange(4) == _fours(wanted).argmax(axis=2)[..., None]
    left = _whole(np.where(brightest, (over * ~brightest).sum(axis=2, keepdims=True), 0.0))
    again = np.abs(left) > least
    luma[again] = _fit_luma((wanted - left)[again], cb=beside[0][again], cr=beside[1][again])
    return luma[:rows, :columns], cb, cr


def _fours(values: NDArray[Number]) -> NDArray[Number]:
    """(row, column) of even size as (row / 2, column / 2, 4)."""
    rows, columns = values.shape
    return values.reshape(rows // 2, 2, columns // 2, 2).swapaxes(1, 2).reshape(rows // 2, columns // 2, 4)


def _whole(fours: NDArray[Number]) -> NDArray[Number]:
    """The inverse of `_fours`."""
    rows, columns = fours.shape[:2]
    return fours.reshape(rows, columns, 2, 2).swapaxes(1, 2).reshape(2 * rows, 2 * columns)


def _spread(chroma: NDArray[np.integer], shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Chroma of 4:2:0 at every pixel, in a straight line between samples that lie amid their four pixels: as libavif and browsers do."""
    size = (2 * chroma.shape[1], 2 * chroma.shape[0])
    wide = cv2.resize(chroma.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide[: shape[0], : shape[1]], dtype=np.float64)


def _fit_luma(luminance_nits: NDArray[np.float64], *, cb: NDArray[np.float64], cr: NDArray[np.float64]) -> NDArray[np.int64]:
    """Luma that gives a luminance beside a chroma: luminance rises with luma, so the place is halved in on."""
    most = 2**AVIF_BITS - 1
    signal = [code_to_signal(code, bit_depth=AVIF_BITS, code_range="full", component="chroma") for code in (cb, cr)]
    added = ycbcr_to_rgb(np.stack([np.zeros_like(signal[0]), *signal], axis=-1), matrix="bt2020-ncl").T * CODE16
    parts = [np.float32(weight) * _pq_table().astype(np.float32) for weight in LUMINANCE_WEIGHTS]

    def give(luma: NDArray[np.int64]) -> NDArray[np.float32]:
        grey = luma * (CODE16 / most)
        codes = (np.clip(grey + channel, 0, CODE16).astype(np.int32) for channel in added)
        return np.asarray(sum(part[code] for part, code in zip(parts, codes, strict=True)), dtype=np.float32)

    low, high = np.zeros(cb.shape, dtype=np.int64), np.full(cb.shape, most, dtype=np.int64)
    for _ in range(AVIF_BITS):
        middle = (low + high) // 2
        enough = give(middle) >= luminance_nits
        low, high = np.where(enough, low, middle + 1), np.where(enough, middle, high)
    below = np.maximum(high - 1, 0)
    nearer = np.abs(give(below) - luminance_nits) < np.abs(give(high) - luminance_nits)
    return np.where(nearer, below, high)


def _encode_av1(planes: tuple[NDArray[np.int64], ...], *, rows: int, columns: int) -> bytes:
    """An AVIF file as PyAV writes it."""
    held = io.BytesIO()
    with _quiet(), usual_priority(), av.open(held, "w", format="avif") as file:
        stream = file.add_stream("libsvtav1", rate=1, options=dict(AVIF_QUALITY))
        stream.width, stream.height, stream.pix_fmt = columns, rows, "yuv420p10le"
        frame = av.VideoFrame(columns, rows, "yuv420p10le")
        for tagged in (stream.codec_context, frame):
            tagged.color_primaries, tagged.color_trc, tagged.colorspace, tagged.color_range = PRIMARIES, TRANSFER, MATRIX, FULL_RANGE
        for plane, codes in zip(frame.planes, planes, strict=True):
            stored = np.frombuffer(memoryview(plane), "<u2").reshape(plane.height, -1)
            stored[:] = 0
            stored[:, : plane.width] = codes
        frame.pts, frame.time_base = 0, Fraction(1)
        with decoding("a still that is coded as AVIF"):  # an encoder that never comes back is noticed as a decoder is
            file.mux(stream.encode(frame))
            file.mux(stream.encode(None))
    return held.getvalue()


@contextmanager
def usual_priority() -> Iterator[None]:
    """Around an encoder: SVT-AV1, run as root, leaves the thread that called it, and all processes that it starts, at real-time priority.

    Two such processes that wait for each other's threads keep a machine of two cores from doing anything else.
    """
    if not hasattr(os, "sched_getscheduler"):
        yield
        return
    policy, priority = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        yield
    finally:
        os.sched_setscheduler(0, policy, priority)


@contextmanager
def _quiet() -> Iterator[None]:
    """SVT-AV1 writes what it does to the terminal unless this variable asks for errors alone."""
    before = os.environ.get("SVT_LOG")
    os.environ["SVT_LOG"] = before or "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ["SVT_LOG"]


# ---------------------------------------------------------------- light


@cache
def _pq_table() -> NDArray[np.float64]:
    """Light of every 16-bit PQ code, cd/m2."""
    table = pq_to_nits(np.arange(CODE16 + 1) / CODE16)
    table.flags.writeable = False
    return table


def _light(code16: NDArray[np.uint16]) -> NDArray[np.float64]:
    return _pq_table()[code16]


def _light_of_ycbcr(luma: NDArray[np.integer], cb: NDArray[np.float64], cr: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light of 10-bit full-range codes; R', G' and B' outside 0 to 1 are clipped, as a screen does."""
    kinds = ("luma", "chroma", "chroma")
    signal = [
        code_to_signal(code, bit_depth=AVIF_BITS, code_range="full", component=kind)
        for code, kind in zip((luma, cb, cr), kinds, strict=True)
    ]
    rgb = ycbcr_to_rgb(np.stack(signal, axis=-1), matrix="bt2020-ncl")
    return _light(np.rint(np.clip(rgb, 0.0, 1.0) * CODE16).astype(np.uint16))


def _luminance(rgb_nits: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(rgb_nits @ np.asarray(LUMINANCE_WEIGHTS))


def _block_means(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means over blocks; those at the right and lower edge hold what is left."""
    starts = [np.arange(0, size, BLOCK_PIXELS) for size in values.shape]
    sums = np.add.reduceat(np.add.reduceat(values, starts[0], axis=0), starts[1], axis=1)
    sizes = [np.diff([*start, size]) for start, size in zip(starts, values.shape, strict=True)]
    return np.asarray(sums / np.outer(*sizes))


def _tags(holder: object) -> tuple[int, ...]:
    return tuple(int(getattr(holder, name)) for name in ("color_primaries", "color_trc", "colorspace", "color_range"))
