"""When the BMS trips, and when much more voltage than usual is lost between pack and controller."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from telemetry.analysis.fault_isolation.throttle_marks import FIRST_AFTER
from telemetry.analysis.fault_isolation.trace import NEVER, Trace, first_after
from telemetry.analysis.repeats import Flags
from telemetry.model.batch import MICROSECONDS, Times, Values
from telemetry.model.signals import ON

_LEAST = 0.06
"""Share of the pack's voltage that has to be lost: far more than cable and fuse take (common practice)."""
_TIMES_USUAL = 3.0
_LATE, _FRESH = 3 * MICROSECONDS // 2, 11 * MICROSECONDS // 10
"""A BMS reports a trip so late; an older reading of the pack is none of this moment."""
_MOST_WAITING = 9  # readings that wait for the pack's next one
_STEP, _MIDDLE, _UPPER = 0.02, 0.5, 0.95
"""Step and shares of the running quantiles of what is lost (as in ``RunningQuantile``): usual, and seldom more."""

_Rows = tuple[Times, Values]


class SupplyMarks:
    """Compares the two voltages reading by reading."""

    def __init__(self) -> None:
        self._flags = Trace(0, 3)
        self._first: int | None = None
        self._pack: tuple[Times, Values] = np.empty(0, dtype=np.int64), np.empty(0)
        self._waiting = self._pack
        self._usual = self._high = float("nan")
        self._lost_since: int | None = None
        self._due: int | None = None

    def trips(self, t: Times, allowed: Values) -> list[int]:
        """Take whether the BMS allows discharge, 1 or 0; return when it trips."""
        last, opened, closed = self._flags.rows[-1].tolist() if len(self._flags.t) else (1.0, -NEVER, -NEVER)
        if (allowed == last).all():
            return []
        before = np.concatenate([[last], allowed[:-1]])
        trips, clears = (allowed < ON) & (before >= ON), (allowed >= ON) & (before < ON)
        since = [
            np.maximum.accumulate(np.where(changes, t, earlier))
            for changes, earlier in ((trips, opened), (clears, closed))
        ]
        self._flags.add(t, allowed, *since)
        found: list[int] = t[trips].tolist()
        return found

    def switched(self, t: int, since: int) -> bool:
        """Tell whether the BMS reported a trip at ``t``, or one that began or ended after ``since``."""
        row = self._flags.at(t)
        return row is not None and (row[0] < ON or max(row[1:]) > since)

    def are_open(self, t: Times) -> Flags:
        """Tell whether the BMS reported a trip at each of ``t``."""
        return np.asarray(self._flags.at_each(t)[:, 0] < ON)

    def lost(self, supply: _Rows, pack: _Rows, times: Times) -> Iterator[tuple[int, int]]:
        """Take the two voltages; yield when it was noticed that voltage is lost, and since when, unless by a trip.

        Args:
            supply, pack: times and V of their rows.
            times: of these and all other signals.
        """
        if self._first is None and len(supply[0]):
            self._first = int(supply[0][0])
        for noticed, t, lost, volts in self._compared(supply, pack):
            if self._due is not None:
                yield from self._told(times, noticed)
            self._compare(t, lost, volts)
        yield from self._told(times, NEVER)

    def _told(self, times: Times, before: int) -> Iterator[tuple[int, int]]:
        """Yield a loss that is told before that time."""
        if self._due is None:
            return
        noticed = first_after(times, self._due + _LATE)
        if noticed < before:
            due, self._due = self._due, None
            if not self.switched(noticed, due - _LATE - 1):
                yield noticed, due

    def _compared(self, supply: _Rows, pack: _Rows) -> Iterator[tuple[int, int, float, float]]:
        """Yield when a reading is compared, its time, and the voltage lost and that of the pack then, V.

        That of the pack lies on the line between its two readings around; a reading waits for the later one, but not
        for long.
        """
        t, supplies = (np.concatenate(pair) for pair in zip(self._waiting, supply, strict=True))
        pack_t, packs = (np.concatenate(pair) for pair in zip(self._pack, pack, strict=True))
        self._pack = pack_t[-2:], packs[-2:]
        if not len(pack_t):
            self._waiting = t, supplies
            return
        next_one = np.searchsorted(pack_t, t)
        comes = np.append(pack_t, NEVER)[next_one]
        waited = np.append(t[_MOST_WAITING:], np.full(min(_MOST_WAITING, len(t)), NEVER))
        known = np.searchsorted(pack_t, waited, side="right") - 1
        noticed = np.where(known >= 0, np.minimum(comes, waited), comes)
        over = noticed < NEVER
        self._waiting = t[~over], supplies[~over]
        after = np.where(comes <= noticed, np.minimum(next_one, len(pack_t) - 1), known)[over]
        before = np.maximum(after - 1, 0)
        t, supplies, noticed = t[over], supplies[over], noticed[over]
        share = np.clip((t - pack_t[before]) / np.maximum(pack_t[after] - pack_t[before], 1), 0.0, 1.0)
        volts = packs[before] + share * (packs[after] - packs[before])
        fresh = t - pack_t[before] <= _FRESH
        columns = (noticed, t, volts - supplies, volts)
        yield from zip(*(column[fresh].tolist() for column in columns), strict=True)

    def _compare(self, t: int, lost: float, volts: float) -> None:
        usual, high = self._usual, self._high
        known = self._first is not None and t - self._first >= FIRST_AFTER
        if known and lost > _LEAST * volts + max(usual + _TIMES_USUAL * (high - usual), 0.0):
            if self._lost_since is None:
                self._lost_since = t
            elif self._due is None:  # twice on end
                self._due = self._lost_since
            return
        self._lost_since = None
        if usual != usual:
            usual = high = lost
        step = _STEP * (0.02 * volts)
        self._usual = usual + (step * _MIDDLE if lost > usual else -step * (1 - _MIDDLE))
        self._high = high + (step * _UPPER if lost > high else -step * (1 - _UPPER))
