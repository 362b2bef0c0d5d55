"""A second opinion on a pair: the published metric that the constants of `on_its_own` are fitted to, run by its own package.

Optional (`pip install 'pairdiff[vdp]'`): the package is large and slow, a few seconds a picture. Display: absolute light up to
10 000 cd/m2, no room light. R. K. Mantiuk et al., "ColorVideoVDP: A visual difference predictor for image, video and display
distortions", ACM Transactions on Graphics, 2024.
"""

from __future__ import annotations

import contextlib
from functools import lru_cache
from importlib.util import find_spec
from typing import Any

import numpy as np

from pairdiff._records import FloatArray
from pairdiff.light.picture import nits_to_pq_picture

PEAK_NITS, CONTRAST = 10_000.0, 1e8
"""Display that the metric is told of: absolute light, cd/m2, and a black that is black (own)."""
BEST_JOD = 10.0
"""Score of two equal pictures on the metric's scale (Mantiuk et al. 2024)."""


def has_second_opinion() -> bool:
    """Whether the metric's package is installed."""
    return find_spec("pycvvdp") is not None


def ask_second_opinion(hdr_nits: FloatArray, sdr_nits: FloatArray, *, pixels_per_degree: float) -> float | None:
    """Loss of the SDR picture against the HDR one by the published metric.

    Parameters
    ----------
    hdr_nits, sdr_nits : (row, column, 3) linear BT.2020, cd/m2, at the set-up.
    pixels_per_degree : of the pictures.

    Returns
    -------
    JOD below "no difference", 0 or more; None where the package is not installed or cannot be loaded.
    """
    if not has_second_opinion():
        return None
    try:
        metric = _metric(hdr_nits.shape[0], hdr_nits.shape[1], pixels_per_degree)
    except (ImportError, RuntimeError, AttributeError):  # installed, but not in a state to run: no reason to lose the comparison
        return None
    test, reference = (np.clip(nits_to_pq_picture(side), 0, 1) for side in (sdr_nits, hdr_nits))
    with contextlib.redirect_stdout(_Nowhere()):  # standard output holds the result alone
        score, _ = metric.predict(test, reference, dim_order="HWC")
    return max(BEST_JOD - float(score), 0.0)


class _Nowhere:
    """Takes words and forgets them."""

    def write(self, text: str) -> int:
        return len(text)

    def flush(self) -> None:
        """Nothing is held."""


@lru_cache(maxsize=2)
def _metric(rows: int, columns: int, pixels_per_degree: float) -> Any:
    import pycvvdp
    import torch
    from pycvvdp.display_model import vvdp_display_geometry, vvdp_display_photo_eotf

    return pycvvdp.cvvdp(
        display_photometry=vvdp_display_photo_eotf(PEAK_NITS, contrast=CONTRAST, source_colorspace="BT.2020-PQ", E_ambient=0),
        display_geometry=vvdp_display_geometry((columns, rows), ppd=pixels_per_degree),
        device=torch.device("cpu"),
        quiet=True,
    )
