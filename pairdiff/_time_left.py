"""How long a stage still takes, by the pace of its last steps; nothing but numbers, no clock of its own."""

from __future__ import annotations

import bisect

LOOKED_BACK_SHARE = 1 / 3
"""Share of the steps done in this run by which the pace is told: a slow start is soon forgotten, and a change of pace noticed (own)."""
LEAST_STEPS = 48
"""Steps by which it is told at least, where there are so many (own): pictures come in groups of dozens, of unequal work."""
LEAST_DONE_SHARE = 0.1
"""Share of the work from which a stage of fewer steps is told (own)."""
MOST_MARKS = 512
"""Places that are remembered (own); beyond, every second one is forgotten."""


class TimeLeft:
    """Time left of one stage. Tell it with `add` how far the stage is and when; the first time tells where this run begins.

    Steps that were done before that took no time of this run, and do not count as quick ones. A stage that goes back has begun anew.
    """

    def __init__(self) -> None:
        self._done: list[int] = []
        self._times_s: list[float] = []
        self._last = (0, 0.0)

    def add(self, done: int, *, now_s: float) -> None:
        """So many steps are done at this moment, seconds of any clock that does not go back."""
        if self._done and done < self._last[0]:
            self._done, self._times_s = [], []
        if not self._done or done > self._done[-1]:
            self._done.append(done)
            self._times_s.append(now_s)
        self._last = (done, now_s)
        if len(self._done) > MOST_MARKS:
            self._done, self._times_s = self._done[::2], self._times_s[::2]

    def left_s(self, total: int | None) -> float | None:
        """Seconds until `total` steps are done; None where that is not known, or too little is done to tell."""
        if total is None or not self._done:
            return None
        first, (done, now_s) = self._done[0], self._last
        new = done - first
        if new <= 0 or new < min(LEAST_STEPS, int(LEAST_DONE_SHARE * (total - first))):
            return None
        since = done - min(max(LOOKED_BACK_SHARE * new, LEAST_STEPS), new)
        mark = bisect.bisect_right(self._done, since) - 1
        steps, spent_s = done - self._done[mark], now_s - self._times_s[mark]
        return max(total - done, 0) * spent_s / steps if steps else None


def say_left(left_s: float | None) -> str:
    """Time left in words, no finer than it can be known; empty where it is not."""
    if left_s is None:
        return ""
    minutes = round(left_s / 60)
    if left_s < 55:
        return f"about {max(5 * round(left_s / 5), 5)} s left"
    if minutes < 60:
        return f"about {max(minutes, 1)} min left"
    rounded = 5 * round(minutes / 5)
    return f"about {rounded // 60} h {rounded % 60:02d} min left"
