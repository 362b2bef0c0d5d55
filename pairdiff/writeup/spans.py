"""From frame numbers of a segment to film time."""

from __future__ import annotations

from pairdiff._records import FloatArray, Segment, Side


def end_s(times_s: FloatArray) -> float:
    """End of the last frame, seconds: its time and the mean time between frames."""
    step = float(times_s[-1] - times_s[0]) / (len(times_s) - 1) if len(times_s) > 1 else 0.0
    return float(times_s[-1]) + step


def span_s(segment: Segment, side: Side, times_s: FloatArray) -> tuple[float | None, float | None]:
    """Time of a segment's first frame on one side and of the frame behind its last one, seconds; None where that side has no part.

    Parameters
    ----------
    segment : of the edit map.
    side : `hdr` or `sdr`.
    times_s : (frame,) of that side; where it is empty the times are not known, and None.

    Returns
    -------
    Start and stop.
    """
    start, stop = (segment.hdr_start, segment.hdr_stop) if side == "hdr" else (segment.sdr_start, segment.sdr_stop)
    if start is None or stop is None or not len(times_s):
        return None, None
    return float(times_s[start]), float(times_s[stop]) if stop < len(times_s) else end_s(times_s)
