"""Decoding on a graphics card: taken only where its first pictures are those of the processor, code for code."""

from __future__ import annotations

import itertools
from dataclasses import replace

import av
import numpy as np

from pairdiff._errors import PairdiffError
from pairdiff._records import Frame, Release
from pairdiff.clip.container import CARD
from pairdiff.clip.probe import is_of_pictures
from pairdiff.frames.decode import FrameReader

COMPARED = 6
"""Pictures that are decoded in both ways before a card is believed (own)."""


def choose_decoder(release: Release, *, wanted: str) -> Release:
    """The release with what is to decode it, and a note of what that is, or why the card does not.

    Parameters
    ----------
    release
        What `probe_release` returned.
    wanted
        `software`, `cuda`, or `auto`: a card where there is one that decodes this file.

    Returns
    -------
    Release
    """
    if wanted == "software" or is_of_pictures(release):
        return release
    if release.parts:
        parts = tuple(choose_decoder(part, wanted=wanted) for part in release.parts)
        notes = dict.fromkeys(note for part in parts for note in part.notes if note not in release.notes)
        return replace(release, parts=parts, notes=(*release.notes, *notes))
    fault = find_fault(release)
    if fault is None:
        note = f"decoded by an NVIDIA card (--decoder {wanted}); its first pictures are those of the processor, code for code."
        return replace(release, decoder=CARD, notes=(*release.notes, note))
    if wanted == "auto":
        return release
    return replace(release, notes=(*release.notes, f"decoded by the processor, since no NVIDIA card can ({fault})."))


def find_fault(release: Release) -> str | None:
    """Why a card does not decode a release as the processor does, in words; None where it does."""
    try:
        theirs = _first_pictures(replace(release, decoder=CARD))
    except (PairdiffError, av.error.FFmpegError, RuntimeError, OSError) as error:
        return "none is found" if isinstance(error, PairdiffError) else f"none that decodes {release.codec} is found"
    ours = _first_pictures(replace(release, decoder="software"))
    if len(ours) != len(theirs) or not all(map(_is_same, ours, theirs)):
        return "its pictures are others"
    return None


def _first_pictures(release: Release) -> list[Frame]:
    with FrameReader(release, threads=1) as reader:
        return [replace(frame, planes=tuple(plane.copy() for plane in frame.planes)) for frame in itertools.islice(reader, COMPARED)]


def _is_same(one: Frame, other: Frame) -> bool:
    planes = len(one.planes) == len(other.planes) and all(map(np.array_equal, one.planes, other.planes))
    return planes and (one.time_s, one.key_frame) == (other.time_s, other.key_frame)
