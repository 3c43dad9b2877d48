"""The words of the screen: what an alarm is called, what stands large when something is wrong, and why."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

from telemetry.alarms.acts import MOVING, Act, act_for, act_of, alarm_name
from telemetry.alarms.reported import FAULT_LIMIT, reported_beside
from telemetry.alarms.standing import StandingAlarm
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange, AlarmState, LinkState
from telemetry.model.signals import cell_number
from telemetry.model.time_text import clock_at
from telemetry.model.words import amount_text
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.theme import Meaning
from telemetry.screen.units import Units

LINK_WORDS: dict[LinkState, tuple[Meaning, str]] = {
    "opening": ("caution", "opening"),
    "live": ("normal", "live"),
    "silent": ("danger", "silent"),
    "lost": ("danger", "lost"),
    "asleep": ("normal", "asleep"),
    "ended": ("normal", "ended"),
}


@dataclass(frozen=True)
class Headline:
    """What the band says.

    Attributes:
        word: the one large word: what to do.
        where: the place in capitals; of a trip with what the device reported.
        what: what is wrong there.
        do: the act; never left out and never cut; empty where a prompt's word says it.
        first: what to do first in two or three words, for large letters; empty where the one word says it.
        value: the value that raised it, and the limit; empty where none decides.
        details: the worst and the latest value, since when, and the reason; left out where there is no room.
        waits: whether it waits to be acknowledged; ``waiting`` how many do, with this one.
        meaning: red for danger, yellow for caution, blue for what is over or asks.

    """

    word: str
    where: str
    what: str
    do: str
    value: str = ""
    details: tuple[str, ...] = ()
    waits: bool = False
    waiting: int = 0
    meaning: Meaning = "danger"
    first: str = ""

    def in_units(self, units: Units) -> Headline:
        """Return the same with temperatures and speeds in ``units``."""
        texts = (units.in_text(text) for text in (self.what, self.do, self.value))
        what, do, value = texts
        return replace(self, what=what, do=do, value=value, details=tuple(map(units.in_text, self.details)))


STATE_WORDS: dict[AlarmState, str] = {
    "normal": "normal",
    "unacknowledged": "",
    "acknowledged": "ack",
    "returned unacknowledged": "cleared",
    "latched unacknowledged": "latched",
    "latched acknowledged": "latched, ack",
    "shelved": "shelved",
    "suppressed by design": "suppressed by design",
    "out of service": "out of service",
}
"""How an alarm stands, beside its name; nothing where it is plainly there and nobody has seen it."""


_NAMED = ("link", "recording", "program-error", FAULT_LIMIT)
"""Alarms of a source, a listener, a part of the program or a reported fault, which is named beside them."""


def alarm_meaning(alarm: StandingAlarm) -> Meaning:
    """Return the badge of an alarm: red for a trip that holds, yellow for a warn, blue for what waits for a key."""
    if not alarm.active:
        return "act"
    return "danger" if alarm.change.level == "trip" else "caution"


def alarm_text(alarm: StandingAlarm) -> str:
    """Return an alarm in a few words: what, where, the value that raised it, and how it stands."""
    change = alarm.change
    value = amount_text(change.signal, change.value) if change.value == change.value else ""
    details = [alarm_where(change), "" if change.limit in _NAMED else value, STATE_WORDS[alarm.state]]
    known = ", ".join(detail for detail in details if detail)
    return f"{alarm_name(change.limit)}: {known}" if known else alarm_name(change.limit)


def headline(snapshot: Snapshot, now: int) -> Headline | None:
    """Return what the band says, None if nothing: what nobody has acknowledged, trips before the rest.

    An alarm whose act has no word can wait for the next stop; it keeps to the status line. A link that never lived
    has nothing to stop for: its reason is said in place of an act.
    """
    waiting = [alarm for alarm in snapshot.alarms.in_order() if not alarm.acknowledged and is_urgent(alarm, snapshot)]
    worst = next(iter(waiting), None)
    if worst is None or worst.change.level != "trip":
        for link in snapshot.failed_links():
            standing = snapshot.alarms.get(("link", link.source))
            if standing is None:
                act = act_for("link", "trip", snapshot.situation, link.source)
                why = printable(link.why or link.state, 120)
                return Headline(act.word, act.where, alarm_name("link"), f"{why[:1].upper()}{why[1:]}")
    if worst is None:
        return None
    act, change = alarm_act(worst, snapshot), worst.change
    details = (alarm_values(worst, snapshot, now), alarm_since(worst, snapshot), _told(change))
    return Headline(
        act.word,
        _where(act, change, snapshot),
        alarm_name(change.limit),
        act.do,
        _value(change),
        tuple(detail for detail in details if detail),
        waits=True,
        waiting=len(waiting),
        meaning="caution" if _leaves_pack_watched(change, snapshot) and worst.active else alarm_meaning(worst),
        first=act.first,
    )


def _leaves_pack_watched(change: AlarmChange, snapshot: Snapshot) -> bool:
    """Tell whether a source failed that the pack's values do not come from: no reason to stop."""
    return change.limit in ("link", "source-frozen") and not snapshot.watches_pack(change.signal)


def is_urgent(alarm: StandingAlarm, snapshot: Snapshot) -> bool:
    """Tell whether an alarm is for the band: its act has a word."""
    return bool(alarm_act(alarm, snapshot).word)


def _where(act: Act, change: AlarmChange, snapshot: Snapshot) -> str:
    """Return the place; of a trip with the fault that the device reported, of a reported fault with that."""
    faults = reported_beside(change, snapshot.alarm_changes)
    if change.limit == FAULT_LIMIT:
        faults = [alarm_where(change)]
    more = f" +{len(faults) - 1}" if len(faults) > 1 else ""
    return f"{act.where}, {faults[0]}{more}" if faults else act.where


def _value(change: AlarmChange) -> str:
    if change.value != change.value or change.bound != change.bound:
        return ""
    return f"{amount_text(change.signal, change.value)}, limit {amount_text(change.signal, change.bound)}"


def alarm_act(alarm: StandingAlarm, snapshot: Snapshot) -> Act:
    """Return what to do about an alarm now; nothing more while the machine moves, once it is over."""
    change = alarm.change
    act = act_of(change, snapshot.situation, snapshot.watches_pack(change.signal))
    if alarm.active or (alarm.latched and snapshot.situation not in MOVING):
        return act
    over = "It is over." if change.bound != change.bound else "It is back inside its limit."
    do = "Look into it at the next stop." if alarm.latched else over
    return replace(act, word="NOTE" if act.word else "", do=do)


def alarm_values(alarm: StandingAlarm, snapshot: Snapshot, now: int) -> str:
    """Return the value that raised an alarm, the worst, the latest and the limit; empty where none decides."""
    change = alarm.change
    if change.value != change.value:
        return ""
    values = {
        "raised": change.value,
        "worst": alarm.worst,
        "now": snapshot.fresh(change.signal, now),
        "limit": change.bound,
    }
    known = {word: value for word, value in values.items() if value is not None and value == value}
    return ", ".join(f"{word} {amount_text(change.signal, value)}" for word, value in known.items())


def alarm_since(alarm: StandingAlarm, snapshot: Snapshot) -> str:
    """Return when each level of an alarm was raised."""
    times = {"warn": alarm.warned, "trip": alarm.tripped}
    known = [f"{level} at {clock_at(t, snapshot.start)}" for level, t in times.items() if t is not None]
    return ", ".join(known) or f"since {clock_at(alarm.since, snapshot.start)}"


def _told(change: AlarmChange) -> str:
    """Return the reason of an alarm that no bound decides; of the others it is where the bound comes from."""
    return printable(change.why, 120) if change.bound != change.bound else ""


def quiet_text(change: AlarmChange) -> str:
    """Return in a few words which alarm is shelved, suppressed or out of service."""
    which = "" if "*" in change.signal else alarm_where(change)
    words = f"{alarm_name(change.limit)}: {STATE_WORDS[change.stands]}"
    return f"{words} ({which})" if which else words


def quiet_count(snapshot: Snapshot) -> str:
    """Return how many alarms are quiet, and why, in a few words; empty where none is."""
    counted = Counter(change.stands for change in snapshot.alarms.quiet.values())
    words: dict[AlarmState, str] = {
        "shelved": "shelved",
        "suppressed by design": "suppressed",
        "out of service": "out of service",
    }
    return ", ".join(f"{counted[state]} {word}" for state, word in words.items() if counted[state])


def alarm_where(change: AlarmChange) -> str:
    """Return which cell, sensor, source or part an alarm speaks of; empty where its words say it already."""
    if change.limit in _NAMED:
        return printable(change.signal, 20)
    if change.cell is not None:
        return f"cell {change.cell}"
    if (number_of_cell := cell_number(change.signal)) is not None:
        return f"cell {number_of_cell}"
    return f"sensor {change.signal.rsplit('_', 1)[1]}" if change.signal.startswith("pack_temperature_") else ""
