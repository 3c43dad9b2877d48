"""When the output fails while the throttle is held: it falls to that at rest, or sinks in the course of minutes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from telemetry.analysis.fault_isolation.sinking_output import SinkingOutput
from telemetry.analysis.fault_isolation.supply_marks import SupplyMarks
from telemetry.analysis.fault_isolation.throttle_marks import FIRST_AFTER, LEAST_RANGE_V, ThrottleMarks
from telemetry.analysis.recent import RunningQuantile, between
from telemetry.model.batch import MICROSECONDS
from telemetry.model.signals import ON

_LEAST_TRAVEL, _MOST_DUE = 0.1, 9
"""Share of the throttle's travel below which nothing is compared; falls that wait to be judged at once. Ours."""
_LEAST_READINGS = 3  # of the throttle around a fall
_KEPT, _WAIT, _HALF = 3 * MICROSECONDS, 17 * MICROSECONDS // 10, MICROSECONDS // 2
_FALL, _QUARTER, _LONGEST_STEP = 4 * MICROSECONDS // 10, MICROSECONDS // 4, 11 * MICROSECONDS // 10
_QUICK, _LEAST, _NOISES, _LEFT = 0.08, 0.15, 12.0, 0.25
"""Of the highest current: a fall that is looked at, and what flowed before; of what flowed before: what is left."""
_PRESSED, _STEADY, _HELD = 0.2, 0.008, 0.05
"""Shares of the throttle's travel: pressed at all, not eased at all, and held for half a second."""


class OutputMarks:
    """Keeps the current of the last seconds, at rest and at its highest, and what a held throttle drew.

    Args:
        throttle: kept up to date by whoever asks.

    Attributes:
        until: end of the half second that comes next, microseconds.
    """

    def __init__(self, throttle: ThrottleMarks) -> None:
        self._throttle = throttle
        self._recent: deque[tuple[int, float]] = deque()
        self._first: int | None = None
        self._top, self._noise = 0.0, 0.1
        self._rest, self._high = RunningQuantile(0.04), RunningQuantile(0.95)
        self._due: deque[int] = deque()
        self._implement, self._changed = 0.0, -(2**62)
        self._speeds: list[float] = []
        self._sinking, self.until = SinkingOutput(), 0

    def take_work(self, t: int, speed: float, implement: float) -> None:
        """Take speed and whether the implement works, NaN for none."""
        if implement == implement:
            if abs(implement - self._implement) > ON:
                self._changed = t
            self._implement = implement
        if speed == speed:
            self._speeds.append(speed)

    def folded(self, t: int, supply: SupplyMarks) -> int | None:
        """Look at the half second over at ``t``, from :attr:`until` on; return when it began where it folds back."""
        start = self.until - _HALF
        folds = self.until > 0 and self._folds(start, supply)
        self.until, self._speeds = (t // _HALF + 1) * _HALF, []
        return start if folds else None

    def take(self, t: int, current: float) -> None:
        """Take a reading of the current, A."""
        recent, top = self._recent, self._top
        if self._first is None:
            self._first = t
        else:
            change = abs(current - recent[-1][1])
            if change < 0.1 * top:
                self._noise += 0.01 * (change - self._noise)
        self._top = top = max(top * 0.99995, abs(current))
        self._rest.take(current, top)
        self._high.take(current, top)
        recent.append((t, current))
        while recent[0][0] < t - _KEPT:
            recent.popleft()
        if t - self._first < FIRST_AFTER or len(self._due) > _MOST_DUE:
            return
        for at, before in reversed(recent):  # the reading four tenths of a second ago
            if t - at >= _FALL:
                if before - current > _QUICK * top and t - at < _LONGEST_STEP:
                    self._due.append(at)
                return

    def dropped(self, t: int, supply: SupplyMarks) -> Iterator[int]:
        """Yield when the output fell to that at rest, as far as that can be judged at ``t``."""
        while self._due and t - self._due[0] >= _WAIT:
            moment = self._due.popleft()
            if self._dropped(moment, supply):
                self._due.clear()
                yield moment

    def _dropped(self, t: int, supply: SupplyMarks) -> bool:
        """Tell whether the current fell to that at rest at ``t`` while the throttle was held and nothing switched."""
        throttle = self._throttle
        if throttle.first is None or t - throttle.first < FIRST_AFTER or throttle.width < LEAST_RANGE_V:
            return False
        switched = supply.is_open or max(supply.open_since, supply.closed_since) > t - MICROSECONDS
        if switched or self._changed > t - MICROSECONDS:
            return False
        before_fall = sorted(between(self._recent, t - _QUARTER + 1, t + 1))
        later = sorted(between(self._recent, t + _FALL, t + _FALL + _QUARTER))
        travel = throttle.between(t - _HALF, t + _FALL + _QUARTER)
        if not before_fall or not later or len(travel) < _LEAST_READINGS or min(travel) < _PRESSED:
            return False
        rest, high = max(self._rest.value, 0.0), max(self._high.value, 0.0)
        before, left = before_fall[len(before_fall) // 2] - rest, later[len(later) // 2] - rest
        if before < max(_LEAST * (high - rest), _NOISES * self._noise) or left > _LEFT * before:
            return False
        most = given_back = 0.0
        for share in travel:  # a throttle that rises asks for more
            most = max(most, share)
            given_back = max(given_back, most - share)
        return given_back < _STEADY + 5 * throttle.noise / throttle.width

    def _folds(self, start: int, supply: SupplyMarks) -> bool:
        """Tell whether less comes for the same throttle than in the first minutes, in half seconds of a held one."""
        throttle, until = self._throttle, start + _HALF
        if throttle.width < LEAST_RANGE_V or supply.is_open or self._changed > start - MICROSECONDS:
            return False
        held = throttle.between(start - _HALF, until)
        if len(held) <= 1 or max(held) - min(held) > _HELD or not self._speeds:
            return False
        now, drawn = throttle.between(start, until), between(self._recent, start, until)
        if len(now) <= 1 or not drawn:
            return False
        way = sum(now) / len(now)
        if way < _LEAST_TRAVEL:
            return False
        mean_speed, mean_current = sum(self._speeds) / len(self._speeds), sum(drawn) / len(drawn)
        return self._sinking.take(way, mean_speed, self._implement, mean_current)
