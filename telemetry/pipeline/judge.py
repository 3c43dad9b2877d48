"""The judge stage: holds every row against the limits in force, and links and losses against none."""

from __future__ import annotations

from collections.abc import Iterable
from fnmatch import fnmatchcase

import numpy as np

from telemetry.alarms.limit_alarm import LimitAlarm
from telemetry.machine.limits import Limit
from telemetry.model.batch import Span
from telemetry.model.events import Acknowledge, AlarmChange, Event, LinkChange, Loss
from telemetry.pipeline.stage import Chosen

LINK_LIMIT = "link"
RECORDING_LIMIT = "recording"


class _Watched:
    """One limit on one signal, and the group that the signal comes from."""

    def __init__(self, limit: Limit, signal: str) -> None:
        self._chosen = Chosen(signal, measured_only=False)
        self._alarm = LimitAlarm(limit, signal)

    def take(self, span: Span, inputs: list[Acknowledge]) -> list[AlarmChange]:
        found = self._chosen.find(span)
        upto = span.complete.get(self._chosen.key, span.end) if self._chosen.key else span.end
        if found is None:
            return self._alarm.take(_NO_TIMES, _NO_VALUES, inputs, upto)
        known = ~np.isnan(found[1])
        if known.all():
            return self._alarm.take(found[0].t, found[1], inputs, upto)
        return self._alarm.take(found[0].t[known], found[1][known], inputs, upto)


_NO_TIMES = np.empty(0, dtype=np.int64)
_NO_VALUES = np.empty(0)


class Judge:
    """Raises and clears alarms; each (limit, signal) pair has its own, found as signals appear."""

    def __init__(self, limits: Iterable[Limit]) -> None:
        self._limits = tuple(limits)
        self._watched: dict[tuple[str, str], _Watched] = {}
        self._layouts: set[tuple[str, ...]] = set()
        self._conditions = _Conditions()

    def advance(self, span: Span) -> Span:
        """Add the alarm changes of ``span``, in time order."""
        for batch in span.batches:
            if batch.group.signals not in self._layouts:
                self._layouts.add(batch.group.signals)
                self._watch(batch.group.signals)
        inputs = [event for event in span.events if isinstance(event, Acknowledge)]
        changes = [change for watched in self._watched.values() for change in watched.take(span, inputs)]
        changes += self._conditions.take(span.events)
        return span.adding(events=sorted(changes, key=lambda c: c.t))

    def _watch(self, signals: Iterable[str]) -> None:
        for limit in self._limits:
            for signal in signals:
                if fnmatchcase(signal, limit.signal) and (limit.name, signal) not in self._watched:
                    self._watched[limit.name, signal] = _Watched(limit, signal)


class _Conditions:
    """Alarms that no value decides: a link that failed after it had been live, and values that were not recorded."""

    def __init__(self) -> None:
        self._lived: set[str] = set()
        self._standing: dict[tuple[str, str], bool] = {}

    def take(self, events: Iterable[Event]) -> list[AlarmChange]:
        changes: list[AlarmChange] = []
        for event in sorted(events, key=lambda e: e.t):
            match event:
                case LinkChange():
                    changes += self._link(event)
                case Loss():
                    changes += self._raise(event.t, RECORDING_LIMIT, event.listener, event.why, float(event.values))
                case Acknowledge():
                    changes += self._acknowledge(event)
        return changes

    def _link(self, change: LinkChange) -> list[AlarmChange]:
        if change.state == "live":
            self._lived.add(change.source)
        if change.state in ("silent", "lost") and change.source in self._lived:
            return self._raise(change.t, LINK_LIMIT, change.source, change.why)
        if change.state in ("live", "asleep", "ended"):
            return self._clear(change.t, LINK_LIMIT, change.source)
        return []

    def _raise(self, t: int, limit: str, signal: str, why: str, value: float = float("nan")) -> list[AlarmChange]:
        if (limit, signal) in self._standing:
            return []
        self._standing[limit, signal] = False
        return [AlarmChange(t, limit, signal, "trip", "raised", value, float("nan"), why)]

    def _clear(self, t: int, limit: str, signal: str) -> list[AlarmChange]:
        if self._standing.pop((limit, signal), None) is None:
            return []
        return [AlarmChange(t, limit, signal, "trip", "cleared", float("nan"), float("nan"))]

    def _acknowledge(self, event: Acknowledge) -> list[AlarmChange]:
        changes = []
        for (limit, signal), seen in self._standing.items():
            if not seen and event.limit in (None, limit):
                self._standing[limit, signal] = True
                nan = float("nan")
                changes.append(AlarmChange(event.t, limit, signal, "trip", "acknowledged", nan, nan))
        return changes
