"""The parts of the drive view as they are placed: name, top, figures, wall. What they say comes from elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

from rich.style import Style

from telemetry.model.errors import printable
from telemetry.screen.canvas import Canvas
from telemetry.screen.digits import UNKNOWN, figure_rows, figure_width, rows_of
from telemetry.screen.frame import Frame
from telemetry.screen.gauge import Gauge, draw_gauge

LARGE_WIDTH = 120
"""From so many columns on there is room for the local time and for why alarms are not heard."""


@dataclass(frozen=True)
class Slot:
    """One of the four smaller figures.

    Attributes:
        label: what it is, ``unit`` in what.
        digits: the figure; dashes where unknown.
        note: a few words below it.
        short: the label where the row has room for eight cells only.

    """

    label: str
    unit: str
    digits: str
    note: str = ""
    short: str = ""


def draw_name(canvas: Canvas, name: str) -> int:
    """Draw the machine's name at the left of the first row; return the column after it."""
    room = 0 if canvas.width < 60 else 15 if canvas.width < LARGE_WIDTH else 40
    return canvas.put(1, 0, printable(name, room), canvas.palette.strong) + 1 if room else 1


def draw_top(canvas: Canvas, frame: Frame, end: int, phase: str, style: Style) -> None:
    """Draw the word above the wall and the phase box, where the first row is free from column ``end`` on."""
    if frame.scale == 1:
        return
    word = "limit▼"
    if end < frame.wall + 1 - len(word):
        canvas.label(frame.wall + 1 - len(word), 0, word)
    if end <= frame.right:
        canvas.put(frame.right, 0, phase.center(frame.right_width), style)


def draw_lane(canvas: Canvas, frame: Frame, y: int, digits: str, gauge: Gauge) -> None:
    """Draw a large figure and the gauge beside it, from row ``y`` on."""
    rows = figure_rows(digits, frame.scale)
    canvas.block(frame.digits_end - len(rows[0]), y, rows, _style(canvas, digits))
    draw_gauge(canvas, gauge, frame.gauge, y, frame.wall, frame.past, frame.bars)


def draw_wall(canvas: Canvas, frame: Frame) -> None:
    """Draw the wall between the gauges, which draw their own piece of it."""
    for y, following in zip(frame.lanes, (*frame.lanes[1:], frame.lanes[2] + frame.lane_rows), strict=True):
        canvas.block(frame.wall, y, ("█",))
        canvas.block(frame.wall, y + 1 + frame.bars, ("█",) * (following - y - 1 - frame.bars))


def draw_slot(canvas: Canvas, frame: Frame, slot: Slot, y: int) -> None:
    """Draw a smaller figure with its label and its note, from row ``y`` on."""
    x, width = frame.right, frame.right_width
    if not frame.right_scale:
        canvas.label(x, y, slot.short or slot.label)
        shown = slot.digits.replace("~", "-")
        canvas.put(x + width - len(shown), y, shown, canvas.palette.strong)
        notes = (slot.note, slot.note.replace(" in ", " "), slot.note.rpartition(" ")[0])
        canvas.label(x, y + 1, next((note for note in notes if len(note) <= width), ""))
        return
    canvas.label(x, y, f"{slot.label} {slot.unit}")
    digits = fitted_digits(slot, frame.right_scale, width)
    rows = figure_rows(digits, frame.right_scale)
    canvas.block(x + width - len(rows[0]), y + 1, rows, _style(canvas, digits))
    note = y + 1 + rows_of(frame.right_scale)
    if note < canvas.height - 1:
        canvas.label(x, note, slot.note)


def fitted_digits(slot: Slot, scale: int, width: int) -> str:
    """Return the digits; without their decimals where ``width`` cells have no room for them."""
    if figure_width(slot.digits, scale) <= width or "." not in slot.digits:
        return slot.digits
    return f"{float(slot.digits):.0f}"


def _style(canvas: Canvas, digits: str) -> Style:
    return canvas.palette.pair("idle", "page") if digits == UNKNOWN else canvas.palette.figure
