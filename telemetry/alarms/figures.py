"""What the alarms of a session say of its alarm system: rate, longest standing, stale, worst ten minutes, shares.

Yardsticks (ISA-18.2 and EEMUA 191; the rates through several secondary texts, the rest from memory): about one alarm
in ten minutes is acceptable, about two the most that can be managed, more than ten are a flood; an alarm that stands
for more than 24 hours is stale; nothing should chatter; priorities should share 80 / 15 / 5 %, the most urgent the
fewest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from telemetry.alarms.faults import FLOOD_WINDOW_S, NewAlarms
from telemetry.alarms.priorities import PRIORITIES, Priority, priority_of
from telemetry.alarms.states import ACTIVE
from telemetry.machine.limits import LIMIT_SIDES
from telemetry.model.batch import MICROSECONDS
from telemetry.model.events import AlarmChange, AlarmFinding, AlarmLevel, AlarmState

ACCEPTABLE_PER_TEN_MINUTES = 1.0
MANAGEABLE_PER_TEN_MINUTES = 2.0
STALE_S = 24 * 3600.0


@dataclass(frozen=True)
class Excursion:
    """One stretch of an alarm with its limit exceeded: when it began (int microseconds), and for how many seconds."""

    limit: str
    signal: str
    began: int
    lasted_s: float


@dataclass(frozen=True)
class Episode:
    """All that happened to one alarm from when it left normal until it was normal again.

    Attributes:
        changes: at least one, in time order.
        end: when the session ended, int microseconds; what is still active then counts as active until then.

    """

    changes: tuple[AlarmChange, ...]
    end: int

    @property
    def first(self) -> AlarmChange:
        """The change by which it began."""
        return self.changes[0]

    @property
    def heard(self) -> bool:
        """Whether it was raised at all; else it was only shelved, suppressed or out of service."""
        return any(change.stands == "unacknowledged" for change in self.changes)

    @property
    def level(self) -> AlarmLevel:
        """The highest level that it was raised at."""
        return "trip" if any(c.level == "trip" for c in self.changes) else "warn"

    @property
    def priority(self) -> Priority:
        """How urgent it was at its worst."""
        return priority_of(self.first.limit, self.level)

    @property
    def raised(self) -> AlarmChange:
        """The change by which it was heard at its highest level; its first change where it never was."""
        heard = [c for c in self.changes if c.stands == "unacknowledged" and c.state != "standing at end"]
        return next((c for c in heard if c.level == self.level), heard[0] if heard else self.first)

    @property
    def worst(self) -> float:
        """The worst value of all its excursions, in the signal's unit; NaN where no bound decides."""
        known = [change.worst for change in self.changes if not math.isnan(change.worst)]
        if not known:
            return math.nan
        return min(known) if LIMIT_SIDES.get(self.first.limit) == "low" else max(known)

    @property
    def last(self) -> float:
        """The latest value that was reported, in the signal's unit; NaN where there is none."""
        return next((c.value for c in reversed(self.changes) if not math.isnan(c.value)), math.nan)

    def raised_at(self, level: AlarmLevel) -> int | None:
        """Return when it was first raised at that level, int microseconds; None where it never was."""
        return next((c.t for c in self.changes if c.state == "raised" and c.level == level), None)

    @property
    def stands(self) -> AlarmState:
        """Its last state."""
        return self.changes[-1].stands

    @property
    def excursions(self) -> list[Excursion]:
        """Each stretch with its limit exceeded, in time order."""
        found: list[Excursion] = []
        began: int | None = None
        for change in self.changes:
            if change.stands in ACTIVE and began is None:
                began = change.t
            elif change.stands not in ACTIVE and began is not None:
                found.append(Excursion(change.limit, change.signal, began, (change.t - began) / MICROSECONDS))
                began = None
        if began is not None:
            lasted = max(0, self.end - began) / MICROSECONDS
            found.append(Excursion(self.first.limit, self.first.signal, began, lasted))
        return found


@dataclass(frozen=True)
class AlarmFigures:
    """The figures of one session; those that so short a session cannot support are None.

    Attributes:
        duration_s: length of the session, seconds.
        count: alarms that were raised, one an excursion.
        per_hour, per_ten_minutes: rates over the session; None below ten minutes.
        worst_count, worst_t: most alarms within ten minutes, and the time of the first of them; 0, None without any.
        by_priority: alarms of each priority.
        longest: the excursion that lasted longest; None without any.
        stale: excursions of more than 24 hours.
        standing: episodes that were not back to normal at the end.
        chattering: alarms that chattered, with what to change.
        floods: begin and end of each flood, int microseconds; end None where it was still on.

    """

    duration_s: float
    count: int
    per_hour: float | None
    per_ten_minutes: float | None
    worst_count: int
    worst_t: int | None
    by_priority: dict[Priority, int]
    longest: Excursion | None
    stale: tuple[Excursion, ...]
    standing: tuple[Episode, ...]
    chattering: tuple[AlarmFinding, ...]
    floods: tuple[tuple[int, int | None], ...]


def episodes_of(changes: Iterable[AlarmChange], end: int) -> list[Episode]:
    """Return the episodes of all alarms in the order in which they began; ``end`` is when the session ended."""
    open_: dict[tuple[str, str], list[AlarmChange]] = {}
    found: list[list[AlarmChange]] = []
    for change in sorted(changes, key=lambda change: change.t):
        key = (change.limit, change.signal)
        if key not in open_:
            open_[key] = []
            found.append(open_[key])
        open_[key].append(change)
        if change.stands == "normal":
            del open_[key]
    return [Episode(tuple(each), end) for each in found]


def figures_of(
    changes: Sequence[AlarmChange], findings: Iterable[AlarmFinding], start: int, end: int
) -> AlarmFigures:
    """Return the figures of a session from ``start`` to ``end``, int microseconds."""
    episodes = episodes_of(changes, end)
    heard = [episode for episode in episodes if episode.heard]
    new = NewAlarms().take(sorted(changes, key=lambda change: change.t))
    duration = max(0.0, (end - start) / MICROSECONDS)
    long_enough = duration >= FLOOD_WINDOW_S
    worst_count, worst_t = _worst_ten_minutes([change.t for change in new])
    found = list(findings)
    excursions = [each for episode in heard for each in episode.excursions]
    return AlarmFigures(
        duration_s=duration,
        count=len(new),
        per_hour=3600.0 * len(new) / duration if long_enough else None,
        per_ten_minutes=FLOOD_WINDOW_S * len(new) / duration if long_enough else None,
        worst_count=worst_count,
        worst_t=worst_t,
        by_priority=_by_priority(new, changes),
        longest=max(excursions, key=lambda each: each.lasted_s, default=None),
        stale=tuple(each for each in excursions if each.lasted_s > STALE_S),
        standing=tuple(episode for episode in heard if episode.stands != "normal"),
        chattering=tuple(finding for finding in found if finding.what == "chattering"),
        floods=tuple(_floods(found)),
    )


def _by_priority(new: Iterable[AlarmChange], changes: Iterable[AlarmChange]) -> dict[Priority, int]:
    """Count each alarm at the highest level that its excursion reached."""
    beginnings = {id(change) for change in new}
    reached: dict[tuple[str, str], AlarmLevel] = {}
    counted = dict.fromkeys(PRIORITIES, 0)
    for change in sorted(changes, key=lambda change: change.t):
        key = (change.limit, change.signal)
        if id(change) in beginnings:
            if key in reached:
                counted[priority_of(change.limit, reached[key])] += 1
            reached[key] = change.level
        elif change.stands == "unacknowledged" and change.level == "trip":
            reached[key] = "trip"
    for (limit, _), level in reached.items():
        counted[priority_of(limit, level)] += 1
    return counted


def _worst_ten_minutes(times: list[int]) -> tuple[int, int | None]:
    """Return the most alarms within (t - 10 min, t], and when the first of them came."""
    times = sorted(times)
    wide = round(FLOOD_WINDOW_S * MICROSECONDS)
    best: tuple[int, int | None] = (0, None)
    first = 0
    for place, t in enumerate(times):
        while times[first] <= t - wide:
            first += 1
        if place - first + 1 > best[0]:
            best = (place - first + 1, times[first])
    return best


def _floods(findings: Iterable[AlarmFinding]) -> list[tuple[int, int | None]]:
    floods: list[tuple[int, int | None]] = []
    for finding in findings:
        if finding.what == "flood" and finding.state == "began":
            floods.append((finding.t, None))
        elif finding.what == "flood" and floods:
            floods[-1] = (floods[-1][0], finding.t)
    return floods
