"""The view of what happened: standing alarms with their reasons, links; then marks, alarm changes and gaps."""

from __future__ import annotations

from telemetry.alarms.acts import alarm_name
from telemetry.model.errors import printable
from telemetry.model.time_text import clock_at, length
from telemetry.pipeline.snapshot import StandingAlarm
from telemetry.screen.canvas import Canvas
from telemetry.screen.formats import wrapped
from telemetry.screen.header import draw_header
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Meaning
from telemetry.screen.words import (
    LINK_WORDS,
    alarm_act,
    alarm_meaning,
    alarm_since,
    alarm_text,
    alarm_values,
    quiet_text,
)

_INDENT = "   "
_LEAST_TEXT = 20
_Row = tuple[Meaning | None, str, str]


def draw_events(canvas: Canvas, scene: Scene) -> int:
    """Draw the view but for its last row; return how many rows it may be moved down by."""
    draw_header(canvas, scene)
    told = [*_alarm_rows(scene), *_quiet_rows(scene), *_fault_rows(scene), *_link_rows(scene), *_past_rows(scene)]
    rows = [part for row in told for part in _wrapped(row, canvas.width - 1)]
    room = canvas.height - 2
    most = max(0, len(rows) - room)
    first = min(scene.scrolled, most)
    for y, (meaning, head, text) in enumerate(rows[first : first + room], start=1):
        x = canvas.label(1, y, head) if meaning is None else canvas.badge(1, y, meaning, head)
        canvas.put(x + 1, y, text)
    return most


def _wrapped(row: _Row, width: int) -> list[_Row]:
    """Return what is longer than the window as several rows, each below its own beginning."""
    meaning, head, text = row
    if meaning is None and not text and head.startswith(_INDENT):
        return [(None, f"{_INDENT}{line}", "") for line in wrapped(head.strip(), width - len(_INDENT))]
    taken = len(head) + (1 if meaning is None else 7)
    if not text or taken + len(text) <= width:
        return [row]
    if width - taken < _LEAST_TEXT:
        return [
            (meaning, head, ""),
            *((None, f"{_INDENT}{line}", "") for line in wrapped(text, width - len(_INDENT))),
        ]
    first, *others = wrapped(text, width - taken)
    return [(meaning, head, first), *((None, " " * (taken - 1), line) for line in others)]


def _alarm_rows(scene: Scene) -> list[_Row]:
    standing = scene.snapshot.standing()
    if not standing:
        return [("normal", "no alarms", ""), (None, "", "")]
    rows: list[_Row] = []
    for alarm in standing:
        key = "; r resets" if alarm.state == "latched acknowledged" else ""
        rows.append((alarm_meaning(alarm), alarm_text(alarm), f"{alarm.priority} priority{key}"))
        rows += [(None, f"{_INDENT}{text}", "") for text in _said(scene, alarm)]
    return [*rows, (None, "", "")]


def _said(scene: Scene, alarm: StandingAlarm) -> list[str]:
    """What to do, how much against which limit, since when, and the reason."""
    act = alarm_act(alarm, scene.snapshot)
    values = alarm_values(alarm, scene.snapshot, scene.now)
    return [
        f"do: {act.do}",
        *([values] if values else []),
        alarm_since(alarm, scene.snapshot),
        *([printable(alarm.change.why, 400)] if alarm.change.why else []),
    ]


def _quiet_rows(scene: Scene) -> list[_Row]:
    """Alarms that are shelved, suppressed or out of service, each with its reason: quiet is not forgotten."""
    rows: list[_Row] = []
    for change in scene.snapshot.quiet.values():
        rows.append((None, f"quiet  {quiet_text(change)}", ""))
        rows.append((None, f"   {printable(change.why, 150)}", ""))
    return [*rows, (None, "", "")] if rows else []


def _fault_rows(scene: Scene) -> list[_Row]:
    """Faults of the limits: what to change."""
    snapshot = scene.snapshot
    rows: list[_Row] = []
    if snapshot.flood is not None:
        rows += [("caution", "FLOOD of alarms", ""), (None, f"   {printable(snapshot.flood.why, 150)}", "")]
    for finding in snapshot.chattering.values():
        rows.append(("caution", f"{alarm_name(finding.limit)}: chatters", printable(finding.signal, 30)))
        rows.append((None, f"   {printable(finding.why, 150)}", ""))
    return [*rows, (None, "", "")] if rows else []


def _link_rows(scene: Scene) -> list[_Row]:
    rows: list[_Row] = []
    for source, change in scene.snapshot.links.items():
        meaning, word = LINK_WORDS[change.state]
        age = scene.last_value_age(source)
        last = f"last value {age} ago" if age else "no value yet"
        why = f"; {printable(change.why, 100)}" if change.why else ""
        rows.append((meaning, f"{printable(source, 20)} {word}", f"{last}{why}"))
    return [*rows, (None, "", "")] if rows else []


def _past_rows(scene: Scene) -> list[_Row]:
    """Marks, alarm changes and gaps, the newest first."""
    snapshot = scene.snapshot
    happened = [(mark.t, f"mark   {printable(mark.text, 60)}") for mark in snapshot.marks]
    for change in snapshot.alarm_changes:
        what = f"{alarm_name(change.limit)} ({printable(change.signal, 30)})"
        stands = "" if change.stands in (change.state, "unacknowledged") else f", {change.stands}"
        became = f"{change.level}: {change.state}{stands}"
        if change.state == "cleared" and change.stands != "normal":
            became = change.stands  # says the same, and fits the window
        happened.append((change.t, f"alarm  {what}, {became}"))
    happened += [
        (gap.t, f"gap    {printable(gap.signal, 30)} unknown for {length(gap.duration_s)}") for gap in snapshot.gaps
    ]
    happened.sort(key=lambda item: item[0], reverse=True)
    if not happened:
        return [(None, "no marks yet: space sets one", "")]
    return [(None, clock_at(t, snapshot.start).rjust(8), text) for t, text in happened]
