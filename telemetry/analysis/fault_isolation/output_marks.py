"""When the output fails while the throttle is held: it falls to that at rest, or sinks in the course of minutes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

import numpy as np

from telemetry.analysis.fault_isolation.sinking_output import SinkingOutput
from telemetry.analysis.fault_isolation.supply_marks import SupplyMarks
from telemetry.analysis.fault_isolation.throttle_marks import FIRST_AFTER, HIGH, LEAST_RANGE_V, LOW, ThrottleMarks
from telemetry.analysis.fault_isolation.trace import NEVER, Trace, first_after
from telemetry.analysis.gaps import steps
from telemetry.analysis.recent import RunningQuantile
from telemetry.analysis.repeats import Flags
from telemetry.model.batch import MICROSECONDS, Times, Values
from telemetry.model.signals import ON

_KEPT, _WAIT, _HALF = 3 * MICROSECONDS, 17 * MICROSECONDS // 10, MICROSECONDS // 2
_FALL, _QUARTER, _LONGEST_STEP = 4 * MICROSECONDS // 10, MICROSECONDS // 4, 11 * MICROSECONDS // 10
_QUICK, _LEAST, _NOISES, _LEFT = 0.08, 0.15, 12.0, 0.25
"""Of the highest current: a fall that is looked at, and what flowed before; of what flowed before: what is left."""
_TOP_FADES, _NOISE_WEIGHT = 0.99995, 0.01
_PRESSED, _STEADY, _HELD = 0.2, 0.008, 0.05
"""Shares of the throttle's travel: pressed at all, not eased at all, and held for half a second."""
_LEAST_TRAVEL, _MOST_DUE = 0.1, 9
"""Share of the throttle's travel below which nothing is compared; falls that wait to be judged at once. Ours."""
_LEAST_READINGS = 3  # of the throttle around a fall


class OutputMarks:
    """Keeps the current of the last seconds, at rest and at its highest, and what a held throttle drew.

    Args:
        throttle, supply: given the same rows before.
    """

    def __init__(self, throttle: ThrottleMarks, supply: SupplyMarks) -> None:
        self._throttle, self._supply = throttle, supply
        self._current, self._speed, self._implement = Trace(_KEPT, 4), Trace(_KEPT), Trace(0, 2)
        self._first: int | None = None
        self._top, self._noise = 0.0, 0.1
        self._rest, self._high = RunningQuantile(0.04), RunningQuantile(0.95)
        self._due: deque[int] = deque()
        self._half: int | None = None
        self._half_from = 0
        self._sinking = SinkingOutput()

    def take_work(self, speed: tuple[Times, Values], implement: tuple[Times, Values]) -> None:
        """Take times and values of speed, and of whether the implement works."""
        self._speed.add(*speed)
        t, works = implement
        before, since = self._implement.rows[-1].tolist() if len(self._implement.t) else (0.0, -NEVER)
        if (works != before).any() or not len(self._implement.t):
            changes = np.abs(steps(works, before)) > ON
            self._implement.add(t, works, np.maximum.accumulate(np.where(changes, t, since)))

    def dropped(self, t: Times, current: Values, times: Times) -> Iterator[tuple[int, int]]:
        """Take the current; yield when it was noticed that it fell to that at rest, and when it did.

        Args:
            t: int64 (rows,); ``current``: float64 (rows,), A.
            times: of these and all other signals.
        """
        for at, fell in self._falls(t, current) if len(t) else ():
            yield from self._judged(times, at)
            if len(self._due) <= _MOST_DUE:
                self._due.append(fell)
        yield from self._judged(times, NEVER)

    def _judged(self, times: Times, before: int) -> Iterator[tuple[int, int]]:
        """Judge the falls that can be judged before that time."""
        while self._due and (noticed := first_after(times, self._due[0] + _WAIT)) < before:
            moment = self._due.popleft()
            if self._has_dropped(moment, noticed):
                self._due.clear()
                yield noticed, moment

    def _falls(self, t: Times, current: Values) -> list[tuple[int, int]]:
        """Follow the current; return when it is less than four tenths of a second before, and when that was."""
        last = self._current.last
        if self._first is None:
            self._first = int(t[0])
        changes = np.abs(steps(current, float(current[0]) if last is None else last)).tolist()
        top, noise = self._top, self._noise
        tops, noises = [], []
        for size, change in zip(np.abs(current).tolist(), changes, strict=True):
            if change < 0.1 * top:
                noise += _NOISE_WEIGHT * (change - noise)
            top = max(top * _TOP_FADES, size)
            tops.append(top)
            noises.append(noise)
        self._top, self._noise = top, noise
        highest = np.array(tops)
        rest, high = self._rest.course(current, highest), self._high.course(current, highest)
        self._current.add(t, current, np.array(noises), rest, high)
        place = np.searchsorted(self._current.t, t - _FALL, side="right") - 1
        before_t, before = self._current.t[place], self._current.rows[place, 0]
        falls = (place >= 0) & (before - current > _QUICK * highest) & (t - before_t < _LONGEST_STEP)
        falls &= t - self._first >= FIRST_AFTER
        return list(zip(t[falls].tolist(), before_t[falls].tolist(), strict=True))

    def _has_dropped(self, t: int, noticed: int) -> bool:
        """Tell whether the current fell to that at rest at ``t`` while the throttle was held and nothing switched."""
        throttle = self._throttle
        known, row = throttle.range_at(noticed), self._current.at(noticed)
        if known is None or row is None or throttle.first is None or t - throttle.first < FIRST_AFTER:
            return False
        width = known.top - known.rest
        if width < LEAST_RANGE_V or self._switched(noticed, t):
            return False
        before_fall = sorted(self._current.between(t - _QUARTER + 1, t + 1))
        later = sorted(self._current.between(t + _FALL, t + _FALL + _QUARTER))
        travel = throttle.travels(t - _HALF, t + _FALL + _QUARTER, known)
        if not before_fall or not later or len(travel) < _LEAST_READINGS or min(travel) < _PRESSED:
            return False
        _, noise, rest, high = row
        rest, high = max(rest, 0.0), max(high, 0.0)
        before, left = before_fall[len(before_fall) // 2] - rest, later[len(later) // 2] - rest
        if before < max(_LEAST * (high - rest), _NOISES * noise) or left > _LEFT * before:
            return False
        most = given_back = 0.0
        for share in travel:  # a throttle that rises asks for more
            most = max(most, share)
            given_back = max(given_back, most - share)
        return given_back < _STEADY + 5 * known.noise / width

    def _switched(self, noticed: int, t: int) -> bool:
        """Tell whether the BMS or the implement switched in the second before ``t``, as known at ``noticed``."""
        row = self._implement.at(noticed)
        implement = row is not None and row[1] > t - MICROSECONDS
        return implement or self._supply.switched(noticed, t - MICROSECONDS)

    def folded(self, times: Times) -> Iterator[tuple[int, int]]:
        """Yield when it was noticed that less comes for the same throttle than in the first minutes, and since when.

        Looked at are half seconds of a held throttle, each at the first of ``times`` after it.
        """
        halves = times // _HALF
        if self._half is None:
            self._half, self._half_from = int(halves[0]), int(times[0])
        over = np.flatnonzero(steps(halves, self._half))
        if not len(over):
            return
        starts = np.concatenate([[self._half], halves[over[:-1]]]) * _HALF
        held = self._held(starts, times[over])
        noticed = times[over]
        froms = np.concatenate([[self._half_from], noticed[:-1]])
        self._half, self._half_from = int(halves[over[-1]]), int(noticed[-1])
        held = self._held(starts, noticed)
        if not held.any():
            return
        starts, noticed, froms = starts[held], noticed[held], froms[held]
        readings, known = self._throttle.trace.means(starts, starts + _HALF), self._throttle.trace.at_each(noticed)
        travel = (readings - known[:, LOW]) / np.maximum(known[:, HIGH] - known[:, LOW], 1e-6)
        speed, drawn = self._speed.means(froms + 1, noticed + 1), self._current.means(starts, starts + _HALF)
        works, changed = np.nan_to_num(self._implement.at_each(noticed), nan=-NEVER).T
        is_steady = (changed <= starts - MICROSECONDS) & ~self._supply.are_open(noticed)
        is_steady &= (travel >= _LEAST_TRAVEL) & ~np.isnan(speed) & ~np.isnan(drawn)
        figures = (starts, noticed, travel, speed, np.maximum(works, 0.0), drawn)
        for start, at, *figure in zip(*(each[is_steady].tolist() for each in figures), strict=True):
            if self._sinking.take(*figure):
                yield at, start

    def _held(self, starts: Times, noticed: Times) -> Flags:
        """Return in which half seconds the throttle was held, with half a second before, as known when noticed."""
        trace = self._throttle.trace
        known = trace.at_each(noticed)
        rest, width = known[:, LOW], known[:, HIGH] - known[:, LOW]
        ends = trace.each(starts - _HALF, starts + _HALF, np.minimum, np.maximum)
        shares = [(each - rest) / np.maximum(width, 1e-6) for each in ends]
        return np.asarray((width >= LEAST_RANGE_V) & (shares[1] - shares[0] <= _HELD))
