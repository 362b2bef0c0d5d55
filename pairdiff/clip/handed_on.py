"""Numbered pictures that no reader of films takes (OpenEXR, AVIF), handed on as one lossless film that is read in their place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from fractions import Fraction
from typing import BinaryIO

import av
import numpy as np
from av.container import OutputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from pairdiff._beat import decoding
from pairdiff._errors import DecodeFailed, InputRefused
from pairdiff._records import Side
from pairdiff._settings import Settings
from pairdiff.clip.container import SIDES, choose_stream, open_container
from pairdiff.clip.gain_map import base_item_number
from pairdiff.clip.linear import PQ_POINT, PRIMARIES_POINTS
from pairdiff.clip.metadata import tags_of_picture
from pairdiff.clip.probe import check_stated_size, stream_of_item
from pairdiff.clip.signalling import Tags, name_point

Named = tuple[str, VideoFrame]
"""A picture, and the name of its file."""
UNSPECIFIED_POINT = 2
"""ITU-T H.273: not stated."""
LOSSLESS = {"level": "3", "slices": "4", "strict": "experimental"}
"""FFV1 (RFC 9043), version 3; 16-bit pictures are still called experimental by the encoder."""


def pq_tags(primaries: str) -> Tags:
    """Of full-range PQ R'G'B' with these primaries."""
    return Tags(PQ_POINT, PRIMARIES_POINTS[primaries], 0, 2)


def frame_from_codes(codes: NDArray[np.uint16]) -> VideoFrame:
    """R'G'B' codes of 16 bits, (row, column, 3), as a picture for `encode_film`."""
    return VideoFrame.from_ndarray(np.ascontiguousarray(codes), format="gbrp16le")


def read_alone(path: str, *, side: str) -> VideoFrame:
    """The picture that a file of one picture holds.

    Raises
    ------
    InputRefused, DecodeFailed
        Where it cannot be opened, or holds none that can be decoded.
    """
    picture = None
    with open_container(path, side=side) as container:
        wanted = stream_of_item(container, base_item_number(path))
        try:
            with decoding(path):
                picture = next(container.decode(choose_stream(container, path=path, side=side, wanted=wanted)), None)
        except av.error.FFmpegError:
            picture = None
    if picture is None:
        raise DecodeFailed(f"The picture {path} of the {SIDES[side]} release cannot be decoded. Export it again.")
    return picture


def read_pictures(paths: Sequence[str], *, side: Side, settings: Settings) -> Iterator[Named]:
    """Each file's picture, none beyond the limit on size."""
    for one in paths:
        check_stated_size(one, path=one, side=side, settings=settings)
        yield one, read_alone(one, side=side)


def encode_film(file: BinaryIO, pictures: Iterator[Named], *, rate: Fraction, tags: Tags | None, side: str) -> None:
    """Write pictures as a lossless film, in Matroska.

    Parameters
    ----------
    file
        Open for writing, from which it can be read back and in which it can be searched.
    pictures
        File name and picture, all of one size and pixel format.
    rate
        Pictures a second.
    tags
        Colour description; that of the first picture where None.
    side
        For messages.

    Raises
    ------
    InputRefused
        For a picture of another size, pixel format or colour description than the first, or of a format that no lossless film has.
    """
    with av.open(file, "w", format="matroska") as out:
        stream: VideoStream | None = None
        first, told = None, tags
        for number, (name, picture) in enumerate(pictures):
            form = picture.width, picture.height, picture.format.name
            if stream is None:
                first, told = form, tags or tags_of_picture(picture)
                stream = _add_stream(out, picture, rate=rate, tags=told, side=side)
            if form != first:
                raise InputRefused(
                    f"The picture {name} of the {SIDES[side]} release is another one than the first: {_say_form(form)} in place of "
                    f"{_say_form(first)}. Give pictures of one film."
                )
            if tags is None and tags_of_picture(picture) != told:
                raise InputRefused(
                    f"The picture {name} of the {SIDES[side]} release states another colour description than the first "
                    f"({_say_tags(tags_of_picture(picture))}). Give pictures of one film."
                )
            picture.pts, picture.time_base = number, 1 / rate
            out.mux(stream.encode(picture))
        if stream is not None:
            out.mux(stream.encode(None))


def _say_tags(tags: Tags) -> str:
    return ", ".join(f"{name} {'silent' if point is None else name_point(name, point)}" for name, point in asdict(tags).items())


def _say_form(form: tuple[int, int, str] | None) -> str:
    return "nothing" if form is None else f"{form[0]} x {form[1]} ({form[2]})"


def _add_stream(out: OutputContainer, picture: VideoFrame, *, rate: Fraction, tags: Tags, side: str) -> VideoStream:
    """A lossless stream for pictures such as this one."""
    try:
        stream = out.add_stream("ffv1", rate=rate, options=LOSSLESS)
        stream.width, stream.height, stream.pix_fmt = picture.width, picture.height, picture.format.name
        coder = stream.codec_context
        coder.color_primaries, coder.color_trc = tags.primaries or UNSPECIFIED_POINT, tags.transfer or UNSPECIFIED_POINT
        coder.colorspace, coder.color_range = UNSPECIFIED_POINT if tags.matrix is None else tags.matrix, tags.range or 0
        coder.open()
    except (ValueError, av.error.FFmpegError) as error:
        raise InputRefused(
            f"The pictures of the {SIDES[side]} release have pixels of the format {picture.format.name}, which cannot be handed on without "
            "loss. Give them as 16-bit PNG or TIFF."
        ) from error
    return stream
