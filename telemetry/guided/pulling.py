"""Pulling away from standstill: gentle pulls and full launches, and the long climb."""

from __future__ import annotations

import math
from bisect import insort
from collections import deque
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from telemetry.guided.attempts import Attempt, Manoeuvre, Moment, too_short, too_slow
from telemetry.guided.rows import Row
from telemetry.model.batch import MICROSECONDS

BEFORE_S: Final = 5.0
WITHIN_S: Final = 2.0
"""The current at standstill is small whatever the throttle, for power is only heat there. Ours."""
SETTLED_S: Final = 1.0
"""The foot has come to where it stays. Ours."""
HELD_S: Final = 10.0
FULL_S: Final = 2.0
TOLD_S: Final = 2.0
"""Pulls shorter than this are manoeuvring, not attempts. Ours."""
FULL_THROTTLE_V: Final = 3.9
"""A throttle sensor on a 5 V supply reads 4.0 to 4.5 V with the throttle fully down; common practice, from memory.
One that never read so much in a drive may not have been fully down."""
NOISE_V: Final = 0.05
"""A throttle sensor that stays where it is reads within this. Ours."""
FULL_FOR: Final = "full throttle for"
FULL_SHARE: Final = 0.95
GENTLE_SHARE: Final = 0.75
"""Up to here of the travel a pull is gentle: half throttle, before it is known how far the sensor goes. Ours."""
STEADY_SHARE: Final = 0.10
"""A held throttle stays within this of the middle one, share of its travel: a foot on rough ground. Ours."""
LEAST_TRAVEL_V: Final = 0.5
"""Less than this between released and fully down is no throttle sensor. Ours."""
CLIMB_S: Final = 60.0
CLIMB_TOLD_S: Final = 20.0
CLIMB_TIMES: Final = 1.5
SMOOTHED_S: Final = 5.0
USUAL_S: Final = 60
"""Seconds of driving before it is known what is usual. Ours."""


class PullAway(Manoeuvre):
    """Recognises gentle pulls and full launches by the throttle; without one, by the current alone.

    Args:
        step_a: least step of load that the resistance is found from, A.
    """

    def __init__(self, step_a: float) -> None:
        self._step_a = step_a
        self._full_v = FULL_THROTTLE_V
        self._calm_s, self._released_v, self._stood = 0.0, math.nan, True
        self._rows: list[tuple[Row, float]] = []
        self._is_pull = False

    @property
    def share(self) -> float:
        """How far the pull has come."""
        pulls = self._is_pull and self._rows[-1][1] >= self._step_a
        return min(1.0, self._seconds() / HELD_S) if pulls else 0.0

    def _seconds(self) -> float:
        return (self._rows[-1][0].t - self._rows[0][0].t) / MICROSECONDS if self._rows else 0.0

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        if row.throttle > self._full_v:
            self._full_v = row.throttle
        if not now.loaded or math.isnan(now.over_a):
            if self._is_pull:
                yield from self._over()
            self._rows, self._is_pull = [], False
            self._calm_s, self._released_v, self._stood = now.calm_s, now.released_v, now.stands
            return
        if not self._rows:
            self._is_pull = self._stood
        self._rows.append((row, now.over_a))

    def end(self) -> Iterator[Attempt]:
        """Give the pull that ended."""
        if self._is_pull:
            yield from self._over()
        self._rows, self._is_pull, self._calm_s, self._stood = [], False, 0.0, False

    def _over(self) -> Iterator[Attempt]:
        """Give what the pull that ended was."""
        seconds = self._seconds()
        if seconds < TOLD_S:
            return
        over = [over_a for _, over_a in self._rows]
        peak = max(min(pair) for pair in pairwise(over))
        first, last = self._rows[0][0].t, self._rows[-1][0].t
        soon = max(over_a for row, over_a in self._rows if row.t <= first + WITHIN_S * MICROSECONDS)
        slow = too_slow(max(row.age_s for row, _ in self._rows))
        if not slow and soon < self._step_a:
            slow = f"too small: the current rose by {soon:.1f} of {self._step_a:.1f} A in {WITHIN_S:.0f} s"
        levels = self._levels()
        facts = {"peak_a": peak, "seconds": seconds}
        hasty = too_short(self._calm_s, BEFORE_S, "not long enough without load before it")
        if not levels:
            near = sum(each >= FULL_SHARE * peak for each in over) / 5.0
            yield Attempt("pulls", first, last, "", slow or hasty or too_short(seconds, HELD_S), facts)
            refused = slow or too_short(near, FULL_S, "near the highest current for")
            yield Attempt("launches", first, last, "", refused, facts | {"throttle": math.nan})
            return
        middle = sorted(levels)[len(levels) // 2]
        facts["throttle"] = middle
        if middle <= GENTLE_SHARE:
            held = _longest(levels, middle)
            refused = slow or hasty or too_short(seconds, HELD_S)
            refused = refused or too_short(held, HELD_S - SETTLED_S, "the throttle moved: steady for")
            yield Attempt("pulls", first, last, "", refused, facts)
            return
        # Both: a sensor that reads more when fully down has been seen, or the least that a sensor reads then.
        least_v = max(FULL_THROTTLE_V - NOISE_V, self._released_v + FULL_SHARE * (self._full_v - self._released_v))
        full_s = sum(row.throttle >= least_v for row, _ in self._rows) / 5.0
        yield Attempt("launches", first, last, "", slow or too_short(full_s, FULL_S, FULL_FOR), facts)

    def _levels(self) -> list[float]:
        """Return the throttle over its travel in each row after the first second; empty where it is not known."""
        travel = self._full_v - self._released_v
        first = self._rows[0][0].t + round(SETTLED_S * MICROSECONDS)
        found = [(row.throttle - self._released_v) / travel for row, _ in self._rows if row.t > first]
        known = travel > LEAST_TRAVEL_V and not any(math.isnan(each) for each in found)
        return found if known else []


def _longest(levels: list[float], middle: float) -> float:
    """Return for how long at a stretch the throttle stayed near ``middle``, s."""
    longest = run = 0
    for level in levels:
        run = run + 1 if abs(level - middle) <= STEADY_SHARE else 0
        longest = max(longest, run)
    return longest / 5.0


class Climb(Manoeuvre):
    """Recognises a long time at much more than the usual driving current."""

    def __init__(self) -> None:
        self._usual: list[float] = []
        self._last: deque[tuple[int, float]] = deque()
        self._second: list[float] = []
        self._second_at = 0
        self._since = self._until = 0
        self._steep = False
        self._low_at: int | None = None

    @property
    def share(self) -> float:
        """How far the climb has come."""
        return min(1.0, (self._until - self._since) / MICROSECONDS / CLIMB_S) if self._steep else 0.0

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        if math.isnan(row.current):
            return
        self._last.append((row.t, row.current))
        while row.t - self._last[0][0] > SMOOTHED_S * MICROSECONDS:
            self._last.popleft()
        mean = sum(current for _, current in self._last) / len(self._last)
        usual = self._usual[len(self._usual) // 2] if len(self._usual) >= USUAL_S else math.nan
        high = mean > CLIMB_TIMES * usual
        if high:
            self._since = self._since if self._steep else row.t
            self._steep, self._until, self._low_at = True, row.t, None
        elif self._steep:
            self._low_at = self._low_at or row.t
            if row.t - self._low_at > SMOOTHED_S * MICROSECONDS:
                yield from self.end()
        if not self._steep and now.loaded:
            self._learn(row)

    def _learn(self, row: Row) -> None:
        """Take the mean current of each second of driving."""
        second = row.t // MICROSECONDS
        if self._second and second != self._second_at:
            insort(self._usual, sum(self._second) / len(self._second))
            self._second = []
        self._second_at = second
        self._second.append(row.current)

    def end(self) -> Iterator[Attempt]:
        """Give the climb that ended."""
        seconds = (self._until - self._since) / MICROSECONDS
        if self._steep and seconds >= CLIMB_TOLD_S:
            usual = self._usual[len(self._usual) // 2]
            yield Attempt("climb", self._since, self._until, "", too_short(seconds, CLIMB_S), {"usual_a": usual})
        self._steep, self._low_at = False, None
        self._last.clear()
