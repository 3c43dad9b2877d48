"""The alarms of one signal: rows, what the operator did and what is quiet by design, in time order, to changes.

Several limits may watch one side of one signal, such as a rating and a peak. A trip outranks a warn of the same
signal and replaces it, so that one event is one alarm: while it is active the others are suppressed by design.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from telemetry.alarms.alarm import Suppress, is_meant
from telemetry.alarms.limit_alarm import LimitAlarm, Step
from telemetry.alarms.raises import Raise
from telemetry.alarms.rules import AlarmRules
from telemetry.alarms.states import ACTIVE
from telemetry.machine.limits import Limit
from telemetry.model.batch import NO_TIMES, NO_VALUES, Times, Values
from telemetry.model.events import AlarmChange, AlarmLevel, OperatorInput

AlarmInput = OperatorInput | Suppress
"""What comes to an alarm from elsewhere than its signal."""


class SignalAlarms:
    """All limits on one side of one signal.

    They begin with the first known row: what the operator did before does not mean them, and what is quiet by design
    at that moment is so from the start.

    Args:
        limits: at least one, all of one side.
        signal: the signal.
        rules: which latch.

    Attributes:
        raises: what was raised in the latest :meth:`take`, masked or not, for finding faults of the limits.
        calm_up_to: what lies less far out, as the limit's side counts, would change nothing; None while time may.
        value: the latest known; NaN before there is one. Whoever passes over calm rows keeps it up to date.

    """

    def __init__(self, limits: Iterable[Limit], signal: str, rules: AlarmRules | None = None) -> None:
        self.signal = signal
        alarms = [LimitAlarm(limit, signal, rules or AlarmRules()) for limit in limits]
        self._alarms = sorted(alarms, key=lambda each: (-each.outermost, each.limit.name))
        self._waiting: list[AlarmInput] = []
        self._begun = False
        self.value = float("nan")
        self.calm_up_to: float | None = None
        self.raises: list[Raise] = []

    def take(self, t: Times, values: Values, inputs: Iterable[AlarmInput], upto: int) -> list[AlarmChange]:
        """Take known rows and inputs, move time on to ``upto``, return the changes in time order.

        Args:
            t: int64 (rows,), never decreasing, none after ``upto``.
            values: float64 (rows,), none NaN.
            inputs: those after ``upto`` wait.
            upto: no row at or before this time is still to come.

        """
        self.raises = []
        self._waiting += inputs
        if not (len(t) or self._begun):
            return []
        changes = self._take(t, values, upto)
        calm = not self._waiting and all(each.is_calm for each in self._alarms)
        self.calm_up_to = min(each.calm_up_to for each in self._alarms) if calm else None
        self.value = float(values[-1]) if len(values) else self.value
        return changes

    def _take(self, t: Times, values: Values, upto: int) -> list[AlarmChange]:
        changes = [] if self._begun else self._begin(int(t[0]))
        steps: list[Step] = []
        for place, each in enumerate(self._alarms):
            crossed, raised = each.take(t, values, upto, place)
            steps += crossed
            self.raises += raised
        if not (steps or self._waiting or any(each.alarm.shelved_until is not None for each in self._alarms)):
            return self._with_values(changes, t, values) if changes else []
        coming = deque(sorted(steps, key=lambda step: step.order))
        due = deque(sorted((what for what in self._waiting if what.t <= upto), key=lambda what: what.t))
        self._waiting = [what for what in self._waiting if what.t > upto]
        while (now := self._next_instant(coming, due)) <= upto:
            changes += self._instant(now, coming, due)
        return self._with_values(changes, t, values)

    def standing_at(self, end: int) -> list[AlarmChange]:
        """Return the state of each alarm whose limit is exceeded at ``end``, the time of the latest :meth:`take`."""
        standing = [each.alarm.standing_at(end) for each in self._alarms if each.alarm.state in ACTIVE]
        return self._with_values(standing, NO_TIMES, NO_VALUES)

    def _with_values(self, changes: list[AlarmChange], t: Times, values: Values) -> list[AlarmChange]:
        """Give changes the worst value by their time, and those that no crossing made the value known then."""
        alarms = {each.limit.name: each for each in self._alarms}
        completed = []
        for change in changes:
            worst = alarms[change.limit].worst.at(change.t, ends=change.stands == "normal")
            value = change.value
            if math.isnan(value):
                known = int(np.searchsorted(t, change.t, side="right"))
                value = float(values[known - 1]) if known else self.value
            completed.append(replace(change, value=value, worst=worst))
        return completed

    def _begin(self, since: int) -> list[AlarmChange]:
        """Begin at ``since``: quiet from the start is what has been quiet by design until then."""
        self._begun = True
        before = sorted((what for what in self._waiting if what.t < since), key=lambda what: what.t)
        self._waiting = [what for what in self._waiting if what.t >= since]
        for what in before:
            if isinstance(what, Suppress):
                for each in self._meant(what):
                    each.alarm.note(what)
        return [change for each in self._alarms if (change := each.alarm.settle(since)) is not None]

    def _next_instant(self, steps: deque[Step], due: deque[AlarmInput]) -> int:
        ends = [each.alarm.shelved_until for each in self._alarms]
        times = [queue[0].t for queue in (steps, due) if queue] + [end for end in ends if end is not None]
        return min(times, default=2**62)

    def _instant(self, now: int, steps: deque[Step], due: deque[AlarmInput]) -> list[AlarmChange]:
        """Apply everything at time ``now``: crossings, then inputs, then what ends by itself."""
        changes: list[AlarmChange | None] = []
        while steps and steps[0].t == now:
            step = steps.popleft()
            each = self._alarms[step.place]
            changes.append(each.alarm.cross(now, step.level, step.on, step.value, each.limit.origin))
            changes += self._outrank(now, engage=True)
        while due and due[0].t == now:
            what = due.popleft()
            for each in self._meant(what):
                changes.append(each.alarm.suppress(what) if isinstance(what, Suppress) else each.alarm.operate(what))
            changes += self._outrank(now, engage=True)
        changes += [each.alarm.expire(now) for each in self._alarms]
        changes += [*self._outrank(now, engage=True), *self._outrank(now, engage=False)]
        return [change for change in changes if change is not None]

    def _meant(self, what: AlarmInput) -> list[LimitAlarm]:
        if isinstance(what, Suppress):
            return [each for each in self._alarms if each.limit.name == what.limit]
        return [each for each in self._alarms if is_meant(what, each.limit.name, self.signal)]

    def _outrank(self, t: int, engage: bool) -> list[AlarmChange | None]:
        """Let an active trip keep others quiet (``engage``), or let go of those that none outranks any more."""
        if len(self._alarms) == 1:
            return []
        changes = []
        for each in self._alarms:
            ruling = next((o for o in self._alarms if o is not each and _outranks(o, each)), None)
            if engage and ruling is not None:
                levels: tuple[AlarmLevel, ...] = ("warn", "trip") if ruling.outermost > each.outermost else ("warn",)
                why = f"the trip of {ruling.limit.name} already covers {self.signal}"
                changes.append(each.alarm.outrank(t, levels, why))
            elif not engage and ruling is None:
                changes.append(each.alarm.outrank(t, (), ""))
        return changes


def _outranks(one: LimitAlarm, other: LimitAlarm) -> bool:
    """Return whether a trip of ``one`` is active and counts for more than ``other``."""
    more = one.outermost > other.outermost or other.alarm.reached != "trip"
    return one.alarm.stands_at_trip and more
