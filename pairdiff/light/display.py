"""Displays as data, the roll-off that fits HDR into them, and the veil of black and room light.

Roll-off (EETF): BT.2408-8 Annex 5, formerly in BT.2390. The measures use max(R, G, B) with zero black, the only application space besides
R'G'B' that stays below the target peak and the one that keeps hue; the others are here to check against what is published.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import UsageError
from pairdiff.frames.quantisation import rgb_to_ycbcr, ycbcr_to_rgb
from pairdiff.light.ictcp import LMS_TO_ICTCP_PQ, RGB_TO_LMS
from pairdiff.light.transfer import LUMINANCE_WEIGHTS, PQ_PEAK_NITS, nits_to_pq, pq_to_nits

SPACES = ("max-rgb", "y-rgb", "rgb", "ictcp-i", "ycbcr")


@dataclass(frozen=True, slots=True)
class Display:
    """A display that both sides are shown on."""

    name: str
    words: str
    """What it is, in words."""
    peak_nits: float
    """Light of a small highlight, cd/m2."""
    black_nits: float
    """Light of black in a dark room, cd/m2."""
    full_field_nits: float | None
    """Limit for a wholly white picture, cd/m2; None where there is none. Printed beside the results, not modelled."""
    reflectance: float
    """Share of the room light on the screen that it throws back diffusely, 0 to 1."""
    reasoning: str
    """Why these numbers."""
    origin: str
    """`own`, or the source."""


PRESETS: dict[str, Display] = {
    "reference": Display(
        name="reference",
        words="reference monitor without limits",
        peak_nits=PQ_PEAK_NITS,
        black_nits=0.0,
        full_field_nits=None,
        reflectance=0.0,
        reasoning="Absolute light as the release codes it, up to its mastering peak: nothing rolls off, nothing veils. Whatever is hidden "
        "here is hidden everywhere.",
        origin="ST 2084:2014 (absolute light up to 10 000 cd/m2)",
    ),
    "self-emissive": Display(
        name="self-emissive",
        words="self-emissive home set, dark room",
        peak_nits=800.0,
        black_nits=0.0005,
        full_field_nits=150.0,
        reflectance=0.005,
        reasoning="A middling home set whose pixels light themselves: practically no black light, a few hundred cd/m2 in highlights, "
        "far less when the whole picture is white. Order of size is common practice, no source; the black level is the limit of a trade "
        "badge for such sets, from memory.",
        origin="own",
    ),
    "lcd-bright": Display(
        name="lcd-bright",
        words="bright LCD with zoned back light",
        peak_nits=1000.0,
        black_nits=0.05,
        full_field_nits=500.0,
        reflectance=0.01,
        reasoning="An LCD good enough for the trade's badge for bright sets (1000 and 0.05 cd/m2, from memory); full-field light by common "
        "practice, no source. Zones are not modelled.",
        origin="own",
    ),
    "lcd-dim": Display(
        name="lcd-dim",
        words="ordinary LCD that merely accepts HDR",
        peak_nits=350.0,
        black_nits=0.1,
        full_field_nits=300.0,
        reflectance=0.02,
        reasoning="What the cheapest sets do: about the light of a bright SDR set, one back light, matt screen. Common practice, no "
        "source. Here HDR has least room to differ.",
        origin="own",
    ),
}
"""Displays by name."""
OWN_FIELDS = {"peak": "peak_nits", "black": "black_nits", "full-field": "full_field_nits", "reflectance": "reflectance"}
OWN_DEFAULTS = {"black_nits": 0.0, "reflectance": 0.0}


def read_displays(names: str, own: str | None) -> tuple[Display, ...]:
    """Displays named in the settings, presets and the user's.

    Parameters
    ----------
    names : str
        Names of presets or of `own`, with commas; may be empty.
    own : str or None
        `NAME: peak 600, black 0.02, full-field 200, reflectance 0.01; NAME: ...`: light in cd/m2; only the peak must be stated.

    Returns
    -------
    tuple of Display
        In the order of `names`, then those of `own` that it does not name.

    Raises
    ------
    UsageError
        For a name that is not known, words that cannot be read, a peak that is not above black.
    """
    stated = dict(_read_own(text.strip()) for text in (own or "").split(";") if text.strip())
    known, wanted = {**PRESETS, **stated}, [name.strip() for name in names.split(",") if name.strip()]
    for name in wanted:
        if name not in known:
            raise UsageError(f"--displays: found {name!r}, expected names out of {', '.join(known)}; --own-displays adds yours.")
    return tuple(known[name] for name in dict.fromkeys([*wanted, *stated]))


def _read_own(text: str) -> tuple[str, Display]:
    name, _, numbers = text.partition(":")
    given: dict[str, float | None] = {"full_field_nits": None, **OWN_DEFAULTS}
    for part in numbers.split(","):
        word, _, value = part.strip().rpartition(" ")
        try:
            given[OWN_FIELDS[word.strip()]] = float(value)
        except (KeyError, ValueError):
            raise UsageError(
                f"--own-displays: {part.strip()!r} in {text!r} cannot be read. Write NAME: peak 600, black 0.02, full-field 200, "
                "reflectance 0.01 (light in cd/m2, reflectance as a share); only the peak must be stated."
            ) from None
    peak, black, share = given.get("peak_nits"), given["black_nits"], given["reflectance"]
    if not name.strip() or peak is None or black is None or share is None or not 0 <= share <= 1:
        raise UsageError(f"--own-displays: {text!r} needs a name, a peak, and a reflectance of 0 to 1: NAME: peak 600, black 0.02.")
    _check_range(f"display {name.strip()!r}", peak, black)
    own = Display(name.strip(), "stated by the user", peak, black, given["full_field_nits"], share, "Stated by the user.", "user")
    return own.name, own


@dataclass(frozen=True, slots=True)
class Knee:
    """Where the roll-off begins; the symbols of BT.2408-8 Annex 5 in PQ signal normalised to the source."""

    max_lum: float
    min_lum: float
    knee_start: float
    knee_nits: float
    """Light at the start of the knee, cd/m2."""


def eetf_knee(*, source_peak_nits: float, target_peak_nits: float, source_black_nits: float = 0.0, target_black_nits: float = 0.0) -> Knee:
    """Parameters of the roll-off between two displays.

    Parameters
    ----------
    source_peak_nits, source_black_nits : float
        Of the mastering display or the content, cd/m2.
    target_peak_nits, target_black_nits : float
        Of the display, cd/m2.

    Returns
    -------
    Knee
        maxLum, minLum, KS and the light at KS.

    Raises
    ------
    UsageError
        For a peak that is not above black or beyond 10 000 cd/m2, or a target so dim that the knee would fall below black.

    Notes
    -----
    Source: BT.2408-8 Annex 5: KS = 1.5 maxLum - 0.5.
    """
    _check_range("source", source_peak_nits, source_black_nits)
    _check_range("target", target_peak_nits, target_black_nits)
    low, high, peak, black = (float(v) for v in nits_to_pq([source_black_nits, source_peak_nits, target_peak_nits, target_black_nits]))
    max_lum, min_lum = (peak - low) / (high - low), (black - low) / (high - low)
    start = 1.5 * max_lum - 0.5
    if start < 0:
        raise UsageError(
            f"A target peak of {target_peak_nits} cd/m2 is too low for a source peak of {source_peak_nits} cd/m2: the knee would lie below "
            "black. Give a brighter display."
        )
    return Knee(max_lum, min_lum, start, float(pq_to_nits(start * (high - low) + low)))


def eetf(
    nits: ArrayLike, *, source_peak_nits: float, target_peak_nits: float, source_black_nits: float = 0.0, target_black_nits: float = 0.0
) -> NDArray[np.float64]:
    """Roll light off to what a display can show; each value by itself.

    Parameters
    ----------
    nits : array_like
        cd/m2, any shape. Above the source peak it counts as the source peak where the target is dimmer; below the source black as black.
    source_peak_nits, source_black_nits : float
        Of the mastering display or the content, cd/m2.
    target_peak_nits, target_black_nits : float
        Of the display, cd/m2.

    Returns
    -------
    NDArray[np.float64]
        cd/m2. With a target black above the source's, the peak lands slightly above the target (1000.33 for 0.05 to 1000): so the
        standard's curve does.

    Raises
    ------
    UsageError
        As `eetf_knee`.

    Notes
    -----
    Source: BT.2408-8 Annex 5.
    """
    return pq_to_nits(
        eetf_code(
            nits_to_pq(nits),
            source_peak_nits=source_peak_nits,
            target_peak_nits=target_peak_nits,
            source_black_nits=source_black_nits,
            target_black_nits=target_black_nits,
        )
    )


def eetf_code(
    code: ArrayLike, *, source_peak_nits: float, target_peak_nits: float, source_black_nits: float = 0.0, target_black_nits: float = 0.0
) -> NDArray[np.float64]:
    """Roll PQ signal off; `eetf` without the decoding around it.

    Parameters
    ----------
    code : array_like
        PQ signal, any shape.
    source_peak_nits, source_black_nits, target_peak_nits, target_black_nits : float
        As `eetf`.

    Returns
    -------
    NDArray[np.float64]
        PQ signal.

    Raises
    ------
    UsageError
        As `eetf_knee`.

    Notes
    -----
    Source: BT.2408-8 Annex 5: Hermite spline from KS to the peak, then E3 = E2 + minLum (1 - E2)^4.
    """
    knee = eetf_knee(
        source_peak_nits=source_peak_nits,
        target_peak_nits=target_peak_nits,
        source_black_nits=source_black_nits,
        target_black_nits=target_black_nits,
    )
    low, high = (float(v) for v in nits_to_pq([source_black_nits, source_peak_nits]))
    normal = np.maximum((np.asarray(code, dtype=np.float64) - low) / (high - low), 0.0)
    bent = _bend(normal, knee.max_lum, knee.knee_start) if knee.max_lum < 1 else normal
    lifted = bent + max(knee.min_lum, 0.0) * np.maximum(1 - bent, 0.0) ** 4
    return np.asarray(lifted * (high - low) + low)


def apply_eetf(
    rgb_nits: ArrayLike,
    *,
    source_peak_nits: float,
    target_peak_nits: float,
    source_black_nits: float = 0.0,
    target_black_nits: float = 0.0,
    space: str = "max-rgb",
) -> NDArray[np.float64]:
    """Roll a colour picture off to what a display can show.

    Parameters
    ----------
    rgb_nits : array_like
        (..., 3) linear BT.2020, cd/m2.
    source_peak_nits, source_black_nits, target_peak_nits, target_black_nits : float
        As `eetf`.
    space : {"max-rgb", "y-rgb", "rgb", "ictcp-i", "ycbcr"}
        What the curve acts on: the largest component or luminance (the other components keep their ratio), each component, I of ICtCp
        or Y' of Y'CbCr (chroma shrinks by the smaller of the two ratios).

    Returns
    -------
    NDArray[np.float64]
        (..., 3) cd/m2. Only `max-rgb` and `rgb` stay below the target peak.

    Raises
    ------
    UsageError
        For a space that is not known, a last axis that is not 3 long, or as `eetf_knee`.

    Notes
    -----
    Source: BT.2408-8 Annex 5.
    """
    rgb = np.asarray(rgb_nits, dtype=np.float64)
    if rgb.ndim == 0 or rgb.shape[-1] != 3:
        raise UsageError(f"The last axis must hold R, G and B; the array has shape {rgb.shape}.")

    def curve(code: NDArray[np.float64]) -> NDArray[np.float64]:
        return eetf_code(
            code,
            source_peak_nits=source_peak_nits,
            target_peak_nits=target_peak_nits,
            source_black_nits=source_black_nits,
            target_black_nits=target_black_nits,
        )

    if space == "rgb":
        return pq_to_nits(curve(nits_to_pq(rgb)))
    if space in ("max-rgb", "y-rgb"):
        level = np.maximum(rgb.max(axis=-1) if space == "max-rgb" else rgb @ np.asarray(LUMINANCE_WEIGHTS), 0.0)
        return _keep_ratio(rgb, level, pq_to_nits(curve(nits_to_pq(level))))
    if space == "ictcp-i":
        coded = nits_to_pq(rgb @ RGB_TO_LMS.T) @ LMS_TO_ICTCP_PQ.T
        lms = pq_to_nits(_shrink_chroma(coded, curve(coded[..., 0])) @ np.linalg.inv(LMS_TO_ICTCP_PQ).T)
        return np.asarray(lms @ np.linalg.inv(RGB_TO_LMS).T)
    if space == "ycbcr":
        coded = rgb_to_ycbcr(nits_to_pq(rgb), matrix="bt2020-ncl")
        return pq_to_nits(ycbcr_to_rgb(_shrink_chroma(coded, curve(coded[..., 0])), matrix="bt2020-ncl"))
    raise UsageError(f"Application space {space!r} is not known; use one of {', '.join(SPACES)}.")


def show_hdr(rgb_nits: ArrayLike, *, display: Display, source_peak_nits: float) -> NDArray[np.float64]:
    """Show PQ light on a display: rolled off to its peak where the source peak is higher, untouched otherwise.

    Parameters
    ----------
    rgb_nits : array_like
        (..., 3) linear BT.2020, cd/m2, decoded from PQ. HLG never comes here: it is decoded at the display's own peak.
    display : Display
        Its peak counts here; its black comes with `add_veil`.
    source_peak_nits : float
        Peak of the content, cd/m2.

    Returns
    -------
    NDArray[np.float64]
        (..., 3) cd/m2.

    Raises
    ------
    UsageError
        For a last axis that is not 3 long or a peak that cannot be.

    Notes
    -----
    Source: BT.2408-8 Annex 5 on max(R, G, B) with zero black on both ends.
    """
    _check_range("source", source_peak_nits, 0.0)
    if source_peak_nits <= display.peak_nits:
        return np.array(rgb_nits, dtype=np.float64)
    return apply_eetf(rgb_nits, source_peak_nits=source_peak_nits, target_peak_nits=display.peak_nits)


def veil_nits(display: Display, ambient_lux: float) -> float:
    """Light that lies over every pixel: the display's black and the room's reflection.

    Parameters
    ----------
    display : Display
        Its black level and reflectance count.
    ambient_lux : float
        Light of the room on the screen, lux; 0 is a dark room.

    Returns
    -------
    float
        cd/m2, neutral.

    Raises
    ------
    UsageError
        For room light below 0.

    Notes
    -----
    Source: a diffuse reflector throws back reflectance x lux / pi (definition of luminance); mirror-like reflections are left out.
    """
    if not (math.isfinite(ambient_lux) and ambient_lux >= 0):
        raise UsageError(f"Room light must be 0 lux or more; got {ambient_lux}.")
    return display.black_nits + display.reflectance * ambient_lux / math.pi


def add_veil(rgb_nits: NDArray[np.floating], *, display: Display, ambient_lux: float) -> NDArray[np.floating]:
    """Lay the display's black and the room's reflection over a picture: the same neutral light on every pixel and both sides.

    Parameters
    ----------
    rgb_nits : NDArray[np.floating]
        (..., 3) linear BT.2020, cd/m2; float32 stays float32.
    display : Display
        Its black level and reflectance count.
    ambient_lux : float
        Light of the room on the screen, lux.

    Returns
    -------
    NDArray[np.floating]
        (..., 3) cd/m2.

    Raises
    ------
    UsageError
        For room light below 0.
    """
    array = np.asarray(rgb_nits)
    return np.asarray(array + array.dtype.type(veil_nits(display, ambient_lux)))


def _bend(normal: NDArray[np.float64], max_lum: float, start: float) -> NDArray[np.float64]:
    """Hermite spline above the knee; slope 1 at the knee, 0 at the peak."""
    t = np.clip((normal - start) / (1 - start), 0.0, 1.0)
    spline = (2 * t**3 - 3 * t**2 + 1) * start + (t**3 - 2 * t**2 + t) * (1 - start) + (-2 * t**3 + 3 * t**2) * max_lum
    return np.asarray(np.where(normal < start, normal, spline))


def _keep_ratio(rgb: NDArray[np.float64], level: NDArray[np.float64], shown: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scale every component as its level was scaled; where there is no light, the level itself is neutral."""
    lit = level > 0
    gain = np.where(lit, shown / np.where(lit, level, 1.0), 0.0)
    return np.asarray(np.where(lit[..., None], rgb * gain[..., None], shown[..., None]))


def _shrink_chroma(coded: NDArray[np.float64], shown: NDArray[np.float64]) -> NDArray[np.float64]:
    """Put in the new first component and scale the other two by min(new / old, old / new)."""
    ratio = shown / np.maximum(coded[..., 0], 1e-12)
    shrink = np.minimum(ratio, 1 / np.maximum(ratio, 1e-12))
    return np.stack([shown, coded[..., 1] * shrink, coded[..., 2] * shrink], axis=-1)


def _check_range(which: str, peak_nits: float, black_nits: float) -> None:
    if not (math.isfinite(peak_nits) and 0 <= black_nits < peak_nits <= PQ_PEAK_NITS):
        raise UsageError(
            f"The {which} must go from a black of 0 or more to a higher peak of at most 10 000 cd/m2; got {black_nits} to {peak_nits}."
        )
