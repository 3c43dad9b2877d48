"""The alarms view: a card for each alarm, then what happened in this drive, and what is kept quiet."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from telemetry.alarms.acts import alarm_name
from telemetry.alarms.reported import reported_beside, reported_text
from telemetry.alarms.standing import StandingAlarm
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange, AlarmState
from telemetry.model.time_text import clock_at, length
from telemetry.model.words import amount_text
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.canvas import Canvas
from telemetry.screen.formats import delay_text, wrapped
from telemetry.screen.mark_entry import PLAIN
from telemetry.screen.minute import draw_minute, minute_rows
from telemetry.screen.page import BLANK, Drawn, Piece, Row, card, draw_page, draw_title, heading, text_column
from telemetry.screen.scene import Scene
from telemetry.screen.signal_words import signal_words
from telemetry.screen.theme import SHAPES, Meaning
from telemetry.screen.words import alarm_act, alarm_meaning, alarm_where, quiet_text

HOW_IT_STANDS: dict[AlarmState, str] = {
    "normal": "normal",
    "unacknowledged": "active, not acknowledged",
    "acknowledged": "active, acknowledged",
    "returned unacknowledged": "cleared, waits for enter",
    "latched unacknowledged": "latched: enter, then r",
    "latched acknowledged": "latched: r resets it",
    "shelved": "shelved",
    "suppressed by design": "suppressed by design",
    "out of service": "out of service",
}


@dataclass(frozen=True)
class Moment:
    """Something that happened, to be chosen in the list: an alarm that stands, or what is over.

    Attributes:
        t: int microseconds.
        limit, signal: of an alarm; empty for a mark, the signal alone for a gap.
        bound: what an alarm's value was held against; NaN where no bound decides.
        words: what it was.
        stands: whether it is the card of an alarm that stands; its time moves on as it rises, so it is not compared.

    """

    t: int
    limit: str = ""
    signal: str = ""
    bound: float = float("nan")
    words: str = ""
    stands: bool = False

    @property
    def key(self) -> Hashable:
        """What it is remembered by while it is chosen."""
        return (self.limit, self.signal) if self.stands else (self.t, self.limit, self.signal, self.words)


def draw_alarms(canvas: Canvas, scene: Scene, chosen: Hashable | None, scrolled: int) -> Drawn:
    """Draw the view but for its last row."""
    moments = moments_of(scene.snapshot)
    picked = next((moment for moment in moments if moment.key == chosen), moments[0] if moments else None)
    rows = [
        *_card_rows(scene, canvas.width, picked),
        *_fault_rows(scene, canvas.width),
        *_past_rows(scene, canvas.width, picked),
        *_quiet_rows(scene, canvas.width),
    ]
    draw_title(canvas, scene, "alarms", _badges(scene.snapshot))
    below = minute_rows(canvas.height) if picked is not None else 0
    drawn = draw_page(canvas, rows, scrolled, below)
    if picked is not None and below:
        draw_minute(canvas, scene, picked.t, picked.signal, picked.bound, below)
    return drawn


def moments_of(snapshot: Snapshot) -> list[Moment]:
    """Return all that can be chosen, from the top: standing alarms by rank, then what happened, the newest first."""
    cards = [
        Moment(alarm.since, alarm.change.limit, alarm.change.signal, alarm.change.bound, stands=True)
        for alarm in snapshot.alarms.in_order()
    ]
    return [*cards, *(moment for moment, *_ in _past(snapshot))]


def _badges(snapshot: Snapshot) -> list[tuple[Meaning, str]]:
    standing = snapshot.alarms.in_order()
    if not standing:
        return [("normal", "no alarms") if snapshot.limits else ("caution", "no limits, so nothing is judged")]
    kinds = [alarm_meaning(alarm) for alarm in standing if alarm.active]
    waiting = sum(not alarm.acknowledged for alarm in standing)
    latched = sum(alarm.state == "latched acknowledged" for alarm in standing)
    counted: tuple[tuple[Meaning, int, str], ...] = (
        ("danger", kinds.count("danger"), "tripped"),
        ("caution", kinds.count("caution"), "past a warning" if len(kinds) <= 1 else "past warnings"),
        ("act", waiting, "to acknowledge"),
        ("act", latched, "to reset"),
    )
    return [(meaning, f"{count} {word}") for meaning, count, word in counted if count]


def _card_rows(scene: Scene, width: int, picked: Moment | None) -> list[Row]:
    rows: list[Row] = []
    for alarm in scene.snapshot.alarms.in_order():
        change = alarm.change
        where = alarm_where(change)
        name = f"{alarm_name(change.limit)}: {where}" if where else alarm_name(change.limit)
        key = (change.limit, change.signal)
        state = f"{HOW_IT_STANDS[alarm.state]}; {alarm.priority} priority"
        is_chosen = picked is not None and picked.stands and picked.key == key
        rows += [*card(key, alarm_meaning(alarm), name, state, _fields(scene, alarm), width, is_chosen), BLANK]
    return rows


def _fields(scene: Scene, alarm: StandingAlarm) -> list[tuple[str, str, bool]]:
    """Return label, text and whether it is bold of each field that is known."""
    texts = (
        ("do", scene.units.in_text(alarm_act(alarm, scene.snapshot).do)),
        ("value", scene.units.in_text(_values(scene, alarm))),
        ("limit", _limit(scene, alarm.change)),
        ("since", _since(scene, alarm)),
        ("why", _why(alarm, scene.snapshot)),
    )
    return [(label, text, label == "do") for label, text in texts if text]


def _values(scene: Scene, alarm: StandingAlarm) -> str:
    change = alarm.change
    if change.value != change.value:
        return ""
    known = [f"{amount_text(change.signal, change.value)} raised"]
    if alarm.worst == alarm.worst:
        known.append(f"{amount_text(change.signal, alarm.worst)} worst")
    now = scene.snapshot.fresh(change.signal, scene.now)
    known.append("now not known" if now is None else f"{amount_text(change.signal, now)} now")
    return "   ".join(known)


def _limit(scene: Scene, change: AlarmChange) -> str:
    """Return the bounds, then where they are from: in the words and the units of the machine file."""
    limit = scene.snapshot.limits.get(change.limit)
    if limit is None:
        return ""
    bounds = [
        f"{word} {amount_text(change.signal, bound)}"
        for word, bound in (("trip", limit.trip), ("warn", limit.warn))
        if bound is not None
    ]
    if bounds and limit.raise_delay_s:
        bounds.append(f"after {delay_text(limit.raise_delay_s)}")
    origin = printable(limit.origin, 300)
    return f"{scene.units.in_text(', '.join(bounds))}; {origin}" if bounds else origin


def _since(scene: Scene, alarm: StandingAlarm) -> str:
    """Return when the level that it stands at was raised, and the warning's time beside that of the trip."""
    start = scene.snapshot.start
    level = alarm.change.level
    text = f"{level} at {clock_at(alarm.since, start)}, {length(max(0.0, (scene.now - alarm.since) / 1e6))} ago"
    if level == "trip" and alarm.warned is not None and alarm.tripped is not None:
        text += f"; warn at {clock_at(alarm.warned, start)}"
    return text


def _why(alarm: StandingAlarm, snapshot: Snapshot) -> str:
    """Return the reason that no bound gives, what devices reported, and what pack and other cells were at."""
    told = [printable(alarm.change.why, 300)] if alarm.change.bound != alarm.change.bound and alarm.change.why else []
    if reported := reported_text(reported_beside(alarm.change, snapshot.alarm_changes)):
        told.append(reported)
    if alarm.current == alarm.current and "current" not in alarm.change.limit:
        way = "into" if alarm.current < 0 else "out of"
        told.append(f"{abs(alarm.current):.0f} A {way} the pack at that moment")
    if alarm.others == alarm.others:
        beyond = "below" if "high" in alarm.change.limit else "above"
        told.append(f"the other cells at {alarm.others:.2f} V or {beyond}")
    return "; ".join(told)


def _fault_rows(scene: Scene, width: int) -> list[Row]:
    """Faults of the limits themselves: what to change."""
    snapshot = scene.snapshot
    found = [] if snapshot.flood is None else [("FLOOD of alarms", snapshot.flood.why)]
    found += [
        (f"{alarm_name(finding.limit)} chatters: {printable(finding.signal, 30)}", finding.why)
        for finding in snapshot.chattering.values()
    ]
    rows: list[Row] = []
    for name, why in found:
        rows += [*card(None, "caution", name, "", [("change", printable(why, 300), False)], width, False), BLANK]
    return rows


def _past(snapshot: Snapshot) -> list[tuple[Moment, Meaning | None, str]]:
    """Return what happened, the newest first: the moment, the sign before it, and what became of it."""
    found: list[tuple[Moment, Meaning | None, str]] = []
    for change in snapshot.alarm_changes:
        where = alarm_where(change)
        name = f"{alarm_name(change.limit)}: {where}" if where else alarm_name(change.limit)
        moment = Moment(change.t, change.limit, change.signal, change.bound, f"{name} {change.state} {change.level}")
        found.append((moment, _sign(change), f"{name}\n{_became(change)}"))
    for mark in snapshot.marks:
        words = "mark" if mark.text == PLAIN else f"mark: {printable(mark.text, 60)}"
        found.append((Moment(mark.t, words=words), None, f"{words}\n{'taken back' if mark.taken_back else ''}"))
    for gap in snapshot.gaps:
        words = f"gap: {signal_words(gap.signal)}"
        unknown = f"not known for {length(gap.duration_s)}"
        found.append((Moment(gap.t, "", gap.signal, words=words), None, f"{words}\n{unknown}"))
    found.sort(key=lambda entry: entry[0].t, reverse=True)
    return found


def _sign(change: AlarmChange) -> Meaning | None:
    if change.state != "raised":
        return None
    return "danger" if change.level == "trip" else "caution"


def _became(change: AlarmChange) -> str:
    if change.state == "raised":
        value = f" at {amount_text(change.signal, change.value)}" if change.value == change.value else ""
        bound = f" {amount_text(change.signal, change.bound)}" if change.bound == change.bound else ""
        return f"raised{value}, {change.level}{bound}"
    if change.state == "cleared" and change.stands != "normal":
        return change.stands
    return change.state


def _past_rows(scene: Scene, width: int, picked: Moment | None) -> list[Row]:
    past = _past(scene.snapshot)
    if not past:
        return [heading("this drive", "no alarm and no mark yet; space sets a mark")]
    names = [text.partition("\n")[0] for _, _, text in past]
    column = min(max(len(name) for name in names) + 14, max(30, width // 2))
    rows = [heading("this drive")]
    for moment, sign, text in past:
        name, _, became = scene.units.in_text(text).partition("\n")
        is_chosen = picked is not None and not picked.stands and picked.key == moment.key
        pieces = [
            Piece(0, "►" if is_chosen else " "),
            Piece(1, clock_at(moment.t, scene.snapshot.start).rjust(8), "label"),
        ]
        if sign is not None:
            pieces.append(Piece(10, SHAPES[sign], f"end {sign}"))
        at = next((x for x in (column, 14 + len(name)) if 12 + len(name) < x and x + len(became) < width), 0)
        pieces.append(Piece(12, name))
        rows.append(Row((*pieces, Piece(at, became, "label")) if at else tuple(pieces), moment.key))
        if not at and became:
            rows.append(Row((Piece(14, became, "label"),), moment.key))
    return [*rows, BLANK]


def _quiet_rows(scene: Scene, width: int) -> list[Row]:
    """Alarms that are shelved, suppressed or out of service, each with its reason: quiet is not forgotten."""
    quiet = scene.snapshot.alarms.quiet.values()
    if not quiet:
        return []
    rows = [heading("kept quiet")]
    at = text_column(width)
    for change in quiet:
        rows.append(Row((Piece(3, quiet_text(change)),)))
        why = printable(change.why, 300)
        rows += [Row((Piece(at, line, "label"),)) for line in wrapped(why, width - at - 1)]
    return rows
