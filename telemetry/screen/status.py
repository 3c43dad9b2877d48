"""The status line: a badge and a few words, below the trace while nothing needs the driver."""

from __future__ import annotations

from dataclasses import dataclass, replace

from telemetry.pipeline.snapshot import StandingAlarm
from telemetry.screen.canvas import Canvas
from telemetry.screen.formats import wrapped
from telemetry.screen.lanes import Lane, nearest
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Meaning
from telemetry.screen.words import alarm_act, alarm_meaning, alarm_text, quiet_count

_BADGE = 7
"""Cells that a badge takes beside its words, with the blank after it."""


@dataclass(frozen=True)
class Status:
    """What the status line says.

    Attributes:
        meaning: of its badge.
        badge: its words, with shorter ones after them.
        said: beside it, never cut.

    """

    meaning: Meaning
    badge: tuple[str, ...]
    said: str


def status_of(scene: Scene, lanes: tuple[Lane, ...], sound_note: str = "") -> Status:
    """Return :func:`_status_of` with temperatures in the scene's units."""
    status = _status_of(scene, lanes, sound_note)
    return replace(status, badge=tuple(map(scene.units.in_text, status.badge)), said=scene.units.in_text(status.said))


def _status_of(scene: Scene, lanes: tuple[Lane, ...], sound_note: str) -> Status:
    """Return an alarm and what to do about it, else what is nearest to its limit; at rest how the rest goes.

    Without any value nothing is judged, and *no alarm* would say more than is known.

    Args:
        scene: the moment.
        lanes: of that moment.
        sound_note: why alarms are not heard, where the header has no room for it.

    """
    snapshot = scene.snapshot
    standing = snapshot.standing()
    said = _of_alarm(scene, standing) if standing else ""
    if snapshot.flood is not None:
        return Status("caution", (f"FLOOD: {snapshot.flood.count} alarms in 10 min", "FLOOD"), said)
    if standing:
        badge = (alarm_text(standing[0]), alarm_act(standing[0], snapshot).where)
        return Status(alarm_meaning(standing[0]), badge, said)
    old = [lane for lane in lanes if lane.gauge.said.endswith(" old")]
    if old:
        gauge = old[0].gauge
        others = "" if len(old) == len(lanes) else "the other figures are fresh"
        return Status("caution", (f"{gauge.short.lower()} {gauge.said}",), others)
    is_empty = all(lane.gauge.said == "not sent" for lane in lanes)
    first = "no values yet" if is_empty else "no alarm"
    notes = "; ".join(note for note in (first, quiet_count(snapshot), sound_note) if note)
    if is_empty:
        return Status("caution", (notes, first), "nothing is judged")
    said = nearest(lanes) if scene.rest is None else scene.rest.text()
    return Status("normal", (notes, first), said)


def _of_alarm(scene: Scene, standing: list[StandingAlarm]) -> str:
    more = f" +{len(standing) - 1} more: 4" if len(standing) > 1 else ""
    return alarm_act(standing[0], scene.snapshot).do + more


def draw_status(canvas: Canvas, status: Status, place: tuple[int, int, int]) -> int:
    """Draw the status upwards from ``place``: column, last row, width; return how many rows it took."""
    x, last, width = place
    badge, lines = status_lines(status, width)
    top = last + 1 - len(lines)
    canvas.badge(x, top, status.meaning, badge)
    for y, (indent, line) in enumerate(lines, start=top):
        canvas.put(x + indent, y, line)
    return len(lines)


def status_lines(status: Status, width: int) -> tuple[str, list[tuple[int, str]]]:
    """Return the badge's words, and column and text of each row beside and below it; nothing is cut."""
    badge = next((words for words in status.badge if len(words) + _BADGE <= width), status.badge[-1])
    beside = len(badge) + _BADGE
    if len(status.said) + beside <= width:
        return badge, [(beside, status.said)]
    if beside < width // 2:
        return badge, [(beside, line) for line in wrapped(status.said, width - beside)]
    return badge, [(beside, ""), *((1, line) for line in wrapped(status.said, width - 1))]
