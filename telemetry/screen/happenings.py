"""Marks, alarms, gaps and phases of a session as moments on its time axis."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from telemetry.alarms.acts import alarm_name
from telemetry.alarms.states import MASKED
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange, Event, Gap, Mark
from telemetry.pipeline.past import Past
from telemetry.screen.mark_entry import PLAIN
from telemetry.screen.signal_words import signal_words
from telemetry.screen.words import alarm_where

Kind = Literal["mark", "warn", "trip", "gap", "phase"]
SIGNS: dict[Kind, str] = {"mark": "◆", "warn": "▲", "trip": "■"}


@dataclass(frozen=True)
class Moment:
    """Something at a time.

    Attributes:
        t: int microseconds after the start; ``end`` when it was over, None where it is not or has no length.
        kind: of what sort.
        words: what it is called.

    """

    t: int
    kind: Kind
    words: str
    end: int | None = None


def moments_of(past: Past) -> list[Moment]:
    """Return all that happened so far, in time order."""
    found = _of_events(past.events, past.start)
    found += [Moment(stretch.start - past.start, "phase", stretch.word) for stretch in past.phases[1:]]
    return sorted(found, key=lambda moment: moment.t)


def _of_events(events: Sequence[Event], start: int) -> list[Moment]:
    found: list[Moment] = []
    open_alarms: dict[tuple[str, str], int] = {}
    for event in events:
        t = event.t - start
        match event:
            case Mark(taken_back=False):
                found.append(Moment(t, "mark", "mark" if event.text == PLAIN else printable(event.text, 40)))
            case Gap():
                found.append(Moment(event.start - start, "gap", f"no data: {signal_words(event.signal)}", t))
            case AlarmChange():
                _take_alarm(found, open_alarms, event, t)
    return found


def _take_alarm(found: list[Moment], open_alarms: dict[tuple[str, str], int], change: AlarmChange, t: int) -> None:
    """Add an alarm as it is raised; close it as it clears or is shelved. A rise to a trip is a moment of its own."""
    key = (change.limit, change.signal)
    closes = change.state in ("raised", "cleared", "standing at end") or change.stands in MASKED
    place = open_alarms.pop(key, None) if closes else None
    if place is not None:
        before = found[place]
        found[place] = Moment(before.t, before.kind, before.words, t)
    if change.state == "raised":
        where = alarm_where(change)
        open_alarms[key] = len(found)
        found.append(Moment(t, change.level, f"{alarm_name(change.limit)}{f': {where}' if where else ''}"))


def times_of(moments: Sequence[Moment], *kinds: Kind) -> list[int]:
    """Return the times of these kinds of moments, each once, in order."""
    return sorted({moment.t for moment in moments if moment.kind in kinds})


def within(moments: Sequence[Moment], first: int, end: int) -> list[Moment]:
    """Return those whose time is from ``first`` to before ``end``."""
    times = [moment.t for moment in moments]
    return list(moments[bisect_left(times, first) : bisect_left(times, end)])
