"""The alarms that stand now: active, or waiting to be acknowledged or reset; and those that are kept quiet."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from telemetry.alarms.priorities import PRIORITIES, Priority, priority_of
from telemetry.alarms.states import ACTIVE, LATCHED, MASKED, WAITING
from telemetry.machine.limits import LIMIT_SIDES
from telemetry.model.batch import Span
from telemetry.model.events import AlarmChange, AlarmState
from telemetry.model.signals import cell_number

AlarmKey = tuple[str, str]
"""Limit and signal."""


@dataclass(slots=True)
class StandingAlarm:
    """An alarm that is active, or waits to be acknowledged or reset.

    Attributes:
        change: the latest raise or rise, with value, bound, cell and reason.
        state: how it stands.
        warned, tripped: when each level was raised in this excursion, int microseconds; None where it was not.
        worst: the worst value since the first row beyond the bound, in the signal's unit; NaN where there is none.
        current: pack current as its latest level was raised, A; NaN where none was known.
        others: lowest, or for a high limit highest, of the other cells at that moment, V; NaN likewise.
    """

    change: AlarmChange
    state: AlarmState = "unacknowledged"
    warned: int | None = None
    tripped: int | None = None
    worst: float = math.nan
    current: float = math.nan
    others: float = math.nan

    @property
    def since(self) -> int:
        """When the level that it stands at was raised, int microseconds."""
        at = self.tripped if self.change.level == "trip" else self.warned
        return self.change.t if at is None else at

    def raised(self, change: AlarmChange, at_the_time: Mapping[str, float]) -> None:
        """Take that it was raised, or rose from warn to trip, and what pack and other cells were at."""
        self.change = change
        if change.level == "trip":
            self.tripped = change.t
        else:
            self.warned = change.t
        self.current = at_the_time.get("pack_current", math.nan)
        others = [v for name, v in at_the_time.items() if (n := cell_number(name)) is not None and n != change.cell]
        extreme = max if LIMIT_SIDES.get(change.limit) == "high" else min
        self.others = extreme(others) if others and change.cell is not None else math.nan

    def follow(self, span: Span) -> None:
        """Bring the worst value up to the end of ``span``."""
        worse = min if LIMIT_SIDES.get(self.change.limit) == "low" else max
        for batch, column in span.carrying(self.change.signal):
            later = column[np.searchsorted(batch.t, self.change.t, side="right") :]
            later = later[~np.isnan(later)]
            if len(later) and not math.isnan(self.worst):
                self.worst = worse(self.worst, float(later.min() if worse is min else later.max()))

    @property
    def priority(self) -> Priority:
        """How urgent it is."""
        return priority_of(self.change.limit, self.change.level)

    @property
    def acknowledged(self) -> bool:
        """Whether the operator has seen it."""
        return self.state not in WAITING

    @property
    def active(self) -> bool:
        """Whether the limit is exceeded now; False once it has returned."""
        return self.state in ACTIVE

    @property
    def latched(self) -> bool:
        """Whether it stays, though it has returned, until it is reset."""
        return self.state in LATCHED


class StandingAlarms(Mapping[AlarmKey, StandingAlarm]):
    """The standing alarms by limit and signal, in the order in which they were raised.

    Attributes:
        quiet: alarms that are shelved, suppressed by design or out of service: the change that made them so.

    """

    def __init__(self) -> None:
        self._standing: dict[AlarmKey, StandingAlarm] = {}
        self.quiet: dict[AlarmKey, AlarmChange] = {}

    def __getitem__(self, key: AlarmKey) -> StandingAlarm:
        """Return the one of this limit and signal."""
        return self._standing[key]

    def __iter__(self) -> Iterator[AlarmKey]:
        """Give limit and signal of each."""
        return iter(self._standing)

    def __len__(self) -> int:
        """Return how many stand."""
        return len(self._standing)

    def take(self, change: AlarmChange, at_the_time: Mapping[str, float]) -> None:
        """Bring the alarm of ``change`` to the state that it says.

        Args:
            change: the change of the alarm.
            at_the_time: what was read as it came about, by signal, in the signal's unit.

        """
        key = (change.limit, change.signal)
        self.quiet.pop(key, None)
        alarm = self._standing.get(key)
        if change.stands == "normal" or change.stands in MASKED:
            self._standing.pop(key, None)
            if change.stands in MASKED:
                self.quiet[key] = change
        elif alarm is None or (change.state == "raised" and not alarm.active):
            alarm = self._standing[key] = StandingAlarm(change, change.stands)
            alarm.raised(change, at_the_time)
        else:
            alarm.state = change.stands
            if change.state == "raised":  # a rise from warn to trip is news
                alarm.raised(change, at_the_time)
            elif change.level != alarm.change.level:  # what latched at trip stays so, whatever came after
                alarm.change = replace(alarm.change, level=change.level)
        if alarm is not None and not math.isnan(change.worst):
            alarm.worst = change.worst

    def follow(self, span: Span) -> None:
        """Bring the worst value of each alarm that holds up to the end of ``span``."""
        for alarm in self._standing.values():
            if alarm.active:
                alarm.follow(span)

    def in_order(self) -> list[StandingAlarm]:
        """Return what is active before what has cleared: what must be done now is not behind what is over.

        Then unacknowledged trips first, then by priority, level and state, newest first.
        """
        return sorted(
            self._standing.values(),
            key=lambda a: (
                not a.active,
                a.acknowledged or a.change.level != "trip",
                PRIORITIES.index(a.priority),
                a.change.level != "trip",
                a.acknowledged,
                -a.since,
            ),
        )
