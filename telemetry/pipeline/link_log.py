"""What a run knows of one source's link: its state, its drop-outs, and how many values came in each second."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from telemetry.model.batch import MICROSECONDS, Times
from telemetry.model.events import LinkChange

KEPT_SECONDS = 300
"""Seconds of values a second that are remembered."""
_RATE_S = 10
_FAILED = ("silent", "lost")


@dataclass(frozen=True, slots=True)
class DropOut:
    """A time without the link: from ``t``, int microseconds, to ``end``; None while it lasts."""

    t: int
    end: int | None = None

    def seconds(self, now: int) -> float:
        """Return its length; up to ``now`` while it lasts."""
        return ((now if self.end is None else self.end) - self.t) / MICROSECONDS


class LinkLog:
    """The log of one source.

    Attributes:
        change: the latest change of its link; None before the first.
        since: when the link came into its present state, int microseconds; reasons may have changed meanwhile.
        drop_outs: the latest few, oldest first; ``dropped`` counts all of them.
        values: known values received so far.

    """

    def __init__(self) -> None:
        self.change: LinkChange | None = None
        self.since = 0
        self.drop_outs: deque[DropOut] = deque(maxlen=20)
        self.dropped = 0
        self.values = 0
        self._counts: deque[list[int]] = deque(maxlen=KEPT_SECONDS)

    def take_change(self, change: LinkChange) -> None:
        """Take a change of the link."""
        before = None if self.change is None else self.change.state
        if change.state != before:
            self.since = change.t
        if change.state in _FAILED and before not in _FAILED:
            self.drop_outs.append(DropOut(change.t))
            self.dropped += 1
        elif before in _FAILED and change.state not in _FAILED:
            self.drop_outs[-1] = DropOut(self.drop_outs[-1].t, change.t)
        self.change = change

    def take_rows(self, t: Times, known: int) -> None:
        """Count ``known`` values of rows at ``t``, int64 (rows,) ascending, at least one; spread evenly over them."""
        self.values += known
        if len(t) == 1:  # the common case live
            self._add(int(t[0]) // MICROSECONDS, known)
            return
        seconds, rows = np.unique(t // MICROSECONDS, return_counts=True)
        ends = np.rint(np.cumsum(rows) * (known / len(t))).astype(np.int64)
        for second, count in zip(seconds.tolist(), np.diff(ends, prepend=0).tolist(), strict=True):
            self._add(second, count)

    def _add(self, second: int, count: int) -> None:
        for entry in reversed(self._counts):
            if entry[0] == second:
                entry[1] += count
                return
            if entry[0] < second:
                break
        if not self._counts or self._counts[-1][0] < second:
            self._counts.append([second, count])

    def per_second(self, now: int, seconds: int) -> list[int]:
        """Return values in each of the last ``seconds`` whole seconds before ``now``, oldest first; 0 where none."""
        counts = {entry[0]: entry[1] for entry in self._counts}
        last = now // MICROSECONDS
        return [counts.get(second, 0) for second in range(last - seconds, last)]

    def rate(self, now: int) -> float:
        """Return values a second: the mean of the ten whole seconds before ``now``, fewer where it began later."""
        if not self._counts:
            return 0.0
        begun = now // MICROSECONDS - self._counts[0][0]
        span = max(1, min(_RATE_S, begun))
        return sum(self.per_second(now, span)) / span

    def rate_before(self) -> float:
        """Return the same for the last ten seconds in which values came; 0 where none ever did."""
        return self.rate((self._counts[-1][0]) * MICROSECONDS) if self._counts else 0.0
