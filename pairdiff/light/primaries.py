"""Primaries: BT.709, P3-D65 and BT.2020, all with white D65, so that changing primaries needs no adaptation.

Sources: BT.709-6 item 1.3, SMPTE EG 432-1, BT.2020-2 Table 3; BT.2087-0 (BT.709 to BT.2020), BT.2407-0 section 2 (BT.2020 to BT.709).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import UsageError

WHITE_D65_XY = (0.3127, 0.3290)
"""CIE 1931 x, y of D65 white (BT.709-6 item 1.4; BT.2020-2 Table 3)."""
PRIMARIES_XY: dict[str, tuple[tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "bt709": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    "p3-d65": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
    "bt2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}
"""CIE 1931 x, y of red, green and blue."""

HUES_SHARE = 0.6
"""To what share of the next one's distance a set of primaries must bring hues to be told by them (own)."""
LEAST_APART = 0.002
"""Distance of the next one from which anything is told: below it the picture is as good as grey (own; one 8-bit step of a mid-tone)."""
MIDDLE_LIGHT = (0.05, 0.8)
"""Light, 1 at white, between which hues are held against each other: darker ones are noise, brighter ones may be cut (own)."""


def rgb_to_xyz_matrix(name: str) -> NDArray[np.float64]:
    """Matrix from linear R, G, B to CIE 1931 X, Y, Z, white at Y = 1.

    Parameters
    ----------
    name : {"bt709", "p3-d65", "bt2020"}
        Primaries.

    Returns
    -------
    NDArray[np.float64]
        (3, 3), for column vectors.

    Raises
    ------
    UsageError
        For primaries that are not known.

    Notes
    -----
    Source: the chromaticities of the standard, normalised to white (SMPTE RP 177).
    """
    return _rgb_to_xyz(_known(name)).copy()


def conversion_matrix(source: str, target: str) -> NDArray[np.float64]:
    """Matrix from linear R, G, B of one set of primaries to those of another.

    Parameters
    ----------
    source, target : {"bt709", "p3-d65", "bt2020"}
        Primaries.

    Returns
    -------
    NDArray[np.float64]
        (3, 3), for column vectors.

    Raises
    ------
    UsageError
        For primaries that are not known.

    Notes
    -----
    Source: BT.2087-0 and BT.2407-0 section 2 print these to four places; here they follow from the chromaticities.
    """
    if _known(source) == _known(target):
        return np.eye(3)
    return np.asarray(np.linalg.solve(_rgb_to_xyz(target), _rgb_to_xyz(source)), dtype=np.float64)


def convert_primaries(rgb: ArrayLike, *, source: str, target: str) -> NDArray[np.float64]:
    """Express linear light in other primaries. Nothing is clipped: colours outside the target come out negative.

    Parameters
    ----------
    rgb : array_like
        (..., 3) linear, any unit.
    source, target : {"bt709", "p3-d65", "bt2020"}
        Primaries.

    Returns
    -------
    NDArray[np.float64]
        (..., 3), same unit.

    Raises
    ------
    UsageError
        For primaries that are not known, or a last axis that is not 3 long.
    """
    values = _triplets(rgb)
    return np.asarray(values @ conversion_matrix(source, target).T)


def hues_apart(rgb: ArrayLike, other: ArrayLike, *, other_primaries: str) -> dict[str, float]:
    """How far the hues of a picture lie from those of another rendition of it, for each set of primaries that it may have.

    Parameters
    ----------
    rgb, other : ArrayLike
        (..., 3) linear light of the same places, each in its own unit.
    other_primaries : {"bt709", "p3-d65", "bt2020"}
        Of the other.

    Returns
    -------
    dict[str, float]
        Mean distance of the chromaticities (shares of R, G and B, BT.2020) over places that are neither dark nor near the top of the other.
    """
    first, second = _triplets(rgb).reshape(-1, 3), _triplets(other).reshape(-1, 3)
    level = second.max(-1)
    middle = (level > MIDDLE_LIGHT[0]) & (level < MIDDLE_LIGHT[1]) & (first.max(-1) > 0)
    wanted = _shares(convert_primaries(second[middle], source=other_primaries, target="bt2020"))
    apart = {name: _shares(convert_primaries(first[middle], source=name, target="bt2020")) - wanted for name in PRIMARIES_XY}
    return {name: float(np.abs(one).mean()) if one.size else 0.0 for name, one in apart.items()}


def primaries_by_hues(rgb: ArrayLike, other: ArrayLike, *, other_primaries: str) -> str | None:
    """Primaries of a picture by the hues it shares with another rendition of it; None where these do not tell, as of greys.

    Parameters
    ----------
    rgb, other, other_primaries : as for `hues_apart`.
    """
    apart = hues_apart(rgb, other, other_primaries=other_primaries)
    first, second, *_ = sorted(apart, key=lambda name: apart[name])
    return first if apart[second] >= LEAST_APART and apart[first] <= HUES_SHARE * apart[second] else None


def _shares(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(rgb / np.maximum(np.abs(rgb).sum(-1, keepdims=True), 1e-9))


def inside_gamut(rgb: ArrayLike, *, source: str, target: str, tolerance: float = 1e-6) -> NDArray[np.bool_]:
    """Whether colours lie inside a gamut: no component is negative once expressed in its primaries.

    Brightness plays no part: a colour brighter than white still counts as inside.

    Parameters
    ----------
    rgb : array_like
        (..., 3) linear, in the source primaries.
    source, target : {"bt709", "p3-d65", "bt2020"}
        Primaries.
    tolerance : float
        How far a component may fall below 0, as a share of the largest one.

    Returns
    -------
    NDArray[np.bool_]
        (...); black is inside.

    Raises
    ------
    UsageError
        For primaries that are not known, or a last axis that is not 3 long.
    """
    values = convert_primaries(rgb, source=source, target=target)
    return np.asarray(values.min(axis=-1) >= -tolerance * np.abs(values).max(axis=-1))


def gamut_area(name: str, *, diagram: str = "xy") -> float:
    """Area of a gamut's triangle on a chromaticity diagram.

    Parameters
    ----------
    name : {"bt709", "p3-d65", "bt2020"}
        Primaries.
    diagram : {"xy", "uv"}
        CIE 1931 x, y or CIE 1976 u', v'.

    Returns
    -------
    float
        Area in units of the diagram.

    Raises
    ------
    UsageError
        For primaries or a diagram that are not known.
    """
    corners = np.asarray(PRIMARIES_XY[_known(name)])
    if diagram == "uv":
        x, y = corners[:, 0], corners[:, 1]
        corners = np.stack([4 * x, 9 * y], axis=-1) / (-2 * x + 12 * y + 3)[:, None]
    elif diagram != "xy":
        raise UsageError(f"Diagram {diagram!r} is not known; use xy or uv.")
    first, second = corners[1] - corners[0], corners[2] - corners[0]
    return float(abs(first[0] * second[1] - first[1] * second[0]) / 2)


@lru_cache(maxsize=8)
def _rgb_to_xyz(name: str) -> NDArray[np.float64]:
    corners = np.asarray([*PRIMARIES_XY[name], WHITE_D65_XY])
    xyz = np.stack([corners[:, 0], corners[:, 1], 1 - corners.sum(axis=1)]) / corners[:, 1]
    return np.asarray(xyz[:, :3] * np.linalg.solve(xyz[:, :3], xyz[:, 3]))


def _known(name: str) -> str:
    if name not in PRIMARIES_XY:
        raise UsageError(f"Primaries {name!r} are not known; use one of {', '.join(PRIMARIES_XY)}.")
    return name


def _triplets(values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise UsageError(f"The last axis must hold R, G and B; the array has shape {array.shape}.")
    return array
