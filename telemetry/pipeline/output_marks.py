"""When the output fails while the throttle is held: it falls to that at rest, or sinks in the course of minutes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Literal

from telemetry.model.batch import MICROSECONDS
from telemetry.pipeline.running_figures import RunningQuantile
from telemetry.pipeline.sinking_output import SinkingOutput
from telemetry.pipeline.supply_marks import SupplyMarks
from telemetry.pipeline.throttle_marks import FIRST_AFTER, LEAST_RANGE_V, ThrottleMarks

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
        self._sinking, self._until = SinkingOutput(), 0

    def step(
        self, t: int, current: float, speed: float, implement: float, supply: SupplyMarks
    ) -> Iterator[tuple[int, Literal["drops", "folds"]]]:
        """Take what came at one time, NaN for none; yield when the output failed."""
        if implement == implement:
            if abs(implement - self._implement) > 0.5:
                self._changed = t
            self._implement = implement
        if speed == speed:
            self._speeds.append(speed)
        if t >= self._until:
            if self._until and self._folds(self._until - _HALF, supply):
                yield self._until - _HALF, "folds"
            self._until, self._speeds = (t // _HALF + 1) * _HALF, []
        if current == current:
            self._take(t, current)
        while self._due and t - self._due[0] >= _WAIT:
            moment = self._due.popleft()
            if self._dropped(moment, supply):
                self._due.clear()
                yield moment, "drops"

    def _take(self, t: int, current: float) -> None:
        recent = self._recent
        if self._first is None:
            self._first = t
        elif abs(current - recent[-1][1]) < 0.1 * self._top:
            self._noise += 0.01 * (abs(current - recent[-1][1]) - self._noise)
        self._top = max(self._top * 0.99995, abs(current))
        self._rest.take(current, self._top)
        self._high.take(current, self._top)
        recent.append((t, current))
        while recent[0][0] < t - _KEPT:
            recent.popleft()
        if t - self._first < FIRST_AFTER or len(self._due) > 9:
            return
        for at, before in reversed(recent):  # the reading four tenths of a second ago
            if t - at >= _FALL:
                if before - current > _QUICK * self._top and t - at < _LONGEST_STEP:
                    self._due.append(at)
                return

    def _dropped(self, t: int, supply: SupplyMarks) -> bool:
        """Tell whether the current fell to that at rest at ``t`` while the throttle was held and nothing switched."""
        throttle = self._throttle
        if throttle.first is None or t - throttle.first < FIRST_AFTER or throttle.width < LEAST_RANGE_V:
            return False
        switched = supply.is_open or max(supply.open_since, supply.closed_since) > t - MICROSECONDS
        if switched or self._changed > t - MICROSECONDS:
            return False
        before_fall = sorted(amps for at, amps in self._recent if t - _QUARTER < at <= t)
        later = sorted(amps for at, amps in self._recent if t + _FALL <= at < t + _FALL + _QUARTER)
        travel = throttle.between(t - _HALF, t + _FALL + _QUARTER)
        if not before_fall or not later or len(travel) < 3 or min(travel) < _PRESSED:
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
        now = throttle.between(start, until)
        drawn = [amps for at, amps in self._recent if start <= at < until]
        if len(now) < 2 or max(held) - min(held) > _HELD or not drawn or not self._speeds:
            return False
        way = sum(now) / len(now)
        if way < 0.1:
            return False
        mean_speed, mean_current = sum(self._speeds) / len(self._speeds), sum(drawn) / len(drawn)
        return self._sinking.take(way, mean_speed, self._implement, mean_current)
