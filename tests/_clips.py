"""Tiny real clips from planes of code values, through PyAV; and small surgery on finished files."""

from __future__ import annotations

import itertools
import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from pairdiff.writeup.hdr_image import usual_priority

Planes = Sequence[NDArray[np.unsignedinteger[Any]]]

PQ_TAGS = (9, 16, 9, 1)  # primaries, transfer, matrix (H.273), range (1 narrow, 2 full)
HLG_TAGS = (9, 18, 9, 1)
SDR_TAGS = (1, 1, 1, 1)
NO_TAGS = (2, 2, 2, 0)

LEAST_REORDERED = 3
"""Pictures from which libx265 may reorder them: of two it gives, now and then, the first one a decoding time behind its own (seen)."""
MASTERING = "master-display=G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(10000000,50)"


def encode_clip(
    path: Path,
    frames_of_planes: Iterable[Planes],
    *,
    codec: str = "libx265",
    pix_fmt: str = "yuv420p10le",
    rate: Fraction | int = 24,
    tags: tuple[int, int, int, int] = PQ_TAGS,
    params: str = "",
    options: Mapping[str, str] | None = None,
    stamps: Sequence[int] | None = None,
) -> Path:
    """Encode planes of code values in the pixel format's own order of planes.

    `params` goes to libx265 or libx264 (`name=value:name=value`), `options` to the encoder; `stamps` are time stamps in milliseconds in
    place of a constant rate.
    """
    given = {"preset": "ultrafast"} if codec in ("libx264", "libx265") else {}
    pictures = iter(frames_of_planes)
    first = list(itertools.islice(pictures, LEAST_REORDERED))
    if codec == "libx265":
        given["x265-params"] = ":".join(filter(None, ("log-level=error", "bframes=0" if len(first) < LEAST_REORDERED else "", params)))
    elif codec == "libx264" and params:
        given["x264-params"] = params
    base = Fraction(1, 1000) if stamps else 1 / Fraction(rate)
    with usual_priority(), av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=Fraction(rate), options={**given, **(options or {})})
        encoder = stream.codec_context
        if stamps:
            encoder.time_base = base
        for number, planes in enumerate(itertools.chain(first, pictures)):
            frame = _frame_of(planes, pix_fmt)
            if number == 0:
                stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, pix_fmt
                encoder.color_primaries, encoder.color_trc, encoder.colorspace, encoder.color_range = tags
            frame.pts, frame.time_base = stamps[number] if stamps else number, base
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def _frame_of(planes: Planes, pix_fmt: str) -> av.VideoFrame:
    rows, columns = planes[0].shape[:2]
    frame = av.VideoFrame(columns, rows, pix_fmt)
    kind = np.uint16 if frame.format.components[0].bits > 8 else np.uint8
    for plane, codes in zip(frame.planes, planes, strict=True):
        stored = np.frombuffer(plane, kind).reshape(plane.height, -1)
        flat = np.asarray(codes).reshape(codes.shape[0], -1)  # NV12, P010 and RGB24 hold interleaved values
        stored[:, : flat.shape[1]] = flat
    return frame


def moving_planes(count: int, *, bits: int = 10, rows: int = 108, columns: int = 192, sampling: str = "420") -> list[Planes]:
    """Pictures that differ from each other everywhere: noise that scrolls, so that every picture can be told from its neighbours."""
    noise = np.random.default_rng(5).integers(0, 2**bits // 4, (rows + 60, columns + count + 1))
    kind = np.uint16 if bits > 8 else np.uint8
    small = (-(-rows // 2) if sampling == "420" else rows, -(-columns // 2) if sampling != "444" else columns)
    pictures: list[Planes] = []
    for number in range(count):
        luma = noise[number % 60 : number % 60 + rows, number : number + columns] + 2**bits // 4
        chroma = [noise[:: place + 1, number:][: small[0], : small[1]] + 2**bits * 3 // 8 for place in (0, 0)]
        pictures.append([plane.astype(kind) for plane in (luma, *chroma)])
    return pictures


def add_boxes_to_sample_entry(path: Path, boxes: bytes, *, entry: bytes = b"hev1") -> Path:
    """Put boxes at the end of the video sample entry of an MP4 file whose `moov` comes last; every enclosing box grows."""
    data = bytearray(path.read_bytes())
    place = data.rfind(b"moov") - 4
    for name in (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stsd", entry):
        while data[place + 4 : place + 8] != name:
            place += int.from_bytes(data[place : place + 4], "big")
        size = int.from_bytes(data[place : place + 4], "big")
        data[place : place + 4] = (size + len(boxes)).to_bytes(4, "big")
        end = place + size
        place += 16 if name == b"stsd" else 8
    data[end:end] = boxes
    path.write_bytes(data)
    return path


def container_metadata(*, max_nits: float, max_cll: int, max_fall: int) -> bytes:
    """`mdcv` and `clli` boxes (ISO/IEC 14496-12): primaries G, B, R of BT.2020-like P3, in units of 0.00002; luminance of 0.0001 cd/m2."""
    mdcv = struct.pack(">8H2I", 13250, 34500, 7500, 3000, 34000, 16000, 15635, 16450, round(max_nits * 10_000), 50)
    clli = struct.pack(">2H", max_cll, max_fall)
    return b"".join(struct.pack(">I", 8 + len(body)) + name + body for name, body in ((b"mdcv", mdcv), (b"clli", clli)))


def remux_packets(source: Path, target: Path, *, appended: bytes = b"") -> Path:
    """Copy a video stream packet by packet; `appended` goes to the end of each packet, as one length-prefixed unit."""
    unit = struct.pack(">I", len(appended)) + appended if appended else b""
    with av.open(str(source)) as reading, av.open(str(target), "w") as writing:
        stream = reading.streams.video[0]
        copy = writing.add_stream_from_template(stream)
        for packet in reading.demux(stream):
            if not packet.size:
                continue
            new = av.Packet(bytes(packet) + unit)
            new.pts, new.dts, new.time_base, new.is_keyframe = packet.pts, packet.dts, packet.time_base, packet.is_keyframe
            new.stream = copy
            writing.mux(new)
    return target


def rewrite_packets(source: Path, target: Path, change: Callable[[int, bytearray], bytearray]) -> Path:
    """Copy a video stream packet by packet, in the order of coding; `change` gives each (number, body) its new body."""
    with av.open(str(source)) as reading, av.open(str(target), "w") as writing:
        stream = reading.streams.video[0]
        copy = writing.add_stream_from_template(stream)
        for number, packet in enumerate(packet for packet in reading.demux(stream) if packet.size):
            new = av.Packet(bytes(change(number, bytearray(bytes(packet)))))
            new.pts, new.dts, new.time_base, new.is_keyframe = packet.pts, packet.dts, packet.time_base, packet.is_keyframe
            new.stream = copy
            writing.mux(new)
    return target


def spoil_packets(source: Path, target: Path, wanted: range) -> Path:
    """A copy of a video stream with the second half of some packets overwritten."""

    def spoil(number: int, body: bytearray) -> bytearray:
        if number in wanted:
            half = len(body) // 2
            body[half:] = np.random.default_rng(number).integers(0, 256, len(body) - half, dtype=np.uint8).tobytes()
        return body

    return rewrite_packets(source, target, spoil)


def repeat_clip(source: Path, target: Path, *, times: int, skip: int = 0) -> Path:
    """The pictures of a clip over and over, at its constant rate, as one film; the first time without its first `skip` coded pictures.

    The clip begins with a key frame and refers to no picture before any of its key frames, and `skip` leads to one.
    """
    with av.open(str(source)) as given:
        stream = given.streams.video[0]
        rate, base = Fraction(stream.average_rate or 24), stream.time_base
        packets = [(bytes(one), one.pts, one.is_keyframe) for one in given.demux(stream) if one.size]
        shown = [round(pts * base * rate) for _, pts, _ in packets if pts is not None and base is not None]
        first, count = min(shown), len(packets)
        late = max(place - (number - first) for place, number in enumerate(shown))
        with av.open(str(target), "w") as out:
            copy = out.add_stream_from_template(stream)
            for place in range(skip, times * count):
                data, _, key = packets[place % count]
                packet = av.Packet(data)
                packet.stream, packet.time_base, packet.is_keyframe = copy, 1 / rate, key
                packet.pts = shown[place % count] - first + place // count * count - skip + late
                packet.dts = place - skip
                out.mux(packet)
    return target
