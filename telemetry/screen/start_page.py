"""The first screen: the next step for this machine, what is in reach, what is done, and the last sessions."""

from __future__ import annotations

from telemetry.model.errors import printable
from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.page import Drawn, Target
from telemetry.screen.session_list import MEANINGS, SessionList, hours_minutes, when
from telemetry.screen.spark import spark
from telemetry.screen.start_facts import StartFacts, StartLine
from telemetry.screen.theme import Meaning

KEY_COLUMN = 64
_SPARK = 6
_BADGE_OF_REACH, _BADGE_OF_STEP, _STEP_NAME = 18, 10, 13
LAST_SESSIONS = 5
"""Sessions at the most; keys 1 to 5, for 6 shows all of them."""


def draw_start(canvas: Canvas, facts: StartFacts, sessions: SessionList, now: int) -> Drawn:
    """Draw the page but for its last row; return what a click on each row presses."""
    drawn = Drawn()
    width, palette = canvas.width, canvas.palette
    canvas.put(0, 0, fitted(" shakedown   drive it, and see whether it holds together", width), palette.inverse)
    key = f"   ({facts.next_key})" if facts.next_key else ""
    said = fitted(f"next: {facts.next}", min(len(facts.next) + 6, width - 8 - len(key))) + key
    canvas.badge(1, 2, "act", said, width - 2)
    if facts.next_key:
        drawn.targets.append(Target(1, 2, width - 2, press=facts.next_key))
    counted = _counts(canvas.height, len(facts.reach), len(sessions.all))
    y = _draw_section(canvas, drawn, 4, "within reach", facts.reach[: counted[0]], _BADGE_OF_REACH)
    if facts.is_looking:
        canvas.label(16, 4, "looking ...")
    y = _draw_section(canvas, drawn, y + 1, "before the first drive", facts.steps, _BADGE_OF_STEP)
    y = _draw_sessions(canvas, drawn, y + 1, sessions, counted[1], now)
    if y + 2 < canvas.height:
        x = canvas.put(1, y + 1, "no machine at hand?", palette.strong) + 2
        canvas.put(x, y + 1, fitted("d shows one that drives, with a fault to find", width - x - 1))
        drawn.targets.append(Target(x, y + 1, width - x, press="d"))
    return drawn


def _counts(height: int, reach: int, sessions: int) -> tuple[int, int]:
    """Return how many lines in reach and how many sessions there is room for."""
    room = max(2, height - 16)
    last = min(sessions, LAST_SESSIONS, max(1, room - min(reach, 3)))
    return max(1, min(reach, room - last)), last


def _draw_section(canvas: Canvas, drawn: Drawn, y: int, title: str, lines: tuple[StartLine, ...], badge: int) -> int:
    """Draw a heading and its lines; return the row after them."""
    canvas.put(1, y, title, canvas.palette.strong)
    for row, line in enumerate(lines, start=y + 1):
        _draw_badge(canvas, row, line.meaning, line.badge, badge)
        x = badge + 2
        if line.name:
            canvas.put(x, row, line.name)
            x += _STEP_NAME
        end = KEY_COLUMN if line.key else canvas.width
        canvas.put(x, row, fitted(line.text, end - x - 1))
        _draw_key(canvas, drawn, row, line.key, line.does)
    return y + 1 + max(1, len(lines))


def _draw_badge(canvas: Canvas, y: int, meaning: Meaning | None, text: str, width: int) -> None:
    if meaning is None:
        palette = canvas.palette
        canvas.put(1, y, fitted(f"  ○ {text}", width), palette.pair("ink", "track") if palette.colours else None)
    else:
        canvas.badge(1, y, meaning, fitted(text, width - 5), width)


def _draw_key(canvas: Canvas, drawn: Drawn, y: int, key: str, does: str) -> None:
    if key and canvas.width > KEY_COLUMN + 4:
        canvas.put(KEY_COLUMN, y, key, canvas.palette.strong)
        canvas.put(KEY_COLUMN + 3, y, fitted(does, canvas.width - KEY_COLUMN - 4))
    if key:
        drawn.targets.append(Target(1, y, canvas.width - 2, press=key))


def _draw_sessions(canvas: Canvas, drawn: Drawn, y: int, sessions: SessionList, count: int, now: int) -> int:
    palette = canvas.palette
    canvas.put(1, y, "last sessions", palette.strong)
    if sessions.trouble or not sessions.all:
        canvas.label(1, y + 1, fitted(sessions.trouble or "none recorded yet", canvas.width - 2))
        return y + 2
    top = sessions.top_w
    for place, entry in enumerate(sessions.all[:count]):
        row, record = y + 1 + place, entry.record
        is_chosen = record.id == sessions.chosen
        style = palette.strong if is_chosen else palette.figure
        canvas.put(0, row, f"►{record.id:<4}" if is_chosen else f" {record.id:<4}", palette.strong)
        canvas.put(5, row, fitted(when(record.started, now), 12), style)
        canvas.put(18, row, fitted(entry.title, 13), style)
        canvas.put(32, row, f"{hours_minutes(record.duration_s):>5}", style)
        if entry.outcome is None:
            canvas.put(41, row, entry.state)
        else:
            canvas.badge(37, row, MEANINGS[entry.outcome.word], entry.outcome.word, 20)
            if canvas.width >= KEY_COLUMN:
                canvas.runs(57, row, _SPARK, spark(palette, entry.outcome.power, _SPARK, top))
        follow = record.ended is None
        _draw_key(canvas, drawn, row, str(place + 1), "follow" if follow else "review")
        if canvas.width > 100 and entry.outcome is not None:
            why = printable(entry.outcome.why, 80)
            canvas.label(KEY_COLUMN + 12, row, fitted(why, canvas.width - KEY_COLUMN - 13))
    return y + 1 + count
