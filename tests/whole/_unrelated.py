"""Films that do not belong together, each as an HDR and an SDR file of its own."""

from __future__ import annotations
from pathlib import Path
from typing import NamedTuple
class Film(NamedTuple):
    name: str
    hdr: Path
    sdr: Path
def write_unrelated(folder): return []
