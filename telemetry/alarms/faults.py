"""Where the limits themselves are at fault: an alarm that chatters, alarms that come in a flood, and what to change.

The figures are the published ones (ISA-18.2 and EEMUA 191 through secondary texts; chattering from memory): an alarm
chatters when it is raised three times within a minute; a flood begins with more than ten alarms within ten minutes
and ends with fewer than five. A window of ten minutes at ``t`` holds what came after ``t - 10 min``, up to ``t``.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict, deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from telemetry.alarms.raises import Raise
from telemetry.alarms.states import ACTIVE
from telemetry.model.batch import MICROSECONDS
from telemetry.model.events import AlarmChange, AlarmFinding, AlarmState

FLOOD_WINDOW_S = 600.0
FLOOD_BEGINS_ABOVE = 10
FLOOD_ENDS_BELOW = 5
Key = tuple[str, str]
"""Limit and signal: which alarm."""


@dataclass(frozen=True)
class ChatteringRule:
    """An alarm chatters when raised ``count`` times within ``within_s`` seconds; sources differ, so it is set."""

    count: int = 3
    within_s: float = 60.0


class NewAlarms:
    """Picks out of alarm changes those by which an alarm becomes heard: one an excursion, whatever its rises."""

    def __init__(self) -> None:
        self._states: dict[Key, AlarmState] = {}

    def take(self, changes: Iterable[AlarmChange]) -> list[AlarmChange]:
        """Return those of ``changes``, in time order for each alarm, that begin an alarm."""
        new = []
        for change in changes:
            key = (change.limit, change.signal)
            if change.stands == "unacknowledged" and self._states.get(key, "normal") not in ACTIVE:
                new.append(change)
            self._states[key] = change.stands
        return new


class Chattering:
    """Finds alarms that chatter; each is reported once an episode, at the time of the raise that makes it so."""

    def __init__(self, rule: ChatteringRule | None = None) -> None:
        self._rule = rule or ChatteringRule()
        self._window: defaultdict[Key, deque[Raise]] = defaultdict(deque)
        self._reported: set[Key] = set()

    def take(self, raises: Iterable[Raise]) -> list[AlarmFinding]:
        """Take raises, in time order for each alarm; return what began to chatter."""
        findings = []
        for each in raises:
            key = (each.limit, each.signal)
            window = self._window[key]
            window.append(each)
            while window[0].t <= each.t - round(self._rule.within_s * MICROSECONDS):
                window.popleft()
            if len(window) < self._rule.count:
                self._reported.discard(key)
            elif key not in self._reported:
                self._reported.add(key)
                findings.append(self._finding(each, list(window)))
        return findings

    def _finding(self, last: Raise, window: Sequence[Raise]) -> AlarmFinding:
        why = f"raised {len(window)} times within {self._rule.within_s:g} s; {advice_for(window).sentence}"
        return AlarmFinding(last.t, "chattering", "began", last.limit, last.signal, len(window), why)


class Floods:
    """Finds when alarms come in a flood."""

    def __init__(self) -> None:
        self._coming: list[AlarmChange] = []
        self._window: deque[AlarmChange] = deque()
        self._on = False

    def take(self, new: Iterable[AlarmChange], upto: int) -> list[AlarmFinding]:
        """Take new alarms in any order, move time on to ``upto``, return what began and ended."""
        self._coming = sorted([*self._coming, *new], key=lambda change: change.t)
        wide = round(FLOOD_WINDOW_S * MICROSECONDS)
        findings: list[AlarmFinding] = []
        while True:
            times = [self._coming[0].t] if self._coming else []
            times += [self._window[0].t + wide] if self._on else []
            if not times or (now := min(times)) > upto:
                return findings
            due = sum(change.t == now for change in self._coming)
            self._window.extend(self._coming[:due])
            del self._coming[:due]
            while self._window and self._window[0].t <= now - wide:
                self._window.popleft()
            count = len(self._window)
            if not self._on and count > FLOOD_BEGINS_ABOVE:
                self._on = True
                findings.append(self._began(now))
            elif self._on and count < FLOOD_ENDS_BELOW:
                self._on = False
                findings.append(AlarmFinding(now, "flood", "ended", "", "", count, f"{count} within 10 min"))

    def _began(self, now: int) -> AlarmFinding:
        count = len(self._window)
        by_limit = Counter(change.limit for change in self._window)
        worst = sorted(by_limit.items(), key=lambda each: (-each[1], each[0]))[:3]
        named = ", ".join(f"{limit} ({number})" for limit, number in worst)
        why = (
            f"{count} alarms within 10 min, more than anyone can act on; most from {named}: change those limits first"
        )
        return AlarmFinding(now, "flood", "began", "", "", count, why)


class LimitFaults:
    """Both together, on the changes of a run."""

    def __init__(self, rule: ChatteringRule | None = None) -> None:
        self._new = NewAlarms()
        self._chattering = Chattering(rule)
        self._floods = Floods()

    def take(self, changes: Iterable[AlarmChange], raises: Iterable[Raise], upto: int) -> list[AlarmFinding]:
        """Take what happened, move time on to ``upto``, and return the faults that show.

        Args:
            changes: in time order for each alarm.
            raises: of the same time; those that nobody heard (shelved, suppressed) do not count.
            upto: every change up to this time has been handed in.

        """
        new = self._new.take(changes)
        heard = {(change.t, change.limit, change.signal) for change in new}
        found = self._chattering.take(each for each in raises if (each.t, each.limit, each.signal) in heard)
        return [*found, *self._floods.take(new, upto)]


@dataclass(frozen=True)
class Advice:
    """Numbers that would have kept several alarms one.

    Attributes:
        limit: which limit.
        clear_margin: least one that would have, in the signal's unit, rounded up; None where no value decides.
        clear_delay_s: least one that would have, in whole seconds, rounded up; None likewise.
        sentence: what to change, for the owner.

    """

    limit: str
    clear_margin: float | None
    clear_delay_s: float | None
    sentence: str


def advice_for(raises: Iterable[Raise]) -> Advice:
    """Return what would have made one alarm of ``raises``, at least two of one limit on one signal, in time order."""
    each = list(raises)
    limit = each[0].limit
    between = each[1:]
    if not between or any(math.isnan(one.inside) for one in between):
        what = "it has no limit to widen: fix what comes and goes (plug, aerial, supply, disk)"
        return Advice(limit, None, None, what)
    margin = _rounded_up(max(one.inside for one in between))
    delay = float(math.ceil(max(one.after_s for one in between) + each[0].clear_delay_s))
    sentence = f"[limits.{limit}] clear_margin = {margin:g} or clear_delay_s = {delay:g} would have made it one alarm"
    return Advice(limit, margin, delay, sentence)


def _rounded_up(value: float) -> float:
    """Return ``value`` rounded up to two significant digits, so that it still does and reads well."""
    if value <= 0.0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    rounded = float(f"{math.ceil(value / step) * step:.6g}")
    return rounded if rounded >= value else float(f"{rounded + step:.6g}")
