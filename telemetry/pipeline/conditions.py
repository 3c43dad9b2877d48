"""Alarms that no limit decides: a failed link, values that were not recorded, and conditions that stages found."""

from __future__ import annotations

from collections.abc import Iterable

from telemetry.alarms.alarm import Alarm, is_meant
from telemetry.alarms.raises import Raise
from telemetry.alarms.rules import AlarmRules
from telemetry.model.events import (
    Acknowledge,
    AlarmChange,
    AlarmCondition,
    Event,
    LinkChange,
    Loss,
    ResetLatch,
    SavingChange,
    Shelve,
    Unshelve,
)

LINK_LIMIT = "link"
RECORDING_LIMIT = "recording"
_NAN = float("nan")


class Conditions:
    """The alarms of links, of listeners that lost values, and of conditions found by stages.

    Args:
        rules: which latch, which are out of service.

    Attributes:
        raises: what was raised in the latest :meth:`take`.

    """

    def __init__(self, rules: AlarmRules | None = None) -> None:
        self._rules = rules or AlarmRules()
        self._lived: set[str] = set()
        self._alarms: dict[tuple[str, str], Alarm] = {}
        self.raises: list[Raise] = []

    def take(self, events: Iterable[Event], upto: int) -> list[AlarmChange]:
        """Take events, move time on to ``upto``, and return the changes in time order."""
        self.raises = []
        changes: list[AlarmChange | None] = []
        for event in sorted(events, key=lambda e: e.t):
            changes += self._expire(event.t - 1)
            match event:
                case LinkChange():
                    changes.append(self._link(event))
                case Loss():
                    lost = float(event.values)
                    changes.append(self._raise(event.t, RECORDING_LIMIT, event.listener, event.why, lost))
                case SavingChange(since=None):
                    changes.append(self._clear(event.t, RECORDING_LIMIT, event.listener))
                case SavingChange():
                    changes.append(self._raise(event.t, RECORDING_LIMIT, event.listener, event.why))
                case AlarmCondition(on=True):
                    changes.append(self._raise(event.t, event.limit, event.signal, event.why, event.value))
                case AlarmCondition():
                    changes.append(self._clear(event.t, event.limit, event.signal, event.value))
                case Acknowledge() | Shelve() | Unshelve() | ResetLatch():
                    meant = [a for a in self._alarms.values() if is_meant(event, a.limit, a.signal)]
                    changes += [alarm.operate(event) for alarm in meant]
        changes += self._expire(upto)
        return [change for change in changes if change is not None]

    def _expire(self, now: int) -> list[AlarmChange | None]:
        ended = [change for alarm in self._alarms.values() if (change := alarm.expire(now)) is not None]
        return [*sorted(ended, key=lambda change: change.t)]

    def _link(self, change: LinkChange) -> AlarmChange | None:
        if change.state == "live":
            self._lived.add(change.source)
        if change.state in ("silent", "lost") and change.source in self._lived:
            return self._raise(change.t, LINK_LIMIT, change.source, change.why)
        if change.state in ("live", "asleep", "ended"):
            return self._clear(change.t, LINK_LIMIT, change.source)
        return None

    def _clear(self, t: int, limit: str, signal: str, value: float = _NAN) -> AlarmChange | None:
        alarm = self._alarms.get((limit, signal))
        return None if alarm is None else alarm.cross(t, "trip", False, value)

    def _raise(self, t: int, limit: str, signal: str, why: str, value: float = _NAN) -> AlarmChange | None:
        if (limit, signal) not in self._alarms:
            self._alarms[limit, signal] = Alarm(limit, signal, {"trip": _NAN}, self._rules)
        alarm = self._alarms[limit, signal]
        if alarm.reached is None:
            self.raises.append(Raise(t, limit, signal, _NAN, _NAN, _NAN))
        return alarm.cross(t, "trip", True, value, why)
