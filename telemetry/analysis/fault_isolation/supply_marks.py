"""When the BMS trips, and when much more voltage than usual is lost between pack and controller."""

from __future__ import annotations

from collections import deque

from telemetry.analysis.fault_isolation.throttle_marks import FIRST_AFTER
from telemetry.analysis.recent import RunningQuantile
from telemetry.model.batch import MICROSECONDS
from telemetry.model.signals import ON

_MOST_WAITING = 9  # readings that wait for the pack's next one
_LEAST = 0.06
"""Share of the pack's voltage that has to be lost: far more than cable and fuse take (common practice)."""
_TIMES_USUAL = 3.0
_LATE, _FRESH = 3 * MICROSECONDS // 2, 11 * MICROSECONDS // 10
"""A BMS reports a trip so late; an older reading of the pack is none of this moment."""


class SupplyMarks:
    """Compares the two voltages reading by reading.

    Attributes:
        open_since, closed_since: when the BMS last reported a trip, and its end, microseconds; long ago before any.
    """

    def __init__(self) -> None:
        self.open_since = self.closed_since = -(2**62)
        self._first: int | None = None
        self._allowed = 1.0
        self._packs: deque[tuple[int, float]] = deque(maxlen=2)
        self._waiting: deque[tuple[int, float]] = deque()
        self._usual, self._high = RunningQuantile(0.5), RunningQuantile(0.95)
        self._lost_since: int | None = None
        self._due: int | None = None

    @property
    def is_open(self) -> bool:
        """Whether the BMS reports a trip."""
        return self._allowed < ON

    def trips(self, t: int, allowed: float) -> bool:
        """Take whether the BMS allows discharge, 1 or 0; tell whether it trips."""
        trips = allowed < ON <= self._allowed
        if trips:
            self.open_since = t
        elif allowed >= ON > self._allowed:
            self.closed_since = t
        self._allowed = allowed
        return trips

    def take(self, t: int, supply: float, pack: float) -> None:
        """Take the two voltages, V, NaN for none."""
        if supply == supply:
            if self._first is None:
                self._first = t
            self._waiting.append((t, supply))
        if pack == pack:
            self._packs.append((t, pack))
        while (
            self._waiting
            and self._packs
            and (self._packs[-1][0] >= self._waiting[0][0] or len(self._waiting) > _MOST_WAITING)
        ):
            self._compare(*self._waiting.popleft())

    def lost(self, t: int) -> int | None:
        """Return from when on voltage was lost, where that is due to be told and no trip explains it."""
        if self._due is None or t - self._due < _LATE:
            return None
        due, self._due = self._due, None
        explained = self.is_open or max(self.open_since, self.closed_since) >= due - _LATE
        return None if explained else due

    def _compare(self, t: int, supply: float) -> None:
        """Compare a reading with the pack's at its time, on the line between the two readings around it."""
        (before_t, before), (after_t, after) = self._packs[0], self._packs[-1]
        if t - before_t > _FRESH:
            return
        share = min(max((t - before_t) / max(after_t - before_t, 1), 0.0), 1.0)
        pack = before + share * (after - before)
        lost = pack - supply
        usual, high = self._usual.value, self._high.value
        known = self._first is not None and t - self._first >= FIRST_AFTER
        least = _LEAST * pack
        if known and lost > least + max(usual + _TIMES_USUAL * (high - usual), 0.0):
            if self._lost_since is not None and self._due is None:  # twice on end
                self._due = self._lost_since
            self._lost_since = t if self._lost_since is None else self._lost_since
            return
        self._lost_since = None
        self._usual.take(lost, 0.02 * pack)
        self._high.take(lost, 0.02 * pack)
