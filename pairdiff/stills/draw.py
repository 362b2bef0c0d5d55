"""Still pictures of a moment, drawn the same way for both sides: what differs in the picture differs in the light.

Seven kinds, from the canvas pictures at the `controls` set-up (BT.2020 linear, cd/m2):

- `model-hdr`, `model-sdr`: one common display model, safe on any screen.
- `bracket-hdr-0`, `bracket-hdr--1` ... and the same of `sdr`: an exposure bracket, linear gain and hard clip; nothing above white hides.
- `curved--2` or another exposure: the SDR picture through one curve for all moments (`one_curve`), drawn by `draw_curved`.
- `difference`: the dE_ITP map, grey where nothing is visible, lighter and in one hue where it is.
- `light-hdr`, `light-sdr`: luminance in cd/m2 in one hue, with contours (`light_map`).
- `waveform-hdr`, `waveform-sdr`, `chromaticity-hdr`, `chromaticity-sdr`, `tone`: densities for scopes (`scopes`).
- `outlines`: what of the HDR picture lies above SDR white, and what outside BT.709.

Labels are set beside the pictures by the report, never drawn into them. The same input gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, Moment
from pairdiff.light.display import apply_eetf
from pairdiff.light.primaries import convert_primaries
from pairdiff.light.transfer import linear_to_srgb, srgb_to_linear
from pairdiff.stills import scopes
from pairdiff.stills.light_map import beyond_sdr, draw_outlines, light_shares, nits_to_light_map, say_light, say_outlines
from pairdiff.stills.one_curve import (
    PairOfMoment,
    ToneCurve,
    apply_curve,
    distance_jnd,
    exposure_that_holds,
    fit_one_curve,
    say_curved,
)

NEAR_WHITE_STOPS = 1.0
"""How far below SDR white light still counts as near it (own)."""
MODEL_WHITES = 2.0
"""Peak of the common display model over SDR white (own: SDR white at half light leaves one stop for highlights on an ordinary screen)."""

BRACKET_STOPS = (0, -1, -2, -3)
"""Exposures of the bracket (own: three stops reach 1600 cd/m2 from a white of 200)."""

BRACKET_COLUMNS = 640
"""Widest bracket picture, pixels (own: eight of them are shown for each moment)."""

DIFFERENCE_LEGEND: tuple[tuple[float, tuple[int, int, int]], ...] = (
    (0.0, (54, 54, 54)),
    (1.0, (54, 54, 54)),
    (5.0, (81, 87, 74)),
    (10.0, (90, 123, 61)),
    (20.0, (130, 173, 93)),
    (40.0, (222, 242, 201)),
)
"""dE_ITP in JND and its sRGB colour. Below 1, where nothing is visible, one grey; up to 5, where coding in 8 bits leaves its traces, little
more than grey; from there one hue. Lightness L* 23, 36, 48, 66, 93 rises all the way, so that it reads without colour, to colour-blind
eyes and in print (own: values and colours). Between two entries the colour is interpolated; 40 and more share the last."""


@dataclass(frozen=True, slots=True)
class StillPicture:
    """One picture of a moment, ready to be written."""

    moment: Moment
    name: str
    """`model-hdr`, `model-sdr`, `bracket-hdr-0`, `bracket-hdr--1`, ..., `curved-0` to `curved--3`, `difference`, `light-hdr`,
    `light-sdr`, `outlines`, `waveform-hdr`, `waveform-sdr`, `chromaticity-hdr`, `chromaticity-sdr`,
    `tone`."""
    caption: str
    """How it was drawn, in words."""
    rgb8: NDArray[np.uint8]
    """sRGB, (row, column, 3)."""
    figures: Mapping[str, Any] = field(default_factory=dict)
    """What is drawn over a density as lines: `histogram`, `spread` (`scopes`)."""


def draw_stills(
    moment: Moment,
    *,
    hdr_nits: FloatArray,
    sdr_nits: FloatArray,
    difference_jnd: FloatArray,
    white_nits: float,
    peak_nits: float,
    margin_jnd: float,
    max_columns: int = 1280,
    stamps: Sequence[str] = (),
) -> tuple[StillPicture, ...]:
    """Draw every still picture of a moment.

    Parameters
    ----------
    moment : Moment
        The pair that is shown.
    hdr_nits, sdr_nits : float array, (row, column, 3)
        Canvas pictures of both sides at `controls`, linear BT.2020, cd/m2; negative values count as no light.
    difference_jnd : float array, (row, column)
        dE_ITP of the two, in JND.
    white_nits : float
        SDR white at `controls`, cd/m2.
    peak_nits : float
        Peak of the pair, cd/m2: source peak of the common display model, for both sides.
    margin_jnd : float
        dE_ITP from which a colour counts as outside BT.709.
    max_columns : int
        Widest picture, pixels; wider ones are area-averaged in linear light before anything else is done.
    stamps : of str
        What a reader must know of how the releases were read; it goes into every caption.

    Returns
    -------
    tuple of StillPicture
        `model-hdr`, `model-sdr`, the bracket of both sides from 0 to -3 stops, `difference`, `light-hdr`, `light-sdr`, `outlines`,
        then the densities of the scopes.

    Raises
    ------
    ValueError
        Pictures of unequal size, values that are not finite, white, peak or width not above zero.

    Notes
    -----
    Roll-off: ITU-R BT.2408 Annex 5 (EETF) on max(R, G, B). Encoding: IEC 61966-2-1.
    """
    _check(hdr_nits, sdr_nits, difference_jnd=difference_jnd, white_nits=white_nits, peak_nits=peak_nits, max_columns=max_columns)
    sides = {"hdr": average_area(hdr_nits, max_columns=max_columns), "sdr": average_area(sdr_nits, max_columns=max_columns)}
    small = {side: average_area(nits, max_columns=min(max_columns, BRACKET_COLUMNS)) for side, nits in sides.items()}
    model_words = _model_words(white_nits=white_nits, peak_nits=peak_nits)
    pictures = [
        StillPicture(moment, f"model-{side}", model_words, nits_to_model(nits, white_nits=white_nits, peak_nits=peak_nits))
        for side, nits in sides.items()
    ]
    pictures += [
        StillPicture(
            moment, f"bracket-{side}-{stops}", _bracket_words(stops, white_nits), nits_to_exposure(nits, white_nits=white_nits, stops=stops)
        )
        for side, nits in small.items()
        for stops in BRACKET_STOPS
    ]
    map_jnd = average_area(difference_jnd, max_columns=max_columns)
    pictures.append(StillPicture(moment, "difference", _difference_words(white_nits), jnd_to_rgb8(map_jnd)))
    for side, nits in sides.items():
        pictures.append(StillPicture(moment, f"light-{side}", say_light(light_shares(nits)), nits_to_light_map(nits)))
    pictures.append(_draw_beyond(moment, sides["hdr"], pictures[0].rgb8, white_nits=white_nits, margin_jnd=margin_jnd))
    pictures += _draw_scopes(moment, sides["hdr"], sides["sdr"])
    told = "".join(f" {stamp}." for stamp in stamps)
    return tuple(replace(one, caption=one.caption + told) for one in pictures)


def draw_curved(pairs: Sequence[PairOfMoment], *, white_nits: float, stamps: Sequence[str] = ()) -> tuple[StillPicture, ...]:
    """Draw the SDR picture of each moment through one curve that is fitted to all of them.

    Parameters
    ----------
    pairs : sequence of PairOfMoment
        As `shrink_pair` makes them.
    white_nits, stamps
        As for `draw_stills`.

    Returns
    -------
    tuple of StillPicture
        `curved-` and the exposure of the bracket that holds the HDR picture, one for each moment; none where there are too few or too many.
    """
    curve = fit_one_curve(pairs)
    return () if curve is None else tuple(_draw_curved(one, curve, len(pairs), white_nits=white_nits, stamps=stamps) for one in pairs)


def _draw_curved(one: PairOfMoment, curve: ToneCurve, moments: int, *, white_nits: float, stamps: Sequence[str]) -> StillPicture:
    curved = apply_curve(one.sdr_nits, curve)
    stops, clipped = exposure_that_holds(one.hdr_nits, white_nits=white_nits, stops=BRACKET_STOPS)
    apart = {"as_set_jnd": distance_jnd(one.sdr_nits, one.hdr_nits), "curved_jnd": distance_jnd(curved, one.hdr_nits)}
    words = say_curved(_stops_words(stops), curve.way, moments=moments, clipped_share=clipped, **apart)
    told = "".join(f" {stamp}." for stamp in stamps)
    return StillPicture(one.moment, f"curved-{stops}", words + told, nits_to_exposure(curved, white_nits=white_nits, stops=stops), apart)


def shrink_pair(moment: Moment, *, hdr_nits: FloatArray, sdr_nits: FloatArray) -> PairOfMoment:
    """Both pictures of a moment as wide as those of the bracket; arguments as for `draw_stills`."""
    return PairOfMoment(moment, *(average_area(nits, max_columns=BRACKET_COLUMNS) for nits in (hdr_nits, sdr_nits)))


def _draw_scopes(moment: Moment, hdr_nits: FloatArray, sdr_nits: FloatArray) -> list[StillPicture]:
    drawn = {
        "waveform-hdr": scopes.draw_waveform(hdr_nits),
        "waveform-sdr": scopes.draw_waveform(sdr_nits),
        "chromaticity-hdr": scopes.draw_chromaticity(hdr_nits),
        "chromaticity-sdr": scopes.draw_chromaticity(sdr_nits),
        "tone": scopes.draw_tone(sdr_nits, hdr_nits),
    }
    figures = scopes.figures_of(hdr_nits, sdr_nits)
    return [
        StillPicture(moment, name, scopes.CAPTIONS[name.split("-")[0]], np.repeat(grey[..., None], 3, axis=2), figures.get(name, {}))
        for name, grey in drawn.items()
    ]


def _draw_beyond(
    moment: Moment, hdr_nits: FloatArray, model_rgb8: NDArray[np.uint8], *, white_nits: float, margin_jnd: float
) -> StillPicture:
    above, outside = beyond_sdr(hdr_nits, white_nits=white_nits, margin_jnd=margin_jnd)
    shares = {"above_white": float(above.mean()), "outside_709": float(outside.mean())}
    words = say_outlines(**shares, white_nits=white_nits, margin_jnd=margin_jnd)
    drawn, level = draw_outlines(model_rgb8, above_white=above, outside_709=outside), np.asarray(hdr_nits).max(axis=-1)
    near = float(((level >= white_nits * 2.0**-NEAR_WHITE_STOPS) & ~above).mean())
    return StillPicture(moment, "outlines", words, drawn, {f"{name}_share": one for name, one in {**shares, "near_white": near}.items()})


def nits_to_model(rgb_nits: FloatArray, *, white_nits: float, peak_nits: float) -> NDArray[np.uint8]:
    """Show light on the common display model.

    Parameters
    ----------
    rgb_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2.
    white_nits, peak_nits : float
        SDR white, and the peak that the roll-off starts from, cd/m2. Light above `peak_nits` is clipped to it.

    Returns
    -------
    uint8 array, (row, column, 3)
        sRGB; 255 is twice SDR white. Colours outside BT.709 are clipped.
    """
    target_nits = MODEL_WHITES * white_nits
    shown = np.maximum(np.asarray(rgb_nits, dtype=np.float64), 0.0)
    if peak_nits > target_nits:
        shown = apply_eetf(np.minimum(shown, peak_nits), source_peak_nits=peak_nits, target_peak_nits=target_nits, space="max-rgb")
    return _encode(shown / target_nits)


def nits_to_exposure(rgb_nits: FloatArray, *, white_nits: float, stops: float) -> NDArray[np.uint8]:
    """Expose light by a linear gain and a hard clip.

    Parameters
    ----------
    rgb_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2.
    white_nits : float
        Light that gives 255 at 0 stops, cd/m2.
    stops : float
        Exposure; -2 shows four times SDR white as 255.

    Returns
    -------
    uint8 array, (row, column, 3)
        sRGB; colours outside BT.709 are clipped.
    """
    return _encode(np.maximum(np.asarray(rgb_nits, dtype=np.float64), 0.0) * (2.0**stops / white_nits))


def jnd_to_rgb8(difference_jnd: FloatArray) -> NDArray[np.uint8]:
    """Colour a difference map by `DIFFERENCE_LEGEND`.

    Parameters
    ----------
    difference_jnd : float array, any shape
        dE_ITP, JND; outside 0 to 40 the end colours are used.

    Returns
    -------
    uint8 array, shape of the map plus (3,)
        sRGB.
    """
    levels = [jnd for jnd, _ in DIFFERENCE_LEGEND]
    channels = [np.interp(difference_jnd, levels, [colour[channel] for _, colour in DIFFERENCE_LEGEND]) for channel in range(3)]
    return np.rint(np.stack(channels, axis=-1)).astype(np.uint8)


def average_area(picture: FloatArray, *, max_columns: int) -> NDArray[np.float32]:
    """Make a picture at most `max_columns` wide by area average of its (linear) values.

    Parameters
    ----------
    picture : float array, (row, column) or (row, column, 3)
        Linear values.
    max_columns : int
        Widest result, pixels; a narrower picture keeps its size.

    Returns
    -------
    float32 array
        Same aspect to the nearest pixel.
    """
    rows, columns = picture.shape[:2]
    pixels = np.ascontiguousarray(picture, dtype=np.float32)
    if columns <= max_columns:
        return pixels
    size = (max_columns, max(1, round(rows * max_columns / columns)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def shrink_srgb(rgb8: NDArray[np.uint8], *, max_columns: int) -> NDArray[np.uint8]:
    """Make an sRGB picture, (row, column, 3) of either order of channels, at most `max_columns` wide; means are of linear light."""
    if rgb8.shape[1] <= max_columns:
        return rgb8
    light = average_area(np.asarray(srgb_to_linear(rgb8 / 255.0), dtype=np.float32), max_columns=max_columns)
    return np.asarray(np.rint(np.clip(linear_to_srgb(light), 0.0, 1.0) * 255.0), np.uint8)


def _encode(light: FloatArray) -> NDArray[np.uint8]:
    """Linear BT.2020, 1 = white of the encoding -> sRGB."""
    rgb = np.clip(convert_primaries(light, source="bt2020", target="bt709"), 0.0, 1.0)
    return np.rint(np.clip(linear_to_srgb(rgb), 0.0, 1.0) * 255.0).astype(np.uint8)


def _model_words(*, white_nits: float, peak_nits: float) -> str:
    target_nits = MODEL_WHITES * white_nits
    if peak_nits > target_nits:
        roll_off = f"the same BT.2408 roll-off (max RGB) on both sides, from {peak_nits:.0f} to {target_nits:.0f} cd/m2"
    else:
        roll_off = (
            f"no roll-off, since the highest 99.99th percentile of the film, {peak_nits:.0f} cd/m2, is within {target_nits:.0f} cd/m2"
        )
    return (
        f"Common display model: {roll_off} (twice SDR white, which shows as sRGB white); colours outside BT.709 clipped. "
        "Identical light gives identical pixels; brightness on your screen is not the brightness of either release."
    )


def _bracket_words(stops: int, white_nits: float) -> str:
    top_nits = white_nits * 2.0**-stops
    return f"{_stops_words(stops)}: linear gain and hard clip, the same on both sides; everything from {top_nits:.0f} cd/m2 up is clipped."


def _stops_words(stops: int) -> str:
    size = "stop" if abs(stops) == 1 else "stops"
    return f"{stops} {size}".replace("-", "\N{MINUS SIGN}")


def _difference_words(white_nits: float) -> str:
    return (
        f"Difference with both sets in view, dE_ITP (BT.2124) in just noticeable differences, SDR white at {white_nits:.0f} cd/m2. "
        "Dark grey: below 1, nothing visible. The lighter, the more different; up to about 5, single pixels can be 8-bit coding. "
        "Thin outlines along edges come from coding and resampling; a change of light fills areas."
    )


def _check(
    hdr_nits: FloatArray, sdr_nits: FloatArray, *, difference_jnd: FloatArray, white_nits: float, peak_nits: float, max_columns: int
) -> None:
    if hdr_nits.ndim != 3 or hdr_nits.shape[2] != 3 or hdr_nits.shape != sdr_nits.shape or difference_jnd.shape != hdr_nits.shape[:2]:
        raise ValueError(
            f"pictures of one canvas are needed, (row, column, 3) twice and (row, column); "
            f"got hdr {hdr_nits.shape}, sdr {sdr_nits.shape}, difference {difference_jnd.shape}"
        )
    for name, values in (("hdr_nits", hdr_nits), ("sdr_nits", sdr_nits), ("difference_jnd", difference_jnd)):
        if not np.isfinite(values).all():
            raise ValueError(f"{name} holds values that are not finite; mend the picture before it is drawn")
    for name, value in (("white_nits", white_nits), ("peak_nits", peak_nits), ("max_columns", max_columns)):
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"{name} must be above zero; got {value}")
