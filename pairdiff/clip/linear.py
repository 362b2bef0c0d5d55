"""Pictures of linear light: OpenEXR, and the HDR rendition of a gain-map JPEG (ISO 21496-1); and how they are handed on as PQ.

That of a gain-map AVIF is made of two pictures of its file (`renditions`), by `light.gain_map`.
"""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path
from typing import Any, cast

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._beat import decoding
from pairdiff._errors import InputRefused
from pairdiff.clip.container import SIDES, open_container
from pairdiff.clip.gain_map import gain_map_state
from pairdiff.clip.heif_items import is_heif
from pairdiff.clip.picture_size import EXR_MAGIC, JPEG_MAGIC, find_exr_fault
from pairdiff.clip.signalling import PRIMARIES_NAMES

GAIN_MAP_MARKS = (b"urn:iso:std:iso:ts:21496:-1", b"http://ns.adobe.com/hdr-gain-map/1.0/")
"""How a JPEG says that it holds a gain map: ISO 21496-1, and the form before it."""
AVIF_GAIN_MAP = "AVIF gain map"
GAIN_MAPS = ("gain map", AVIF_GAIN_MAP)
"""Kinds of `linear_kind` of which one file is a pair: its HDR rendition and its base picture."""
PRIMARIES_POINTS = {name: point for point, name in PRIMARIES_NAMES.items()}
"""ITU-T H.273."""
PQ_POINT = 16
"""Transfer, ITU-T H.273."""
HEAD_BYTES = 65536
"""Beginning of a file that is looked at before all of it is read."""
HEAD_END_BYTES = 33
"""Signature and IHDR chunk of a PNG; other chunks come behind them (PNG third edition 5.2, 11.2.1)."""


def linear_kind(path: str) -> str | None:
    """`exr`, `gain map` (JPEG) or `AVIF gain map` for such a picture, by what it holds; None for anything else.

    An AVIF picture whose base is the HDR rendition needs no gain map for that, and is none.
    """
    if not os.path.isfile(path):
        return None
    with open(path, "rb") as file:
        head = file.read(HEAD_BYTES)
        if head.startswith(EXR_MAGIC):
            return "exr"
        if is_heif(head):
            return AVIF_GAIN_MAP if gain_map_state(path) in ("base is sdr", "broken") else None
        if not head.startswith(JPEG_MAGIC):
            return None
        whole = head + file.read()
    return "gain map" if any(mark in whole for mark in GAIN_MAP_MARKS) else None


def read_linear(path: str, *, kind: str, side: str, most_megapixels: float) -> NDArray[np.float32]:
    """Linear light of a picture, as its own numbers say it; what is below 0 or not a number is 0.

    Parameters
    ----------
    path
        The file.
    kind
        `exr` or `gain map`, as of `linear_kind`.
    side
        For messages.
    most_megapixels
        Largest picture, million pixels.

    Returns
    -------
    (row, column, 3) R, G, B of the file's own primaries.

    Raises
    ------
    InputRefused
        For a picture that cannot be read, or is too large, and a gain map without the library that reads it.
    """
    picture = _read_exr(path, side=side) if kind == "exr" else _read_gain_map(path, side=side)
    if picture.shape[0] * picture.shape[1] > most_megapixels * 1e6:
        raise InputRefused(
            f"The {SIDES[side]} release {path} is a picture of {picture.shape[1]} x {picture.shape[0]}; the limit is {most_megapixels:g} "
            "million pixels (--picture-limit-megapixels)."
        )
    return without_odd_numbers(picture)


def without_odd_numbers(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light as it can be shown: what is below 0 or not a number is 0, and what is endless the most there is. The picture is changed."""
    picture[~(picture > 0)] = 0  # what is not a number as well
    return np.minimum(picture, np.finfo(np.float32).max)


def _read_exr(path: str, *, side: str) -> NDArray[np.float32]:
    fault = find_exr_fault(path)
    if fault is not None:
        raise InputRefused(
            f"The OpenEXR picture {path} of the {SIDES[side]} release cannot be read as it should be: {fault}. Export it again, whole, "
            "with a display window that begins at 0, 0."
        )
    with open_container(path, side=side) as container:
        try:
            with decoding(path):
                picture = next(container.decode(container.streams.video[0]), None)
        except av.error.FFmpegError:
            picture = None
    name = "" if picture is None else picture.format.name
    if picture is None or not name.startswith(("gbrpf", "gbrapf")):
        raise InputRefused(
            f"The {SIDES[side]} release {path} is an OpenEXR picture that cannot be read as R, G and B (found: {name or 'nothing'}). "
            "Save it with three colour channels in half or float."
        )
    kind: Any = np.float16 if "f16" in name else np.float32
    planes = [np.frombuffer(cast("Any", plane), kind).reshape(plane.height, -1)[:, : picture.width] for plane in picture.planes]
    return np.stack([planes[2], planes[0], planes[1]], -1).astype(np.float32)


def _read_gain_map(path: str, *, side: str) -> NDArray[np.float32]:
    try:
        import imagecodecs
    except ImportError:
        raise InputRefused(
            f"The {SIDES[side]} release {path} is a JPEG with a gain map; its HDR rendition is read by imagecodecs, which is not "
            "installed: pip install 'pairdiff[stills]'."
        ) from None
    try:
        with decoding(path):
            decoded = imagecodecs.ultrahdr_decode(Path(path).read_bytes())
    except Exception as error:  # the library raises one of its own, which it does not export everywhere
        raise InputRefused(
            f"The gain map of the {SIDES[side]} release {path} cannot be applied ({error}). Save the picture again, or "
            "give its HDR rendition."
        ) from error
    return np.asarray(decoded[..., :3], np.float32)


def encode_png(codes: NDArray[np.uint16], *, points: tuple[int, int]) -> bytes:
    """Codes as a PNG that says how they are to be read (cICP, PNG third edition 11.3.2.5).

    Parameters
    ----------
    codes
        (row, column, 3) R'G'B' of full range.
    points
        Their primaries and transfer, ITU-T H.273 code points.

    Returns
    -------
    The file.

    Raises
    ------
    InputRefused
        For a picture that is too large for the encoder.
    """
    done, data = cv2.imencode(".png", np.ascontiguousarray(codes[..., ::-1]), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise InputRefused(f"A picture of {codes.shape[1]} x {codes.shape[0]} cannot be handed on as PNG: it is too large.")
    body = b"cICP" + bytes([*points, 0, 1])
    png = data.tobytes()
    return png[:HEAD_END_BYTES] + struct.pack(">I", 4) + body + struct.pack(">I", zlib.crc32(body)) + png[HEAD_END_BYTES:]
