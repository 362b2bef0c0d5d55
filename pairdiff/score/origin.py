"""Signs of SDR origin: five traces that an SDR master leaves in an HDR release. They support a verdict and never make one.

Each is `seen`, `not_seen` or `cannot_tell`, with the figure it rests on, the limit that figure is held against, what was found in words,
and an innocent explanation. A state never rests on one picture: a sign needs several shots, and where leaving out any single picture would
turn it, it is `cannot_tell`.

| sign | figure |
|---|---|
| level ceiling | of the pictures in which the SDR reaches its top: share whose HDR tops out at what the SDR set shows there |
| shared clipping | share of the SDR-clipped area that is flat in the HDR beyond both noise floors |
| code comb | greys on the 10-bit codes that no 8-bit SDR code falls on, against an even histogram |
| colour stops at the BT.709 edge | of the colours at that edge and beyond it: share beyond |
| one fixed curve | what one tone curve of the film leaves |
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Colour, FloatArray, OriginSign, PairScore, Recovered, Setup, Tone
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.light.ictcp import JND_SCALE
from pairdiff.light.picture import itp_difference, nits_to_itp
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import nits_to_pq
from pairdiff.score.colour import LUMINANCE, WINDOW_PIXELS
from pairdiff.score.headroom import LEAST_NITS, HighlightLevels, Weighting
from pairdiff.score.pooling import level_reached
from pairdiff.score.tone import ToneSample

State = Literal["seen", "not_seen", "cannot_tell"]
ONE_PICTURE = "leaving out one single picture would change the state"

INNOCENT = {
    "level ceiling": "A grade may be held under a ceiling as a matter of taste or delivery rules.",
    "shared clipping": "Camera or master may have clipped before either grade was made.",
    "code comb": "Rounding, grain and another encode can make such a pattern, or wipe it out.",
    "colour stops at the BT.709 edge": "A film can be shot or graded inside BT.709; subdued colours stay inside it in any grade.",
    "one fixed curve": "An SDR release is often made from the HDR one by a fixed conversion.",
}
"""The signs in order, each with its innocent explanation."""

LEAST_SHOTS = 3
"""Shots that a sign must have been looked for in; with fewer it cannot be told (own)."""
CEILING_TIME_SHARE = 0.1
"""The top of an SDR release that clips nowhere is the signal that its pictures reach in this share of matched time (own)."""
CEILING_CODES = 4.0
"""A picture reaches the SDR release's top when it comes this near to it or goes beyond it, 8-bit codes (own)."""
CEILING_STOPS = 0.1
"""The HDR tops out at the SDR's white when it does within this, stops: 7 %, room for set-up, rounding and codec (own)."""
CEILING_NOISE_STOPS = 0.3
"""Most by which noise is allowed to have lifted such a level, stops; above that and within the noise a picture says nothing (own)."""
CEILING_LEAST_SHARE = 0.9
"""Share of the pictures at the SDR's top whose HDR must top out there for the ceiling to be seen (own)."""
FLAT_LEAST_SHARE = 0.7
"""Share of the SDR-clipped area that must be flat in the HDR for the clipping to be shared (own): the codec's errors, which a steep curve
makes larger, leave 0.8 to 1 of the demo film flat where it is clipped in both, a grade of its own 0.1."""
FLAT_STOPS = 0.3
"""Spread of HDR levels over all clipped areas of the film up to which they are one level, stops (own): 0.14 and 0.17 where the demo film
is clipped in both, 0.49 where it is held back a little, 1.8 where it is not."""
FLAT_NOISE_STOPS = 0.08
"""Where noise can lift levels by more than this, texture and spread may be those of grain (own)."""
FLAT_NOISE_SPREAD = 3.2
"""Spread (5th to 95th percentile) of single pixels in multiples of what noise can lift after the median over 3 x 3 (own): 3.3 standard
deviations against `NOISE_DEVIATIONS`, of pixels 2.4 times as noisy."""
EDGE_LEAST_NITS = 1.0
"""Colours darker than this are left out: near black every colour lies near every edge (own)."""
EDGE_BANDS = 3.0
"""The band inside the edge ends at the colour margin, the one further inside at this multiple of it (own)."""
EDGE_LEAST_MASS = 0.003
"""Mean share of the picture that must lie at the edge or beyond for the edge to be asked about (own)."""
EDGE_PILE_UP = 0.5
"""How full the band at the edge must be against the one further inside: what thins out before the edge is not stopped by it (own)."""
EDGE_GREY = 0.5
"""A colour whose lowest BT.709 component is above this share of its luminance is far from the edge, and is not followed there (own)."""
EDGE_MOST_BEYOND = 0.02
"""Share of the colours at the edge and beyond that may lie beyond, and the edge still counts as a stop (own)."""
LEAST_GREY_BITS = 10
"""Bit depth from which an HDR release's codes can show the steps of 8-bit SDR (a 10-bit PQ step is smaller, an 8-bit one is not)."""
GREY_CODES = 956
"""10-bit PQ codes above black that are counted, up to super-white."""
CODES_PER_SIGNAL = 876.0
"""10-bit narrow-range luma codes from black to white, BT.2100-2 table 9."""
SDR_CODES = 219.0
"""8-bit narrow-range luma codes from black to white, BT.709-6 item 4.6."""
GREY_FROM_CODE = 30.0
"""Darkest grey that is counted, 10-bit codes above black: below lie bars and blacks (own)."""
GREY_ROWS = 270
"""Rows of the HDR picture that are looked through for greys; more are passed over evenly (own)."""
GREY_SPREAD_CODES = 1.0
"""Red and blue of a grey differ from green by this at most, 10-bit codes: one chroma code off neutral is more (own)."""
GREY_FLAT_CODES = 1.5
"""A grey is on a flat place when it differs from the mean of its two neighbours' by half of this at most, 10-bit codes (own)."""
GREY_MOST_PLACES = 20_000
"""A picture with more greys counts as if it had this many, so that none outweighs the film (own)."""
COMB_SDR_CODES = (8, 235)
"""8-bit codes above black between which the comb is looked for, up to super-white (own)."""
COMB_WINDOW_CODES = 17
"""Width of the window of codes whose mean an even histogram would have (own)."""
COMB_MOST_OF_MEAN = 3.0
"""A code fuller than this multiple of that mean counts as this: a card of one grey is no comb (own)."""
COMB_LEAST_PER_CODE = 5.0
"""Mean places a code from which it is asked about (own)."""
COMB_LEAST_CODES = 24
"""Codes between the teeth that must be asked about in either half of the film, and teeth that must be there (own)."""
COMB_TOOTH = 0.5
"""Fullness from which a tooth is there; half of those asked about must be (own)."""
COMB_MOST_FILLED = 0.3
"""How full the codes between the teeth may be against an even histogram, and the comb still be seen (own)."""
COMB_NOISE_STEPS = 0.5
"""Noise from which a comb would be hidden, in steps of the 8-bit signal: a normal spread of half a step leaves 1 % of it (own)."""
COMB_WHITES = (0.04, 81)
"""The comb's white is looked for this far about that of `controls`, as a share of it, in this many steps (own)."""
COMB_GAMMAS = (0.05, 26)
"""The comb's gamma is looked for this far about that of `controls`, in this many steps (own)."""
CURVE_TONES = 24
"""Parts of the film's tone scale in which shots must meet for one curve to be tested (own)."""
CURVE_LEAST_MEETING = 0.5
"""Share of the film's tones that at least three shots must have in common: shots of different tones are explained by any curve (own)."""
PARTS = (4, 6)
"""Parts of a picture, down and across, whose mean intensity tells one content from another (own)."""
CONTENT_JND = 10.0
"""Shots have different content when those means differ by this, root mean square, |dI| x 720 (own)."""


@dataclass(frozen=True, slots=True)
class GreyCodes:
    """Greys on flat places of an HDR picture at its own size."""

    counts: NDArray[np.float64]
    """Places by 10-bit PQ code above black, (GREY_CODES,); at most `GREY_MOST_PLACES` together."""
    noise_codes: float | None
    """Standard deviation from pixel to pixel of all greys, 10-bit codes; None where there are none."""


@dataclass(frozen=True, slots=True)
class PictureOrigin:
    """What one pair says of the signs."""

    hdr_top_nits: float
    """Level of the brightest ten-thousandth of the picture after a median over 3 x 3 pixels, standing marks left out."""
    sdr_top_code: float
    sdr_clip_code: float | None
    """Signal at which the SDR title is clipped, the highest of its channels; None where it is clipped nowhere."""
    level_noise_stops: float
    """Most by which noise can have lifted that level."""
    edge_inner_share: float
    """Share of the picture between one and `EDGE_BANDS` margins inside the BT.709 edge."""
    edge_share: float
    """Share within one margin of the edge, on either side."""
    beyond_share: float
    parts_jnd: NDArray[np.float32]
    """Mean HDR intensity of each of `PARTS`, I x 720."""
    greys: GreyCodes | None


def grey_step(rows: int) -> int:
    """Of how many rows of a picture one is looked through for greys."""
    return max(round(rows / GREY_ROWS), 1)


def count_greys(hdr_code: FloatArray) -> GreyCodes:
    """Count the greys of an HDR picture by code, before it is resampled.

    Parameters
    ----------
    hdr_code : (row, column, 3) R'G'B' PQ signal 0 to 1, at the release's own size, or of it every `grey_step`th row.

    Returns
    -------
    GreyCodes.
    """
    rows = np.ascontiguousarray(hdr_code[:: grey_step(hdr_code.shape[0])], np.float32)
    red, green, blue = (np.asarray(part, np.float32) for part in cv2.split(rows))
    spread = np.float32(GREY_SPREAD_CODES / CODES_PER_SIGNAL)
    grey = (np.abs(red - green) <= spread) & (np.abs(blue - green) <= spread) & (green >= np.float32(GREY_FROM_CODE / CODES_PER_SIGNAL))
    at = np.flatnonzero(grey)
    if at.size == 0:
        return GreyCodes(np.zeros(GREY_CODES), None)
    bends = np.abs(cv2.filter2D(green, -1, np.array([[1, -2, 1]], np.float32)).reshape(-1)[at]) * np.float32(CODES_PER_SIGNAL)
    flat = green.reshape(-1)[at[bends <= GREY_FLAT_CODES]] * np.float32(CODES_PER_SIGNAL)
    code = np.minimum(flat + np.float32(0.5), GREY_CODES - 1).astype(np.int64)
    counts = np.bincount(code, minlength=GREY_CODES) * min(1.0, GREY_MOST_PLACES / max(code.size, 1))
    return GreyCodes(counts, float(np.median(bends)) * 1.4826 / 6**0.5)


def measure_origin(
    hdr_nits: FloatArray,
    hdr_itp: FloatArray,
    *,
    highlights: HighlightLevels,
    top: Sequence[float | None],
    margin_jnd: float,
    greys: GreyCodes | None,
) -> PictureOrigin:
    """What one pair says of the signs, beside what other measures say already.

    Parameters
    ----------
    hdr_nits : (row, column, 3) linear BT.2020 on the canvas, cd/m2.
    hdr_itp : the same as I, T, P.
    highlights : levels of the pair.
    top : the SDR title's top code per channel, None where it does not clip.
    margin_jnd : dE_ITP about the edge of BT.709 that counts as the edge.
    greys : greys of the HDR picture at its own size; None where its codes are no PQ codes.

    Returns
    -------
    PictureOrigin.
    """
    inner, edge, beyond = edge_shares(hdr_nits, margin_jnd=margin_jnd)
    parts = np.asarray(cv2.resize(cv2.extractChannel(hdr_itp, 0), PARTS[::-1], interpolation=cv2.INTER_AREA) * JND_SCALE, np.float32)
    clip = max((code for code in top if code is not None), default=None)
    levels = (highlights.hdr_top_nits, highlights.sdr_top_code, clip, highlights.noise_stops)
    return PictureOrigin(*levels, inner, edge, beyond, parts, greys)


def edge_shares(hdr_nits: FloatArray, *, margin_jnd: float) -> tuple[float, float, float]:
    """Shares of a picture further inside the BT.709 edge, at it, and beyond it; arguments as `measure_origin`.

    The way to the edge is that of more saturation at the same luminance, in dE_ITP (BT.2124). Light is averaged over windows as wide as
    those of colour use, side by side.
    """
    rows, columns = (max(side // WINDOW_PIXELS, 1) for side in hdr_nits.shape[:2])
    whole = np.ascontiguousarray(hdr_nits[: rows * WINDOW_PIXELS, : columns * WINDOW_PIXELS], np.float32)
    light = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA).reshape(-1, 3)
    lit = np.asarray(light[light @ np.asarray(LUMINANCE, np.float32) >= EDGE_LEAST_NITS], np.float32)
    pixels = light.shape[0]
    if lit.size == 0:
        return 0.0, 0.0, 0.0
    way = distance_from_edge_jnd(lit)
    beyond = way > margin_jnd
    at_edge = ~beyond & (way >= -margin_jnd)
    further = ~beyond & ~at_edge & (way >= -EDGE_BANDS * margin_jnd)
    return float(further.sum() / pixels), float(at_edge.sum() / pixels), float(beyond.sum() / pixels)


def distance_from_edge_jnd(nits: FloatArray) -> NDArray[np.float32]:
    """How far colours lie from the edge of BT.709.

    Parameters
    ----------
    nits : (n, 3) linear BT.2020, cd/m2, luminance above 0.

    Returns
    -------
    (n,) dE_ITP: outside as `colour.distance_outside_jnd`; inside below 0, along the colour's own saturation; minus infinity for colours
    nearer to grey than `EDGE_GREY`.
    """
    inner = nits @ conversion_matrix("bt2020", "bt709").T.astype(np.float32)
    grey = (nits @ np.asarray(LUMINANCE, np.float32))[:, None]
    low = inner.min(-1, keepdims=True)
    near = (low <= EDGE_GREY * grey)[:, 0]
    distance = np.full(near.shape, -np.inf, np.float32)
    if near.any():
        inner, grey, low = inner[near], grey[near], low[near]
        reach = np.where(low < 0, 1, grey / np.maximum(grey - low, LEAST_NITS))
        edge = np.maximum(grey + (inner - grey) * reach, 0) @ conversion_matrix("bt709", "bt2020").T.astype(np.float32)
        both = nits_to_itp(np.stack([nits[near], edge]).astype(np.float32))
        distance[near] = itp_difference(both[:1], both[1:])[0] * np.where(low[:, 0] < 0, 1, -1)
    return distance


# ---------------------------------------------------------------- over the film


@dataclass(frozen=True, slots=True)
class FilmOrigin:
    """Everything the signs of a film rest on."""

    pictures: Sequence[PictureOrigin]
    pairs: Sequence[PairScore]
    tones: Sequence[ToneSample]
    weighting: Weighting
    controls: Setup
    recovered: Recovered
    colour: Colour
    tone: Tone
    greys: tuple[NDArray[np.float64], NDArray[np.float64]] | None
    """Greys of the shots of even and of odd number, (GREY_CODES,) each; None where the HDR codes are no PQ codes."""


def pool_origin(film: FilmOrigin, settings: Settings) -> tuple[OriginSign, ...]:
    """The five signs over a film, in the order of `INNOCENT`."""
    return (
        _level_ceiling(film),
        _shared_clipping(film, settings),
        _code_comb(film),
        _colour_edge(film, settings),
        _fixed_curve(film, settings),
    )


def count_signs(signs: Sequence[OriginSign]) -> str:
    """One sentence on how many signs were seen."""
    seen, unseen, open_ = (sum(sign.state == state for sign in signs) for state in ("seen", "not_seen", "cannot_tell"))
    names = ", ".join(sign.name for sign in signs if sign.state == "seen")
    told = f" ({names})" if names else ""
    return (
        f"Of {len(signs)} signs of SDR origin {seen} seen{told}, {unseen} not seen, {open_} cannot be told: "
        "they support a verdict and never decide it."
    )


@dataclass(frozen=True, slots=True)
class _Question:
    """A sign, and how its value is read."""

    name: str
    unit: Literal["share", "JND"]
    limit: float
    seen_when: Literal["at_least", "at_most"]

    def answer(self, state: State, found: str, counted: tuple[int, int], value: float | None = None) -> OriginSign:
        """The sign, with what was found in words and the pictures and shots that were counted."""
        status: Literal["measured", "cannot_tell"] = "cannot_tell" if state == "cannot_tell" else "measured"
        return OriginSign(self.name, status, state, value, INNOCENT[self.name], self.unit, self.limit, self.seen_when, found, *counted)

    def settle(self, found: str, counted: tuple[int, int], value: float, *, seen: bool, unseen: bool) -> OriginSign:
        """The sign as seen or not; neither where it would be another with one picture left out."""
        if seen or unseen:
            return self.answer("seen" if seen else "not_seen", found, counted, value)
        return self.answer("cannot_tell", f"{found}; {ONE_PICTURE}", counted, value)


def _percent(share: float) -> str:
    """A share in words that never rounds to nothing or to all of it."""
    if 0 < share < 1e-4:
        return "less than 0.01%"
    if 0.995 <= share < 1:
        return "more than 99%"
    return f"{share:.2%}" if 0 < share < 0.1 else f"{share:.0%}"


def _count(shots: NDArray[np.int64], where: NDArray[np.bool_]) -> tuple[int, int]:
    """Pictures and shots that are counted."""
    return int(where.sum()), int(np.unique(shots[where]).size)


def _without_each(part: NDArray[np.float64], whole: NDArray[np.float64]) -> tuple[float, float, float]:
    """A share of sums, and the least and the most it is with any one picture left out; nan where nothing is left."""
    left = np.maximum(whole.sum() - whole, 0)
    shares = np.where(left > 0, (part.sum() - part) / np.maximum(left, 1e-12), np.nan)
    shares = shares[~np.isnan(shares)]
    return float(part.sum() / whole.sum()), float(shares.min(initial=1.0)), float(shares.max(initial=0.0))


def _pictures(counted: tuple[int, int]) -> str:
    pictures, shots = counted
    return f"{pictures} {'picture' if pictures == 1 else 'pictures'} of {shots} {'shot' if shots == 1 else 'shots'}"


def _sdr_top(film: FilmOrigin, code: NDArray[np.float64]) -> float:
    """The SDR release's top signal: where the title is clipped, else what its pictures reach, white at most. Ringing lies above it."""
    clips = column(film.pictures, "sdr_clip_code")
    clips = clips[~np.isnan(clips)]
    return float(clips.max()) if clips.size else min(level_reached(code, CEILING_TIME_SHARE, weights=film.weighting.seconds), 1.0)


def _level_ceiling(film: FilmOrigin) -> OriginSign:
    question = _Question("level ceiling", "share", CEILING_LEAST_SHARE, "at_least")
    weights, shots = film.weighting.seconds, film.weighting.shots
    level, code, noise = (column(film.pictures, name) for name in ("hdr_top_nits", "sdr_top_code", "level_noise_stops"))
    top = _sdr_top(film, code)
    shown_nits = max(film.controls.white_nits * max(top, 0.0) ** film.controls.gamma, LEAST_NITS)
    stops = np.log2(np.maximum(level, LEAST_NITS) / shown_nits)
    allowed = CEILING_STOPS + np.minimum(noise, CEILING_NOISE_STOPS)
    tells = ((stops <= allowed) | (stops > CEILING_STOPS + noise)) & (weights > 0)
    reaches = tells & (code >= top - CEILING_CODES / SDR_CODES)
    counted = _count(shots, reaches)
    if counted[1] < LEAST_SHOTS:
        found = f"the SDR release comes near its top in {_pictures(counted)} quiet enough to tell; at least {LEAST_SHOTS} shots are needed"
        return question.answer("cannot_tell", found, counted)
    asked = reaches | (tells & (stops > allowed))
    at_white = asked & (stops >= -CEILING_STOPS) & (stops <= allowed)
    share, low, high = _without_each(weights * at_white, weights * asked)
    counted = _count(shots, asked)
    found = (
        f"of {_pictures(counted)} in which the SDR reaches its top or the HDR goes beyond that, {_percent(share)} by time have their HDR "
        f"top at the {shown_nits:.0f} cd/m2 that the SDR set shows there; the HDR tops run from {level[asked].min():.0f} to "
        f"{level[asked].max():.0f} cd/m2"
    )
    return question.settle(found, counted, share, seen=low >= question.limit, unseen=high < question.limit)


def _shared_clipping(film: FilmOrigin, settings: Settings) -> OriginSign:
    question = _Question("shared clipping", "share", FLAT_LEAST_SHARE, "at_least")
    clipped, textured = column(film.pairs, "clipped_share"), column(film.pairs, "textured_share")
    where = (clipped >= settings.clipped_share) & ~np.isnan(textured) & (film.weighting.seconds > 0)
    counted = _count(film.weighting.shots, where)
    if counted[1] < LEAST_SHOTS:
        place = f"in {_pictures(counted)} only" if counted[0] else "nowhere"
        place += " over enough of a picture" if not counted[0] else ""
        return question.answer("cannot_tell", f"the SDR release is clipped {place}; at least {LEAST_SHOTS} shots are needed", counted)
    area = (film.weighting.seconds * clipped)[where]
    share, low, high = _without_each(area * (1 - textured[where]), area)
    spread = film.recovered.film_stops
    noise_stops = float(np.median(column(film.pictures, "level_noise_stops")))
    grain_stops = FLAT_NOISE_SPREAD * noise_stops if noise_stops > FLAT_NOISE_STOPS else 0.0
    one_level = spread is not None and spread <= FLAT_STOPS
    within_grain = spread is not None and spread <= FLAT_STOPS + grain_stops
    levels = "" if spread is None else f", and its HDR levels spread over {spread:.2f} stops (one level: up to {FLAT_STOPS:g})"
    found = (
        f"in {_pictures(counted)} whose SDR is clipped, {_percent(share)} of that area is flat in the HDR beyond both noise floors{levels}"
    )
    if grain_stops > 0 and within_grain and not (one_level and low >= question.limit):
        grainy = f"{found}; noise that can lift levels by {noise_stops:.2f} stops looks like texture and spread"
        return question.answer("cannot_tell", grainy, counted, share)
    seen, unseen = one_level and low >= question.limit, not one_level or high < question.limit
    return question.settle(found, counted, share, seen=seen, unseen=unseen)


def _colour_edge(film: FilmOrigin, settings: Settings) -> OriginSign:
    question = _Question("colour stops at the BT.709 edge", "share", EDGE_MOST_BEYOND, "at_most")
    weights = film.weighting.seconds
    inner, edge, beyond = (column(film.pictures, name) for name in ("edge_inner_share", "edge_share", "beyond_share"))
    counted = _count(film.weighting.shots, (edge + beyond >= EDGE_LEAST_MASS) & (weights > 0))
    mass = float(np.average(edge + beyond, weights=weights))
    if film.colour.status != "measured":
        return question.answer("cannot_tell", "the film is black-and-white", counted)
    at_edge = f"{_percent(mass)} of the picture lies at the edge of BT.709 or beyond"
    if mass < EDGE_LEAST_MASS or counted[1] < LEAST_SHOTS:
        few = f"{at_edge}, at least {EDGE_LEAST_MASS:.1%} in {_pictures(counted)}; at least {LEAST_SHOTS} shots are needed"
        return question.answer("cannot_tell", few, counted)
    share, low, high = _without_each(weights * beyond, weights * (edge + beyond))
    found = f"{at_edge}, in {_pictures(counted)}; {_percent(share)} of that is beyond by more than {settings.gamut_margin_jnd:g} JND"
    further_in = float(np.average(inner, weights=weights)) / (EDGE_BANDS - 1)
    full = float(np.average(edge, weights=weights)) / max(further_in, 1e-9)
    if high <= question.limit and full < EDGE_PILE_UP:
        thin = f"{found}, but colours thin out before the edge ({_percent(full)} of what a band further inside holds)"
        return question.answer("cannot_tell", thin, counted, share)
    return question.settle(found, counted, share, seen=high <= question.limit, unseen=low > question.limit)


def _fixed_curve(film: FilmOrigin, settings: Settings) -> OriginSign:
    question = _Question("one fixed curve", "JND", settings.stretched_residual_jnd, "at_most")
    shots = film.weighting.shots
    places = [np.flatnonzero(shots == shot).tolist() for shot in np.unique(shots)]
    parts = column(film.pictures, "parts_jnd")
    different = _different_shots([parts[place].mean(axis=0) for place in places])
    meeting = _meeting_share([np.concatenate([film.tones[n].intensity[:, 0] for n in place]) for place in places])
    counted, told = (len(film.tones), len(places)), _pictures((len(film.tones), len(places)))
    residual, spread = film.tone.residual_p95_jnd, film.tone.shot_spread_jnd
    if different < LEAST_SHOTS or residual is None or spread is None:
        return question.answer("cannot_tell", f"{told}, {different} of different content; at least {LEAST_SHOTS} are needed", counted)
    if meeting < CURVE_LEAST_MEETING:
        apart = f"the shots of {told} have too few tones in common ({_percent(meeting)}): any such film has its curve"
        return question.answer("cannot_tell", apart, counted)
    found = (
        f"over {told}, {different} of them of different content, one curve from SDR to HDR leaves {residual:.1f} JND where the SDR is not "
        f"clipped (95th percentile over tones), and whole shots lie {spread:.1f} JND off it"
    )
    value = max(residual, spread)
    return question.settle(found, counted, value, seen=value <= question.limit, unseen=value > question.limit)


def _different_shots(contents: Sequence[NDArray[np.float32]]) -> int:
    """How many shots differ in content from all that were counted before them."""
    kept: list[NDArray[np.float32]] = []
    for content in contents:
        if all(np.sqrt(np.mean(np.square(content - other))) >= CONTENT_JND for other in kept):
            kept.append(content)
    return len(kept)


def _meeting_share(scales: Sequence[NDArray[np.float32]]) -> float:
    """Share of the film's pixels whose tone is found in at least `LEAST_SHOTS` shots."""
    joined = np.concatenate(list(scales))
    edges = np.linspace(joined.min(), max(float(joined.max()), float(joined.min()) + 1e-6), CURVE_TONES + 1)
    held = np.array([np.histogram(scale, bins=edges)[0] for scale in scales])
    return float(held[:, (held > 0).sum(0) >= LEAST_SHOTS].sum() / max(held.sum(), 1))


# ---------------------------------------------------------------- the comb


def _comb_codes(white_nits: FloatArray | float, gamma: FloatArray | float) -> NDArray[np.float64]:
    """10-bit PQ codes above black, not rounded, that greys of the 8-bit SDR codes map to at a set-up, (..., SDR code)."""
    signal = np.arange(COMB_SDR_CODES[0], COMB_SDR_CODES[1] + 1) / SDR_CODES
    light = np.asarray(white_nits, np.float64)[..., None] * signal ** np.asarray(gamma, np.float64)[..., None]
    return np.asarray(CODES_PER_SIGNAL * nits_to_pq(light))


def _gap_masks(controls: Setup) -> NDArray[np.bool_]:
    """Codes between the teeth, for every white and gamma tried about a set-up, (tries, GREY_CODES)."""
    whites, gammas = (np.linspace(-reach, reach, steps) for reach, steps in (COMB_WHITES, COMB_GAMMAS))
    tried = np.array([(controls.white_nits * (1 + white), controls.gamma + gamma) for white in whites for gamma in gammas])
    teeth = np.rint(_comb_codes(tried[:, 0], tried[:, 1])).astype(np.int64)
    gaps = np.zeros((len(tried), GREY_CODES + 1), bool)
    codes = np.arange(GREY_CODES)
    gaps[:, :-1] = (codes > teeth[:, :1]) & (codes < teeth[:, -1:])
    np.put_along_axis(gaps, np.minimum(teeth, GREY_CODES), False, axis=1)
    return gaps[:, :-1]


def _fullness(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """How full each code is against the mean of its neighbourhood; nan where too little is there."""
    from scipy.ndimage import uniform_filter1d  # a library that starts slowly: loaded when it is needed

    mean = uniform_filter1d(counts, COMB_WINDOW_CODES, mode="constant")
    capped = np.minimum(counts, COMB_MOST_OF_MEAN * mean)
    mean = uniform_filter1d(capped, COMB_WINDOW_CODES, mode="constant")
    return np.where(mean >= COMB_LEAST_PER_CODE, capped / np.maximum(mean, 1e-12), np.nan)


def comb_filled(halves: tuple[NDArray[np.float64], NDArray[np.float64]], *, controls: Setup) -> float | None:
    """How full the codes between the teeth of an 8-bit comb are against an even histogram: 0 for a comb, 1 for none.

    White and gamma of the comb are looked for about `controls` in one half of the film and asked in the other, so that a pattern found by
    chance is not found again.

    Parameters
    ----------
    halves : greys of both halves, (GREY_CODES,) each.
    controls : the set-up.

    Returns
    -------
    Mean of both halves; None where fewer than `COMB_LEAST_CODES` codes between the teeth, or teeth, hold enough greys.
    """
    gaps = _gap_masks(controls)
    fullness = [_fullness(half) for half in halves]
    asked = [gaps @ (~np.isnan(full)).astype(np.float64) for full in fullness]
    filled = [(gaps @ np.nan_to_num(full)) / np.maximum(count, 1) for full, count in zip(fullness, asked, strict=True)]
    enough = np.minimum(*asked) >= COMB_LEAST_CODES
    if not enough.any():
        return None
    best = [int(np.argmin(np.where(enough, half, np.inf))) for half in filled]
    # a few grey cards leave the codes between the teeth empty, and most of the teeth too
    teeth = [int((~gaps[one] & (np.nan_to_num(full) >= COMB_TOOTH)).sum()) for one, full in zip(best, fullness[::-1], strict=True)]
    asked_teeth = [int((~gaps[one] & ~np.isnan(full)).sum()) for one, full in zip(best, fullness[::-1], strict=True)]
    if min(teeth) < COMB_LEAST_CODES or any(2 * one < all_ for one, all_ in zip(teeth, asked_teeth, strict=True)):
        return None
    return float((filled[1][best[0]] + filled[0][best[1]]) / 2)


def _code_comb(film: FilmOrigin) -> OriginSign:
    question = _Question("code comb", "share", COMB_MOST_FILLED, "at_most")
    noise = np.array([np.nan if p.greys is None or p.greys.noise_codes is None else p.greys.noise_codes for p in film.pictures])
    counted = _count(film.weighting.shots, ~np.isnan(noise))
    if film.greys is None:
        return question.answer("cannot_tell", "the HDR release has no 10-bit PQ codes", counted)
    if counted[1] < LEAST_SHOTS:
        few = f"{_pictures(counted)} with greys; at least {LEAST_SHOTS} shots are needed"
        return question.answer("cannot_tell", few, counted)
    step_codes = float(np.mean(np.diff(_comb_codes(film.controls.white_nits, film.controls.gamma))))
    noise_codes = float(np.nanmedian(noise))
    told = f"greys of {_pictures(counted)} at the release's own size, noise {noise_codes:.2f} codes, one 8-bit step {step_codes:.2f} codes"
    filled = comb_filled(film.greys, controls=film.controls)
    seen = filled is not None and filled <= question.limit
    if not seen and noise_codes > COMB_NOISE_STEPS * step_codes:
        return question.answer("cannot_tell", f"{told}: a comb would be hidden", counted)
    if filled is None:
        return question.answer("cannot_tell", f"{told}: too few different greys on flat places", counted)
    found = f"{told}; codes that no 8-bit code falls on hold {_percent(filled)} of what an even histogram would put there"
    return question.settle(found, counted, filled, seen=seen, unseen=not seen)
