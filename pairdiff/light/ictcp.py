"""ICtCp of display light, and the colour difference dE_ITP, exact in float64.

Sources: BT.2100-2 Table 7 and H.264 (08/2021) E-4 to E-6, E-62 to E-67 (matrices); BT.2124-0 Annex 1 (difference). Light that came
from HLG is display light like any other here: the PQ matrix applies.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import UsageError
from pairdiff.light.transfer import nits_to_pq, pq_to_nits

RGB_TO_LMS = np.array([[1688, 2146, 262], [683, 2951, 462], [99, 309, 3688]]) / 4096
"""Linear BT.2020 R, G, B to L, M, S."""
LMS_TO_ICTCP_PQ = np.array([[2048, 2048, 0], [6610, -13613, 7003], [17933, -17390, -543]]) / 4096
"""PQ-coded L', M', S' to I, Ct, Cp."""
LMS_TO_ICTCP_HLG = np.array([[2048, 2048, 0], [3625, -7465, 3840], [9500, -9212, -288]]) / 4096
"""HLG-coded L', M', S' to I, Ct, Cp; a coding form that no measure here uses."""
JND_SCALE = 720.0
"""dE_ITP per unit of I, T, P (BT.2124-0 Annex 1)."""


def nits_to_ictcp(rgb_nits: ArrayLike) -> NDArray[np.float64]:
    """Turn linear light into ICtCp (PQ form).

    Parameters
    ----------
    rgb_nits : array_like
        (..., 3) linear BT.2020, cd/m2. Cone responses below 0 count as 0, above 10 000 as 10 000.

    Returns
    -------
    NDArray[np.float64]
        (..., 3): I, Ct, Cp.

    Raises
    ------
    UsageError
        For a last axis that is not 3 long.

    Notes
    -----
    Source: BT.2100-2 Table 7.
    """
    return np.asarray(nits_to_pq(_triplets(rgb_nits) @ RGB_TO_LMS.T) @ LMS_TO_ICTCP_PQ.T)


def ictcp_to_nits(ictcp: ArrayLike) -> NDArray[np.float64]:
    """Turn ICtCp (PQ form) into linear light; the inverse of `nits_to_ictcp`.

    Parameters
    ----------
    ictcp : array_like
        (..., 3): I, Ct, Cp.

    Returns
    -------
    NDArray[np.float64]
        (..., 3) linear BT.2020, cd/m2, unclipped.

    Raises
    ------
    UsageError
        For a last axis that is not 3 long.

    Notes
    -----
    Source: BT.2100-2 Table 7, inverted.
    """
    lms = pq_to_nits(_triplets(ictcp) @ np.linalg.inv(LMS_TO_ICTCP_PQ).T)
    return np.asarray(lms @ np.linalg.inv(RGB_TO_LMS).T)


def delta_e_itp(first: ArrayLike, second: ArrayLike) -> NDArray[np.float64]:
    """Colour difference dE_ITP; 1 is a just noticeable difference in the most critical state of adaptation.

    Parameters
    ----------
    first, second : array_like
        (..., 3): I, Ct, Cp (not T: the halving of Ct happens here). They broadcast.

    Returns
    -------
    NDArray[np.float64]
        (...).

    Raises
    ------
    UsageError
        For a last axis that is not 3 long.

    Notes
    -----
    Source: BT.2124-0 Annex 1: 720 sqrt(dI^2 + dT^2 + dP^2), T = Ct / 2, P = Cp.
    """
    step = (_triplets(first) - _triplets(second)) * np.array([1.0, 0.5, 1.0])
    return np.asarray(JND_SCALE * np.sqrt((step**2).sum(axis=-1)))


def _triplets(values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise UsageError(f"The last axis must hold three components; the array has shape {array.shape}.")
    return array
