"""The demo film: an invented short in one SDR and five HDR releases, each with a planted truth. Imports nothing that measures."""

from pairdiff._demo.film import TRUTH, DemoFiles, make_demo
from pairdiff._demo.grade import PAIRS

__all__ = ["PAIRS", "TRUTH", "DemoFiles", "make_demo"]
