"""The words of the screen: what an alarm is called, what stands large when something is wrong, and why."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from telemetry.alarms.priorities import priority_of
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange, AlarmState, LinkState
from telemetry.model.signals import cell_number
from telemetry.model.time_text import clock_at
from telemetry.pipeline.snapshot import Snapshot, StandingAlarm
from telemetry.screen.formats import amount_text
from telemetry.screen.theme import Meaning


@dataclass(frozen=True)
class AlarmWords:
    """The one large word of an alarm, and the same in a few plain words."""

    large: str
    plain: str


ALARM_WORDS = {
    "pack-voltage-low": AlarmWords("LOW PACK", "pack voltage low"),
    "pack-voltage-high": AlarmWords("HIGH PACK", "pack voltage high"),
    "cell-voltage-low": AlarmWords("LOW CELL", "cell voltage low"),
    "cell-voltage-high": AlarmWords("HIGH CELL", "cell voltage high"),
    "cell-spread": AlarmWords("SPREAD", "cell spread wide"),
    "discharge-current": AlarmWords("OVERLOAD", "discharge current high"),
    "discharge-peak": AlarmWords("OVERLOAD", "discharge peak high"),
    "charge-current": AlarmWords("CHARGE", "charge current high"),
    "charge-peak": AlarmWords("CHARGE", "charge peak high"),
    "charging-cold": AlarmWords("COLD", "charging in frost"),
    "cell-spread-rest": AlarmWords("SPREAD", "cell spread at rest"),
    "cell-spread-load": AlarmWords("SPREAD", "cell spread under load"),
    "cell-spread-top": AlarmWords("SPREAD", "cell spread near full"),
    "cell-charge-low": AlarmWords("WEAK CELL", "cell charge low"),
    "cell-resistance": AlarmWords("WEAK CELL", "cell resistance high"),
    "resistance-up": AlarmWords("WEAK PACK", "pack resistance up"),
    "soc-low": AlarmWords("LOW SOC", "state of charge low"),
    "energy-left": AlarmWords("GO HOME", "energy left short"),
    "pack-temperature-high": AlarmWords("HOT", "pack hot"),
    "pack-temperature-low": AlarmWords("COLD", "pack cold"),
    "link": AlarmWords("NO LINK", "link failed"),
    "recording": AlarmWords("NOT SAVED", "values not recorded"),
}
"""By the limit's name; others stand under ALARM and their own name."""

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
    """What stands large.

    Attributes:
        word: the one word.
        reason: why, in one line.
        waits: whether it waits to be acknowledged.
        meaning: danger while it holds; must act once it has returned unseen.

    """

    word: str
    reason: str
    waits: bool
    meaning: Meaning = "danger"


def alarm_words(limit: str) -> AlarmWords:
    """Return the words of a limit's alarm."""
    return ALARM_WORDS.get(limit) or AlarmWords("ALARM", printable(limit.replace("-", " "), 30))


STATE_WORDS: dict[AlarmState, str] = {
    "normal": "normal",
    "unacknowledged": "",
    "acknowledged": "ack",
    "returned unacknowledged": "returned",
    "latched unacknowledged": "latched",
    "latched acknowledged": "latched, ack",
    "shelved": "shelved",
    "suppressed by design": "suppressed by design",
    "out of service": "out of service",
}
"""How an alarm stands, beside its name; nothing where it is plainly there and nobody has seen it."""


def alarm_meaning(alarm: StandingAlarm) -> Meaning:
    """Return the badge of an alarm: red for a trip that holds, yellow for a warn, blue for what waits for a key."""
    if not alarm.active:
        return "act"
    return "danger" if alarm.change.level == "trip" else "caution"


def alarm_text(alarm: StandingAlarm, snapshot: Snapshot) -> str:
    """Return an alarm in a few words: what, where, the value that raised it, and how it stands."""
    change = alarm.change
    details = []
    if change.limit in ("link", "recording"):
        details.append(printable(change.signal, 20))
    else:
        details.append(_where(change.signal, snapshot))
        details.append(amount_text(change.signal, change.value) if change.value == change.value else "")
    details.append(STATE_WORDS[alarm.state])
    return f"{alarm_words(change.limit).plain}: {', '.join(detail for detail in details if detail)}"


def headline(snapshot: Snapshot, now: int) -> Headline | None:
    """Return what must stand large, None if nothing: the worst trip not yet acknowledged, else a link that failed.

    A trip of low priority is for the next stop; it keeps to its badge and leaves the figures their room.
    """
    for alarm in snapshot.standing():
        urgent = priority_of(alarm.change.limit, alarm.change.level) != "low"
        if alarm.change.level == "trip" and not alarm.acknowledged and urgent:
            word = alarm_words(alarm.change.limit).large
            return Headline(word, alarm_reason(alarm, snapshot, now), waits=True, meaning=alarm_meaning(alarm))
    for link in snapshot.failed_links():
        standing = snapshot.alarms.get(("link", link.source))
        if standing is None or not standing.acknowledged:
            reason = f"{printable(link.source, 20)}: {printable(link.why or link.state, 120)}"
            return Headline(ALARM_WORDS["link"].large, reason, waits=False)
    return None


def alarm_reason(alarm: StandingAlarm, snapshot: Snapshot, now: int) -> str:
    """Return in one line what is beyond which bound, and since when."""
    change = alarm.change
    since = f"since {clock_at(alarm.since, snapshot.start)}"
    if change.limit in ("link", "recording"):
        return f"{printable(change.signal, 20)}: {printable(change.why, 100)}, {since}"
    value = snapshot.fresh(change.signal, now)
    shown = change.value if value is None else value
    name = _where(change.signal, snapshot) or _name(change.signal)
    amount = amount_text(change.signal, shown)
    if not alarm.active:
        then = "has latched" if alarm.latched else "has returned"
        was, bound = amount_text(change.signal, change.value), amount_text(change.signal, change.bound)
        return f"{name} was {was}, limit {bound}; {then}, raised at {clock_at(alarm.since, snapshot.start)}"
    return f"{name} {amount}, limit {amount_text(change.signal, change.bound)}, {since}"


def quiet_text(change: AlarmChange, snapshot: Snapshot) -> str:
    """Return in a few words which alarm is shelved, suppressed or out of service."""
    which = printable(change.signal, 20) if change.limit in ("link", "recording") else _where(change.signal, snapshot)
    which = "" if "*" in change.signal else which
    words = f"{alarm_words(change.limit).plain}: {STATE_WORDS[change.stands]}"
    return f"{words} ({which})" if which else words


def quiet_count(snapshot: Snapshot) -> str:
    """Return how many alarms are quiet, and why, in a few words; empty where none is."""
    counted = Counter(change.stands for change in snapshot.quiet.values())
    words: dict[AlarmState, str] = {
        "shelved": "shelved",
        "suppressed by design": "suppressed",
        "out of service": "out of service",
    }
    return ", ".join(f"{counted[state]} {word}" for state, word in words.items() if counted[state])


def _where(signal: str, snapshot: Snapshot) -> str:
    """Return which cell or sensor an alarm speaks of; empty where its words say it already."""
    which = {"cell_min_voltage": "cell_min_number", "cell_max_voltage": "cell_max_number"}.get(signal)
    if which is not None:
        number = snapshot.reading(which)
        return f"cell {number.value:.0f}" if number is not None else ""
    if (number_of_cell := cell_number(signal)) is not None:
        return f"cell {number_of_cell}"
    return f"sensor {signal.rsplit('_', 1)[1]}" if signal.startswith("pack_temperature_") else ""


def _name(signal: str) -> str:
    return printable(signal.replace("_", " "), 30)
