"""Whether the levels of two releases fit the way their signals are read, or another way in which they could be read.

In mid-tones two grades of one film agree on a set that could be bought: white of a few hundred cd/m2, gamma about 2.4. Read by a wrong
transfer they agree on a set that cannot: HLG read as PQ needs a gamma of 3.2 to 5, PQ read as HLG one of 1.2 to 1.8. Read in a wrong range
they agree on none, and closely on one when the range is put right. A single release tells its range alone, by its codes: below narrow
black there is next to no picture, and black itself lies at the first code that is used.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import SIDES, FloatArray, Rectangle, Side, Signal, SignalCheck, SignalReading
from pairdiff.frames.planes import count_codes
from pairdiff.light.transfer import bt1886_to_nits, hlg_to_nits, nits_to_bt1886, nits_to_hlg, nits_to_pq, pq_to_nits
from pairdiff.score.setup import LEAST_SPAN_JND, FitSample, fit_power_law, grey_signal, part_of, tone_span_jnd

CODES = 256
"""Luma codes are counted in steps of an 8-bit code."""
SPARE_LINES = 4
"""Every so many lines and columns luma is counted (own)."""
NARROW_BLACK, NARROW_SPAN, FULL_SPAN = 16, 219, 255
"""8-bit codes (BT.709-6 item 5, BT.2100-2 table 9)."""
FAR_BELOW_CODE, FAR_BELOW_SHARE = 8, 0.005
"""Share of the picture below that 8-bit code from which narrow codes are doubted: sub-black and ringing stay under it (own)."""
BELOW_CODE, BELOW_SHARE = 12, 0.002
"""Share of the picture below that code up to which full codes may be narrow ones: codecs ring a little below black (own)."""
BLACK_CODES, BLACK_SHARE, BLACK_RATIO = (15, 18), 0.002, 2.0
"""Codes about narrow black, the share of the picture there, and how many times the next codes one of them must hold, to say so (own)."""
ORDINARY_GAMMAS, ORDINARY_WHITES = (1.85, 2.9), (40.0, 1200.0)
"""Sets that grades of one film agree on; white in cd/m2 (own: labelled pairs read as they are had 2.05 to 2.76 and 71 to 734)."""
FAR_GAMMAS = (1.75, 3.2)
"""Gammas beyond which a reading is doubted (own: pairs read by another transfer had 1.1 to 1.7 and 3.5 to 4.9, grades of a much harder
contrast up to 3.4)."""
NO_SET_GAMMAS = (1.75, 3.6)
"""Gammas beyond which no right pair lay at all (own: 1.96 to 3.39 on 150 of them): any other transfer that asks for a less odd set is then
named, however much it leaves."""
CLOSE_JND = 2.0
"""What a reading may leave and still be borne out closely, |dI| x 720 (own)."""
USUAL_GAMMAS = (2.05, 2.9)
"""Gammas from which another transfer counts that is not borne out closely: a grade of a much harder contrast, read as HLG, comes out below
(own: 1.9 to 2.0 on three of 140 labelled pairs read as they are)."""
PLAIN_SET_GAMMAS, PLAIN_SET_JND, PLAIN_SET_SHARE, OFF_GAMMA = (2.25, 2.55), 0.6, 0.5, 0.3
"""A set as BT.1886 has it, on which another range leaves next to nothing, |dI| x 720, and no more than that share of what is left as the
pair is read; and how far from gamma 2.4 the pair must then lie to be doubted (own)."""
BT1886_GAMMA = 2.4
"""Of the reference set (ITU-R BT.1886)."""
RANGE_GAIN_JND, RANGE_SHARE = 1.5, 0.3
"""By how much another range must lessen what is left, |dI| x 720, and to what share of it (own)."""
BORNE_OUT_JND, BORNE_OUT_SHARE = 0.5, 0.7
"""The same where the codes of that release speak for it as well (own)."""
LEAST_SIGNAL = 0.02
"""What is darker on either side takes no part: read in the wrong range, black is cut off (own)."""
TOP_SIGNAL = 1.09
"""Highest narrow-range signal, code 1019 of 10 bits (BT.2100-2 table 9)."""
PLACES = 4000
"""Places that each reading is fitted to (own)."""

Looks = Literal["narrow", "full"]
Read = Callable[[FloatArray], NDArray[np.float64]]


# ---------------------------------------------------------------- one release: its range


def count_luma(luma: NDArray[np.unsignedinteger], *, active: Rectangle, bit_depth: int) -> NDArray[np.int64]:
    """Luma codes of one picture, thinned, in steps of an 8-bit code.

    Parameters
    ----------
    luma : (row, column) code values.
    active : active picture.
    bit_depth : bits of a code, 8 or more.

    Returns
    -------
    (256,) pixels.
    """
    return count_codes(luma, active=active, spare=SPARE_LINES, shift=bit_depth - 8)[:CODES]


def read_range(codes: NDArray[np.int64], *, code_range: str) -> Looks | None:
    """The other range, where the luma codes of a release speak for it; None where they fit its own, or tell nothing.

    Parameters
    ----------
    codes : (256,) pixels of the whole release by 8-bit code.
    code_range : `narrow` or `full`, as the release is read.

    Notes
    -----
    Narrow codes keep what lies below 16 for excursions (BT.709-6 item 5); a picture that lives there was coded full. Full codes whose black
    lies at 16 and that hold nothing below were coded narrow. A picture without black says nothing.
    """
    total = float(codes.sum())
    if not total:
        return None
    if code_range == "narrow":
        return "full" if float(codes[:FAR_BELOW_CODE].sum()) >= FAR_BELOW_SHARE * total else None
    low, high = BLACK_CODES
    at_black, above = codes[low:high], codes[high : high + 2 * (high - low)]
    much = float(at_black.sum()) >= BLACK_SHARE * total
    piled = float(at_black.max()) >= BLACK_RATIO * max(float(above.mean()), 1.0)
    nothing_below = float(codes[:BELOW_CODE].sum()) <= BELOW_SHARE * total
    return "narrow" if much and piled and nothing_below else None


# ---------------------------------------------------------------- a pair: transfer and range


def check_readings(sample: FitSample, hdr: Signal, sdr: Signal, *, signs: Sequence[Looks | None], hlg_peak_nits: float) -> SignalCheck:
    """Hold the way a pair is read against the other ways in which it could be.

    Parameters
    ----------
    sample : places of matched pictures.
    hdr, sdr : how the two are read.
    signs : of `read_range`, HDR first.
    hlg_peak_nits : display peak for HLG.

    Returns
    -------
    SignalCheck. Places are taken as the grey of their intensity: exact for grey, near enough for the rest.
    """
    looks = {side: sign for side, sign in zip(SIDES, signs, strict=True) if sign is not None}
    hdr_grey, sdr_grey = sample.hdr_intensity, grey_signal(sample.sdr_code)
    keep = (hdr_grey > LEAST_SIGNAL) & (sdr_grey > LEAST_SIGNAL)
    if not keep.any() or tone_span_jnd(part_of(sample, keep)) < LEAST_SPAN_JND:
        return SignalCheck("cannot_tell", None, (), "doubtful" if looks else "fits", _range_fields(looks))
    transfer = hdr.transfer.value
    sample, hdr_grey, sdr_grey = part_of(sample, keep), hdr_grey[keep], sdr_grey[keep]
    decode, encode = _decoders(hlg_peak_nits), _encoders(hlg_peak_nits)
    hdr_code = encode[transfer](pq_to_nits(np.clip(hdr_grey, 0, 1)))

    def try_out(side: Side, field: Literal["transfer", "range"], value: str, hdr_light: FloatArray, signal: FloatArray) -> SignalReading:
        intensity = nits_to_pq(np.clip(hdr_light, 0, 10_000))
        white, gamma, left = fit_power_law(_grey_sample(sample, intensity, signal), places=PLACES)
        return SignalReading(side, field, value, white, gamma, left)

    def read_hdr(code: FloatArray, way: str = transfer) -> NDArray[np.float64]:
        return decode[way](np.clip(code, 0, TOP_SIGNAL))

    as_it_is = try_out("hdr", "transfer", transfer, read_hdr(hdr_code), sdr_grey)
    transfers = [
        *(try_out("hdr", "transfer", way, read_hdr(hdr_code, way), sdr_grey) for way in decode if way != transfer),
        try_out("sdr", "transfer", "pq", read_hdr(hdr_code), nits_to_bt1886(pq_to_nits(np.clip(sdr_grey, 0, 1)))),
    ]
    ranges = [
        try_out("hdr", "range", _other(hdr.range.value), read_hdr(_turn_range(hdr_code, hdr.range.value)), sdr_grey),
        try_out("sdr", "range", _other(sdr.range.value), read_hdr(hdr_code), _turn_range(sdr_grey, sdr.range.value)),
    ]
    return _weigh(as_it_is, transfers, ranges, looks)


def _weigh(
    as_it_is: SignalReading, transfers: Sequence[SignalReading], ranges: Sequence[SignalReading], looks: dict[Side, Looks]
) -> SignalCheck:
    if not _within(as_it_is.gamma, FAR_GAMMAS):
        better = [one for one in transfers if _is_ordinary(one) and one.residual_jnd < as_it_is.residual_jnd]
        better.sort(key=lambda one: one.residual_jnd)
        close = [one for one in better if one.residual_jnd <= CLOSE_JND]
        better = [one for one in better if one in close or _within(one.gamma, USUAL_GAMMAS)]
        if not better and not _within(as_it_is.gamma, NO_SET_GAMMAS):
            better = [one for one in transfers if _within(one.gamma, FAR_GAMMAS) and _within(one.white_nits, ORDINARY_WHITES)]
        if better:
            state: Literal["doubtful", "contradicted"] = "contradicted" if close else "doubtful"
            ranges_told = () if close else _range_fields(looks)  # codes of another transfer say nothing of a range
            return SignalCheck("measured", as_it_is, tuple(close or better), state, ranges_told)
    borne_out = [one for one in ranges if looks.get(one.side) == one.value and _is_closer(one, as_it_is, BORNE_OUT_JND, BORNE_OUT_SHARE)]
    if borne_out:
        return SignalCheck("measured", as_it_is, tuple(borne_out), "contradicted", _range_fields(looks))
    closer = [one for one in ranges if _is_closer(one, as_it_is, RANGE_GAIN_JND, RANGE_SHARE) or _is_plainer(one, as_it_is)]
    found = tuple(sorted(closer, key=lambda one: one.residual_jnd)[:1])
    return SignalCheck("measured", as_it_is, found, "doubtful" if found or looks else "fits", _range_fields(looks))


def _is_closer(one: SignalReading, as_it_is: SignalReading, gain_jnd: float, share: float) -> bool:
    left = one.residual_jnd
    return _is_ordinary(one) and as_it_is.residual_jnd - left >= gain_jnd and left <= share * as_it_is.residual_jnd


def _is_plainer(one: SignalReading, as_it_is: SignalReading) -> bool:
    """Whether a reading brings a pair that is off back to a plain set, with next to nothing left."""
    nothing_left = one.residual_jnd <= min(PLAIN_SET_JND, PLAIN_SET_SHARE * as_it_is.residual_jnd)
    return nothing_left and _within(one.gamma, PLAIN_SET_GAMMAS) and abs(as_it_is.gamma - BT1886_GAMMA) >= OFF_GAMMA


def _is_ordinary(one: SignalReading) -> bool:
    return _within(one.gamma, ORDINARY_GAMMAS) and _within(one.white_nits, ORDINARY_WHITES)


def _within(value: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= value <= bounds[1]


def _range_fields(looks: dict[Side, Looks]) -> tuple[tuple[Side, str], ...]:
    return tuple(looks.items())


def _grey_sample(sample: FitSample, intensity: FloatArray, signal: FloatArray) -> FitSample:
    grey = np.repeat(np.asarray(signal, np.float64)[:, None], 3, 1)
    return replace(sample, hdr_intensity=np.ascontiguousarray(intensity, np.float64), sdr_code=grey)


def _other(code_range: str) -> str:
    return "full" if code_range == "narrow" else "narrow"


def _turn_range(signal: FloatArray, code_range: str) -> NDArray[np.float64]:
    """The signal of the same codes read in the other range."""
    signal = np.asarray(signal, np.float64)
    if code_range == "narrow":
        return (signal * NARROW_SPAN + NARROW_BLACK) / FULL_SPAN
    return np.maximum((signal * FULL_SPAN - NARROW_BLACK) / NARROW_SPAN, 0)


def _decoders(hlg_peak_nits: float) -> dict[str, Read]:
    """Signal of a grey to cd/m2 for each transfer."""
    return {
        "pq": lambda code: pq_to_nits(np.minimum(code, 1)),
        "hlg": lambda code: hlg_to_nits(_grey(code), peak_nits=hlg_peak_nits)[..., 0],
        "bt1886": lambda code: bt1886_to_nits(code),
    }


def _encoders(hlg_peak_nits: float) -> dict[str, Read]:
    return {
        "pq": lambda nits: nits_to_pq(nits),
        "hlg": lambda nits: nits_to_hlg(_grey(nits), peak_nits=hlg_peak_nits)[..., 0],
    }


def _grey(values: FloatArray) -> NDArray[np.float64]:
    return np.repeat(np.asarray(values, np.float64)[..., None], 3, -1)
