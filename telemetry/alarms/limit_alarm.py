"""One limit on one signal: rows in, crossings of its bounds out, and the alarm that they drive."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import Literal

import numpy as np

from telemetry.alarms.alarm import Alarm
from telemetry.alarms.comparator import Comparator
from telemetry.alarms.raises import Raise, RaiseLog
from telemetry.alarms.rules import AlarmRules
from telemetry.machine.limits import Limit
from telemetry.model.batch import Times, Values
from telemetry.model.events import AlarmLevel

_NAN = float("nan")
_EVER = -(2**62)
_OFF_FIRST = (("warn", False), ("trip", False), ("trip", True), ("warn", True))
"""At one instant what is over ends first, so that nothing is raised and cleared at once; then trips before warns."""


@dataclass(frozen=True, slots=True)
class Step:
    """A bound became exceeded or was left; ``again`` counts the crossings of the same bound at the same instant."""

    t: int
    again: int
    place: int
    level: AlarmLevel
    on: bool
    value: float

    @property
    def order(self) -> tuple[int, int, int, int]:
        """What steps are sorted by."""
        return self.t, self.again, _OFF_FIRST.index((self.level, self.on)), self.place


class LimitAlarm:
    """The comparators of one limit on one signal, and its alarm.

    Args:
        limit: at least one of its bounds is stated.
        signal: the signal.
        rules: whether it latches.

    Attributes:
        alarm: its state.
        worst: the worst value of its excursion.
        outermost: how far out its outer bound lies; of two limits on one side the larger is the worse to exceed.
        calm_up_to: the same of its inner bound: what lies less far out changes nothing while it is calm.

    """

    def __init__(self, limit: Limit, signal: str, rules: AlarmRules) -> None:
        self.limit = limit
        stated: tuple[tuple[AlarmLevel, float | None], ...] = (("trip", limit.trip), ("warn", limit.warn))
        bounds = {level: bound for level, bound in stated if bound is not None}
        self._comparators = {
            level: Comparator(limit.side, bound, limit.clear_margin, limit.raise_delay_s, limit.clear_delay_s)
            for level, bound in bounds.items()
        }
        self._innermost: AlarmLevel = "warn" if "warn" in bounds else "trip"
        self._log = RaiseLog(limit, signal, bounds[self._innermost])
        self.worst = WorstLog(limit.side, bounds[self._innermost])
        self.alarm = Alarm(limit.name, signal, bounds, rules)
        sign = 1.0 if limit.side == "high" else -1.0
        self.outermost = max(sign * bound for bound in bounds.values())
        self.calm_up_to = min(sign * bound for bound in bounds.values())

    @property
    def is_calm(self) -> bool:
        """Whether there has been no alarm yet, and neither time nor a row inside the bounds changes anything."""
        at_rest = all(comparator.is_at_rest for comparator in self._comparators.values())
        return at_rest and self._log.is_idle and self.alarm.shelved_until is None

    def take(self, t: Times, values: Values, upto: int, place: int) -> tuple[list[Step], list[Raise]]:
        """Take known rows, move time on to ``upto``; return the crossings, marked with ``place``, and the raises."""
        steps = []
        quiet = self._comparators[self._innermost].is_at_rest
        for level, comparator in self._comparators.items():
            for _, at_once in groupby(comparator.take(t, values, upto), attrgetter("t")):
                steps += [Step(c.t, again, place, level, c.on, c.value) for again, c in enumerate(at_once)]
        if not steps and self._log.is_idle and quiet and self._comparators[self._innermost].is_at_rest:
            return [], []
        innermost = [(step.t, step.on) for step in steps if step.level == self._innermost]
        self.worst.take(t, values, innermost)
        return steps, self._log.take(t, values, innermost)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows between two crossings: in an excursion or not, and the worst value known as the piece begins."""

    since: int
    on: bool
    raised: int
    worst: float
    t: Times
    values: Values


class WorstLog:
    """Follows the innermost bound of one limit on one signal.

    Args:
        side: ``high``: worse is higher; ``low``: worse is lower.
        bound: in the signal's unit.

    """

    def __init__(self, side: Literal["high", "low"], bound: float) -> None:
        self._sign = 1.0 if side == "high" else -1.0
        self._bound = bound
        self._on = False
        self._raised = _EVER
        self._worst = _NAN
        self._run = _NAN
        self._over = _EVER
        self._pieces: list[_Piece] = []

    def take(self, t: Times, values: Values, crossings: list[tuple[int, bool]]) -> None:
        """Take known rows and the crossings among them, as (time, exceeded or left), both in time order."""
        self._pieces = []
        row, since = 0, _EVER
        for at, on in crossings:
            stop = int(np.searchsorted(t, at, side="right"))
            self._piece(since, t[row:stop], values[row:stop])
            if on:
                self._worst, self._raised = self._run, at
            self._on, self._run = on, _NAN
            row, since = stop, at
        self._piece(since, t[row:], values[row:])

    def at(self, t: int, ends: bool = False) -> float:
        """Return the worst value by ``t``, a time of the latest :meth:`take`: of the present or the last excursion.

        Args:
            t: int microseconds.
            ends: whether the alarm is normal again, so that later changes have nothing to do with that excursion.

        """
        piece = next((p for p in reversed(self._pieces) if p.since <= t), None)
        if piece is None or (not piece.on and piece.raised <= self._over):
            return _NAN
        if piece.on:
            return self._worse(piece.worst, piece.values[: int(np.searchsorted(piece.t, t, side="right"))])
        if ends:
            self._over = piece.raised
        return piece.worst

    def _piece(self, since: int, t: Times, values: Values) -> None:
        self._pieces.append(_Piece(since, self._on, self._raised, self._worst, t, values))
        if not len(values):
            return
        if self._on:
            self._worst = self._worse(self._worst, values)
            return
        inside = np.flatnonzero(self._sign * (values - self._bound) <= 0.0)
        start = int(inside[-1]) + 1 if len(inside) else 0
        self._run = self._worse(_NAN if start else self._run, values[start:])

    def _worse(self, known: float, values: Values) -> float:
        if not len(values):
            return known
        extreme = float(values.max() if self._sign > 0 else values.min())
        return extreme if math.isnan(known) or self._sign * extreme > self._sign * known else known
