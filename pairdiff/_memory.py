"""Free memory handed back to the system between the passes of a run.

Pictures of some megabytes come and go in several threads. The C library of Linux (glibc) keeps what was freed, in a pool for each thread,
and the next pass, in other threads, takes new memory beside it.
"""

from __future__ import annotations

import ctypes
import gc
import os
import sys
from functools import cache
from typing import Any

LEAST_BYTES = 384 * 2**20
"""What a process holds before any of it is looked for (own): most of it are the libraries, and looking takes a tenth of a second."""


@cache
def _trim() -> Any:
    """The `malloc_trim` of glibc; None with any other C library."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        return ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return None


def give_back() -> None:
    """Let go of what only refers to itself, readers with their decoders among it, and hand free memory back where the C library can."""
    if _resident_bytes() < LEAST_BYTES:
        return
    gc.collect()
    trim = _trim()
    if trim is not None:
        trim(0)


def _resident_bytes() -> float:
    """What this process holds in memory; infinite where the system does not tell."""
    try:
        with open("/proc/self/statm", encoding="ascii") as told:
            return int(told.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError, AttributeError):
        return float("inf")
