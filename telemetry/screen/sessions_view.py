"""The sessions view: every recorded session with its verdict; below, what is to be said of the chosen one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from rich.style import Style

from telemetry.model.errors import printable
from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.chart import scale_for
from telemetry.screen.formats import wrapped
from telemetry.screen.page import Drawn, Target
from telemetry.screen.session_list import MEANINGS, Entry, SessionList, hours_minutes, when
from telemetry.screen.spark import resampled, spark
from telemetry.screen.trace import TraceScale, trace_rows
from telemetry.store.outcomes import PowerColumn

_BADGE = 20
_LEAST_SPARK = 8


@dataclass(frozen=True)
class _Columns:
    """Where each column of the list begins, and how many cells it has; 0 cells where there is no room for it."""

    title: tuple[int, int]
    hours: tuple[int, int]
    word: tuple[int, int]
    why: tuple[int, int]
    energy: tuple[int, int]
    power: tuple[int, int]


@lru_cache(maxsize=8)
def _columns(width: int) -> _Columns:
    title = 0 if width < _NARROW else 13 if width < 100 else 15 if width < 150 else 24
    hours = 5 if title else 0
    why = 0 if width < 100 else 22 if width < 150 else 30
    x, places = _TITLE, list[tuple[int, int]]()
    for room in (title, hours, _BADGE, why, _ENERGY):
        places.append((x, room if x + room < width else 0))
        x += room + 1 if room else 0
    power = width - 1 - x
    places.append((x, power if power >= _LEAST_SPARK else 0))
    return _Columns(*places)


_NARROW, _ENERGY = 60, 6
_WHEN, _TITLE = 6, 19


@dataclass(frozen=True)
class _Rows:
    """Which rows hold what.

    Attributes:
        head: names of the columns.
        first, room: of the list.
        about: line on the chosen session; below the last row where there is no room for it.
        said, said_room: of verdict and next act.
        figures: line of figures.
        chart, chart_room: of the power; no rows where it is not drawn.

    """

    head: int
    first: int
    room: int
    about: int
    said: int
    said_room: int
    figures: int
    chart: int
    chart_room: int


@lru_cache(maxsize=8)
def _rows(height: int) -> _Rows:
    if height >= _TALL:
        return _Rows(2, 3, height - 22, height - 18, height - 16, 4, height - 11, height - 9, 6)
    if height >= _MEDIUM:
        return _Rows(1, 2, height - 13, height - 11, height - 10, 5, height - 5, height - 4, 2)
    return _Rows(1, 2, max(1, height - 4), height - 2, height, 0, height, height, 0)


_TALL, _MEDIUM = 34, 20


def draw_sessions(canvas: Canvas, sessions: SessionList, now: int, run: str = "") -> Drawn:
    """Draw the view but for its last row; return what a click on each row means.

    Args:
        canvas: to draw on.
        sessions: the list, looked at already.
        now: real time, int microseconds.
        run: what goes on meanwhile, for the right end of the first row.

    """
    shown = sessions.shown(now)
    _draw_title(canvas, sessions, len(shown), run)
    if sessions.trouble or not shown:
        for y, line in enumerate(wrapped(_why_none(sessions), canvas.width - 2), start=2):
            canvas.put(1, y, line)
        return Drawn()
    columns, rows = _columns(canvas.width), _rows(canvas.height)
    place = sessions.place(now)
    sessions.first = min(max(sessions.first, place - rows.room + 1, 0), place, max(0, len(shown) - rows.room))
    top = sessions.top_w
    _draw_head(canvas, columns, rows.head, top)
    drawn = Drawn(order=[entry.record.id for entry in shown], room=rows.room)
    for y, entry in enumerate(shown[sessions.first : sessions.first + rows.room], start=rows.first):
        _draw_entry(canvas, columns, y, entry, sessions, now, is_chosen=entry is shown[place])
        if columns.power[1] and entry.outcome is not None:
            _draw_spark(canvas, columns.power, y, entry.outcome.power, top)
        drawn.targets.append(Target(0, y, canvas.width, choose=entry.record.id))
    _draw_chosen(canvas, rows, shown[place], now)
    return drawn


def _why_none(sessions: SessionList) -> str:
    if sessions.trouble:
        return sessions.trouble
    if sessions.all:
        return "No session has these words. Backspace takes letters back; escape shows all."
    return "No session has been recorded yet. Record a drive with: shakedown watch MACHINE.toml"


def _draw_title(canvas: Canvas, sessions: SessionList, count: int, run: str) -> None:
    x = canvas.put(1, 0, "sessions", canvas.palette.strong) + 3
    total = len(sessions.all)
    counted = f" {count} of {total} " if sessions.text else f" {total} "
    end = canvas.width - 1 - len(counted)
    canvas.put(end, 0, counted, canvas.palette.inverse)
    right = "  ".join(part for part in ("judging the others" if sessions.is_judging else "", run) if part)
    if sessions.text:
        x = canvas.put(x, 0, fitted(f"with {sessions.text}", min(len(sessions.text) + 5, 40))) + 2
    if right and x + len(right) + 2 <= end:
        canvas.label(end - 2 - len(right), 0, right)


def _draw_head(canvas: Canvas, columns: _Columns, y: int, top: float) -> None:
    canvas.label(3, y, "no")
    canvas.label(_WHEN, y, "when")
    names = {"machine": columns.title, "h:min": columns.hours, "verdict": columns.word, "why": columns.why}
    for name, (x, width) in names.items():
        if width:
            canvas.label(x, y, name)
    if columns.energy[1]:
        canvas.label(columns.energy[0] + 3, y, "kWh")
    x, width = columns.power
    full, short = f"power, to {top / 1000:g} kW", f"to {top / 1000:g} kW"
    if width:
        canvas.label(x, y, full if len(full) <= width else short if len(short) <= width else "")


def _draw_entry(
    canvas: Canvas, columns: _Columns, y: int, entry: Entry, sessions: SessionList, now: int, is_chosen: bool
) -> None:
    palette, record = canvas.palette, entry.record
    plain, strong = palette.figure, palette.strong
    if is_chosen:
        ground = palette.pair("ink", "track")
        plain, strong = ground, ground + Style(bold=True)
        canvas.put(0, y, "►", strong)
    elif record.id == sessions.comparing:
        canvas.put(0, y, "x", strong)
    energy = None if entry.outcome is None else entry.outcome.energy_wh
    texts = [
        (1, 4, f"{record.id:>4}", strong),
        (_WHEN, 12, when(record.started, now), plain),
        (*columns.title, entry.title, plain),
        (*columns.hours, f"{_lasted(entry):>5}", plain),
        (*columns.why, entry.why, plain),
        (*columns.energy, "" if energy is None else f"{_kwh(energy):>6}", plain),
    ]
    _draw_word(canvas, columns.word[0], y, entry, plain)
    ends = {columns.word[0]: columns.word[1]}
    for x, room, text, style in texts:
        if room:
            canvas.put(x, y, fitted(text, room), style)
            ends[x] = room
    for x, room in ends.items():
        if is_chosen and x + room < canvas.width and x + room not in ends:
            canvas.put(x + room, y, " ", plain)


def _lasted(entry: Entry) -> str:
    """Return the length of a session; one that is recorded has none yet, and the list is not read for it again."""
    return "now" if entry.record.ended is None else hours_minutes(entry.record.duration_s)


def _draw_word(canvas: Canvas, x: int, y: int, entry: Entry, plain: Style) -> None:
    if entry.outcome is None:
        canvas.put(x, y, fitted(f"   {entry.state}", _BADGE), plain)
    else:
        canvas.badge(x, y, MEANINGS[entry.outcome.word], entry.outcome.word, _BADGE)


def _kwh(watt_hours: float) -> str:
    kwh = watt_hours / 1000
    text = f"{kwh:.2f}" if abs(kwh) < 99.995 else f"{kwh:.0f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def _draw_spark(canvas: Canvas, place: tuple[int, int], y: int, power: tuple[PowerColumn, ...], top: float) -> None:
    x, width = place
    canvas.runs(x, y, width, spark(canvas.palette, power, width, top))


def _draw_chosen(canvas: Canvas, rows: _Rows, entry: Entry, now: int) -> None:
    width = canvas.width
    x = canvas.put(1, rows.about, f"session {entry.record.id}", canvas.palette.strong) + 2
    about = _about(entry, now)
    canvas.put(x, rows.about, fitted(about, width - x - 1) if len(about) > width - x - 1 else about)
    if not rows.said_room:
        return
    _draw_said(canvas, rows, entry)
    if entry.outcome is not None:
        x = 1
        for label, value in entry.outcome.figures:
            if x + len(label) + len(value) + 2 > width:
                break
            x = canvas.put(canvas.label(x, rows.figures, label) + 1, rows.figures, value) + 3
        _draw_power(canvas, rows, entry, now)


def _about(entry: Entry, now: int) -> str:
    """Return what the session is: machine, when, marks, how it ended, what the owner notes."""
    record = entry.record
    end = when(record.started + round(record.duration_s * 1e6), now)
    begun = when(record.started, now)
    same = begun.rsplit(" ", 1)[0] == end.rsplit(" ", 1)[0]
    parts = [
        printable(f"{record.name}: {record.machine}" if record.name else record.machine, 80),
        f"since {begun}"
        if record.ended is None
        else f"{begun} to {end.rsplit(' ', 1)[1] if same and ':' in end else end}",
    ]
    if record.origin in ("replay", "import"):
        parts.append(f"{record.origin} of {printable(record.replayed_from or 'a recording', 30)}")
    if record.marks:
        parts.append(f"{record.marks} mark{'s' if record.marks > 1 else ''}")
    if record.values_lost:
        parts.append(f"{record.values_lost} values not saved")
    if record.ended_how == "ended without notice":
        parts.append(record.ended_how)
    return ", ".join(parts) + (f". {printable(record.note, 300)}" if record.note else "")


_NOT_YET = {
    "being recorded": "Being recorded: enter shows it, as shakedown watch --follow does, and leaves the run alone.",
    "not judged yet": "Its verdict is being found.",
    "on the bench": "Done on the bench, without a drive: first power, or a part tried with the wheels up.",
}


def _draw_said(canvas: Canvas, rows: _Rows, entry: Entry) -> None:
    """Draw the verdict's sentence and the next act in the rows there are for them."""
    width, outcome = canvas.width, entry.outcome
    if outcome is None:
        for y, line in enumerate(wrapped(_NOT_YET[entry.state], width - 3)[: rows.said_room], start=rows.said):
            canvas.label(2, y, line)
        return
    at = 2
    if width >= 100:
        at = canvas.badge(1, rows.said, MEANINGS[outcome.word], outcome.word) + 1
    reason = wrapped(outcome.reason, width - at - 1)
    then = wrapped(f"Next: {outcome.next}", width - at - 1)
    reason = reason[: max(1, rows.said_room - min(len(then), rows.said_room - 1))]
    lines = [(line, canvas.palette.strong) for line in reason] + [(line, canvas.palette.figure) for line in then]
    for y, (line, style) in enumerate(lines[: rows.said_room], start=rows.said):
        canvas.put(at, y, line, style)


def _draw_power(canvas: Canvas, rows: _Rows, entry: Entry, now: int) -> None:
    assert entry.outcome is not None
    low, high = (np.array(each) for each in resampled(entry.outcome.power, canvas.width - 2))
    y = rows.chart + rows.chart_room
    if np.isnan(low).all():
        canvas.label(1, y, "no power known: it takes voltage and current")
        return
    bottom, top = scale_for(low, high, 1000.0, with_zero=True)
    scale = TraceScale(bottom, top, base=0.0)
    for row, runs in enumerate(trace_rows(canvas.palette, low, high, rows.chart_room, scale)):
        canvas.runs(1, rows.chart + row, canvas.width - 2, runs)
    record = entry.record
    left, right = (when(t, now) for t in (record.started, record.started + round(record.duration_s * 1e6)))
    middle = f"power, kW, {bottom / 1000:g} to {top / 1000:g}"
    canvas.label(1, y, left.rsplit(" ", 1)[1])
    canvas.label((canvas.width - len(middle)) // 2, y, middle)
    canvas.label(canvas.width - 1 - len(right.rsplit(" ", 1)[1]), y, right.rsplit(" ", 1)[1])
