"""Free memory handed back to the system between the passes of a run.

Pictures of some megabytes come and go in several threads. The C library of Linux (glibc) keeps what was freed, in a pool for each thread,
and the next pass, in other threads, takes new memory beside it.
"""

from __future__ import annotations

import ctypes
import gc
import sys
from functools import cache
from typing import Any


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
    gc.collect()
    trim = _trim()
    if trim is not None:
        trim(0)
