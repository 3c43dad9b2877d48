"""One limit on one signal: rows in, crossings of its bounds out, and the alarm that they drive."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter

from telemetry.alarms.alarm import Alarm
from telemetry.alarms.comparator import Comparator
from telemetry.alarms.raises import Raise, RaiseLog
from telemetry.alarms.rules import AlarmRules
from telemetry.alarms.worst import WorstLog
from telemetry.machine.limits import Limit
from telemetry.model.batch import Times, Values
from telemetry.model.events import AlarmLevel

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
