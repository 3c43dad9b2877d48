"""By how much two sources' readings of one signal differ, learnt while both speak; looks forward only.

Two instruments never agree: one shunt has another offset than the next. Left in, a hand-over from one to the other
looks like a step of the load or the charge. The difference is the median over moments at which both were heard. Of a
current only moments at rest count, where a wrong gain adds nothing. What exceeds every usual offset is none: one of
the two is wrong, and nobody can say which.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from telemetry.model.batch import MICROSECONDS, Times, Values

BLOCK = 10 * MICROSECONDS
"""What is learnt counts from the end of each such block of the data's own time on; ours."""
LEAST_TOGETHER = 20
"""Moments by which a difference is judged; ours."""
MOST_TOGETHER = 6000
"""The latest moments count, at least ten minutes of them: an offset drifts with temperature. Ours."""
_APART = MICROSECONDS // 10
"""One moment in so long counts, microseconds: faster readings are hardly new; ours."""
_MORE = 1.25
"""The difference is judged anew each time there are so many times as many moments; ours."""
_TOGETHER = 2 * MICROSECONDS
"""Between readings of the first no farther apart it is interpolated, microseconds: a row a second comes unevenly."""
_REST_A = 2.0
"""Above this current a difference may come from gain; a difference of more is no offset. A; ours."""
_MOST_SHARE = 0.02
"""Of the voltage; a difference of more is no offset. Two meters of 1 %, common practice."""
_OF_MEDIAN, _OF_NORMAL = math.sqrt(math.pi / 2), 1.4826
"""Deviation of a median over that of a mean, and one standard deviation over the median deviation (normal noise)."""
_OF_STEP = 0.3
"""A step's share that is one standard deviation: 1/sqrt(12), rounded up."""
LEVELLED = ("V", "A")
"""Units of what has an offset worth taking out; of the rest a mean of two is no better."""

Rows = tuple[Times, Values]


@dataclass(frozen=True, slots=True)
class Learnt:
    """A difference: what is added to the other's readings, and one standard deviation, in the signal's unit."""

    value: float
    sd: float


class Difference:
    """By how much the first source reads higher than another one.

    Args:
        unit: of the signal, ``V`` or ``A``.
        since: rows before it do not count, int microseconds.

    Attributes:
        latest: from all moments so far; None where they do not tell it.
    """

    def __init__(self, unit: str, since: int = 0) -> None:
        self._at_rest, self._from = unit == "A", since
        self._before: Rows = np.empty(0, np.int64), np.empty(0)
        self._unmatched: Rows = self._before
        self._pairs: Values = np.empty((0, 2))
        self._readings = _Readings(), _Readings()
        self._last_moment, self._count, self._due = -1, 0, LEAST_TOGETHER
        self._since: list[int] = []
        self._values: list[float] = []
        self.latest: Learnt | None = None

    def take(self, first: Rows, other: Rows) -> None:
        """Take the known rows of whole blocks of both, each continuing earlier calls."""
        first, other = (_rows_from(self._from, rows) for rows in (first, other))
        for readings, (_, values) in zip(self._readings, (first, other), strict=True):
            readings.take(values)
        t, values = (np.concatenate(pair) for pair in zip(self._before, first, strict=True))
        at, theirs = (np.concatenate(pair) for pair in zip(self._unmatched, other, strict=True))
        self._before = t[-1:], values[-1:]
        matched = int(np.searchsorted(at, t[-1], side="right")) if len(t) else 0
        self._unmatched = at[matched:], theirs[matched:]
        blocks, pairs = self._together((t, values), (at[:matched], theirs[:matched]))
        if not len(blocks):
            return
        edges = np.flatnonzero(np.diff(blocks, append=blocks[-1] + 1)) + 1
        begin = 0
        for end in edges.tolist():
            self._pairs = np.concatenate([self._pairs, pairs[begin:end]])[-MOST_TOGETHER:]
            self._count += end - begin
            if self._count >= self._due:
                self._due = math.ceil(_MORE * self._count)
                self.latest = self._judged()
                self._since.append((int(blocks[end - 1]) + 1) * BLOCK)
                self._values.append(0.0 if self.latest is None else self.latest.value)
            begin = end

    def at(self, t: Times) -> Values:
        """Return what is added to the other's readings at each of ``t``; 0 while it is not known."""
        places = np.searchsorted(self._since, t, side="right")
        return np.asarray([0.0, *self._values])[places]

    def _together(self, first: Rows, other: Rows) -> tuple[Times, Values]:
        """Return for each moment that counts the block in which both had come, and both readings."""
        (t, values), (at, theirs) = first, other
        later = at > t[0] if len(t) else at < 0
        at, theirs = at[later], theirs[later]
        right = np.searchsorted(t, at)
        ours = np.interp(at, t, values) if len(at) else theirs
        counts = t[right] - t[right - 1] <= _TOGETHER
        if self._at_rest:
            counts &= np.abs(ours) < _REST_A
        counts[counts] = np.diff(at[counts] // _APART, prepend=self._last_moment) > 0
        if counts.any():
            self._last_moment = int(at[counts][-1]) // _APART
        return t[right][counts] // BLOCK, np.column_stack([ours[counts], theirs[counts]])

    def _judged(self) -> Learnt | None:
        ours, theirs = self._pairs.T
        apart = ours - theirs
        value = float(np.median(apart))
        if abs(value) > (_REST_A if self._at_rest else _MOST_SHARE * float(np.median(np.abs(ours)))):
            return None
        noise = _OF_NORMAL * float(np.median(np.abs(apart - value)))
        steps = [each.sd_of(shown) for each, shown in zip(self._readings, (ours, theirs), strict=True)]
        return Learnt(value, math.hypot(_OF_MEDIAN * noise / math.sqrt(len(apart)), *steps))


class _Readings:
    """In how small steps one instrument reads, and the least it ever showed."""

    def __init__(self) -> None:
        self._step, self._least = math.inf, math.inf

    def take(self, values: Values) -> None:
        self._step = min(self._step, resolution(values) or math.inf)
        self._least = min(self._least, float(np.abs(values[values != 0.0]).min(initial=math.inf)))

    def sd_of(self, shown: Values) -> float:
        """Return one standard deviation of what its steps hide in ``shown``."""
        if shown.any():
            return _OF_STEP * self._step if math.isfinite(self._step) else 0.0
        return self._least / math.sqrt(3.0) if math.isfinite(self._least) else _REST_A / math.sqrt(3.0)


def _rows_from(since: int, rows: Rows) -> Rows:
    t, values = rows
    begin = int(np.searchsorted(t, since))
    return t[begin:], values[begin:]


def resolution(values: Values) -> float:
    """Return the step in which readings come; 0 where they are all alike."""
    steps = np.diff(np.unique(np.round(values, 6)))
    return float(steps.min()) if len(steps) else 0.0
