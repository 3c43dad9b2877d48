"""The alarms of a session as the report, ``alarms`` and JSON show them: one entry for each episode."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

from telemetry.alarms.acts import act_of, alarm_name
from telemetry.alarms.figures import Episode
from telemetry.alarms.priorities import Priority
from telemetry.alarms.reported import reported_beside
from telemetry.model.batch import MICROSECONDS
from telemetry.model.events import AlarmChange, AlarmLevel
from telemetry.model.signals import find_signal
from telemetry.model.words import printed_unit
from telemetry.report.figure_object import rounded


@dataclass(frozen=True)
class ChangeEntry:
    """One change of an alarm at ``t``, seconds from the start; see :class:`telemetry.model.events.AlarmChange`."""

    t: float
    state: str
    stands: str
    level: str
    value: float | None
    bound: float | None
    why: str
    worst: float | None
    cell: int | None
    situation: str


_AS_THEY_ARE = tuple(each.name for each in fields(ChangeEntry) if each.name != "t")


@dataclass(frozen=True)
class AlarmEntry:
    """All that happened to one alarm until it was normal again; times in seconds from the start.

    Attributes:
        limit, signal: what was judged.
        level, priority: the highest.
        from_s, active_s: when it began, and how long its limit was exceeded.
        stands: its last state.
        reported: what devices reported in fault codes beside a trip.
        name, where, word, do: what the alarm is called, the place, and the act, in words.
        cell, situation: of the value, and what the machine was doing.
        value_raised, value_worst, value_last, bound: in ``unit``; None where no bound decides.
        origin: where the limit is from, or the reason of an alarm without one.
        warn_at_s, trip_at_s: when it was first raised at that level; None where it never was.
        changes: in time order.
    """

    limit: str
    signal: str
    level: AlarmLevel
    priority: Priority
    from_s: float
    active_s: float
    stands: str
    reported: tuple[str, ...]
    name: str
    where: str
    word: str
    do: str
    cell: int | None
    situation: str
    value_raised: float | None
    value_worst: float | None
    value_last: float | None
    bound: float | None
    unit: str
    origin: str
    warn_at_s: float | None
    trip_at_s: float | None
    changes: tuple[ChangeEntry, ...]

    @property
    def was_active(self) -> bool:
        """Whether its limit was exceeded at all; else it was quiet by design all along."""
        return self.active_s > 0


def alarm_entries(episodes: Sequence[Episode], start: int) -> tuple[AlarmEntry, ...]:
    """Return an entry for each episode; ``start``, int microseconds, is zero of the times."""
    changes = sorted((change for each in episodes for change in each.changes), key=lambda change: change.t)
    return rounded(tuple(_entry(episode, changes, start) for episode in episodes))


def _entry(episode: Episode, changes: Iterable[AlarmChange], start: int) -> AlarmEntry:
    first, raised = episode.first, episode.raised
    act = act_of(raised)
    warn, trip = episode.raised_at("warn"), episode.raised_at("trip")
    return AlarmEntry(
        limit=first.limit,
        signal=first.signal,
        level=episode.level,
        priority=episode.priority,
        from_s=seconds_from(first.t, start),
        active_s=sum(each.lasted_s for each in episode.excursions),
        stands=episode.stands,
        reported=tuple(reported_beside(raised, changes)),
        name=alarm_name(raised.limit),
        where=act.where,
        word=act.word,
        do=act.do,
        cell=raised.cell,
        situation=raised.situation,
        value_raised=raised.value,
        value_worst=episode.worst,
        value_last=episode.last,
        bound=raised.bound,
        unit=unit_of(raised.signal),
        origin=raised.why,
        warn_at_s=None if warn is None else seconds_from(warn, start),
        trip_at_s=None if trip is None else seconds_from(trip, start),
        changes=tuple(
            ChangeEntry(seconds_from(each.t, start), **{name: getattr(each, name) for name in _AS_THEY_ARE})
            for each in episode.changes
        ),
    )


def seconds_from(t: int, start: int) -> float:
    """Return a time in seconds from ``start``; both int microseconds."""
    return (t - start) / MICROSECONDS


def unit_of(name: str) -> str:
    """Return the unit of a signal as a person reads it; empty where it has none."""
    signal = find_signal(name)
    return "" if signal is None else printed_unit(signal.unit)
