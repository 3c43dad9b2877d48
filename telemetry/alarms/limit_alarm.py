"""The alarm of one limit on one signal: its crossings and what the operator did, in time order, to alarm changes."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.alarms.comparator import Comparator
from telemetry.machine.limits import Limit
from telemetry.model.batch import Times, Values
from telemetry.model.events import Acknowledge, AlarmChange, AlarmChangeState, AlarmLevel


@dataclass(frozen=True, slots=True)
class _Step:
    """One thing that happens to the alarm; sorted by time, crossings before what the operator did, trips first."""

    t: int
    order: int
    level: AlarmLevel | None
    on: bool
    value: float


class LimitAlarm:
    """One excursion is one alarm: a trip takes over from a warn, and the alarm clears when neither holds."""

    def __init__(self, limit: Limit, signal: str) -> None:
        self._limit = limit
        self._signal = signal
        self._comparators: dict[AlarmLevel, Comparator] = {}
        bounds: tuple[tuple[AlarmLevel, float | None], ...] = (("trip", limit.trip), ("warn", limit.warn))
        for level, bound in bounds:
            if bound is not None:
                self._comparators[level] = Comparator(
                    limit.side, bound, limit.clear_margin, limit.raise_delay_s, limit.clear_delay_s
                )
        self._holding: set[AlarmLevel] = set()
        self._active = False
        self._reached: AlarmLevel = "warn"
        self._acknowledged = True
        self._waiting: list[Acknowledge] = []

    def take(self, t: Times, values: Values, inputs: list[Acknowledge], upto: int) -> list[AlarmChange]:
        """Take known rows and acknowledgements, move time on to ``upto``, return the changes in time order."""
        if not (len(t) or inputs or self._waiting) and all(c.is_at_rest for c in self._comparators.values()):
            return []
        steps = [
            _Step(c.t, order, level, c.on, c.value)
            for order, (level, comparator) in enumerate(self._comparators.items())
            for c in comparator.take(t, values, upto)
        ]
        self._waiting += [a for a in inputs if a.limit in (None, self._limit.name)]
        steps += [_Step(a.t, 9, None, False, float("nan")) for a in self._waiting if a.t <= upto]
        self._waiting = [a for a in self._waiting if a.t > upto]
        changes = []
        for step in sorted(steps, key=lambda s: (s.t, s.order)):
            change = self._acknowledge(step.t) if step.level is None else self._cross(step, step.level)
            if change is not None:
                changes.append(change)
        return changes

    def _cross(self, step: _Step, level: AlarmLevel) -> AlarmChange | None:
        if step.on:
            self._holding.add(level)
            if self._active and (level == "warn" or self._reached == "trip"):
                return None
            self._active, self._acknowledged, self._reached = True, False, level
            return self._change(step.t, "raised", step.value)
        self._holding.discard(level)
        if self._holding or not self._active:
            return None
        self._active = False
        return self._change(step.t, "cleared", step.value)

    def _acknowledge(self, t: int) -> AlarmChange | None:
        if self._acknowledged:
            return None
        self._acknowledged = True
        return self._change(t, "acknowledged", float("nan"))

    def _change(self, t: int, state: AlarmChangeState, value: float) -> AlarmChange:
        """Return the change at the highest level that this excursion has reached."""
        level, limit = self._reached, self._limit
        bound = self._comparators[level].bound
        return AlarmChange(t, limit.name, self._signal, level, state, value, bound, limit.origin)
