"""The list of the cells view: a row a cell, one scale for all, and what the load has shown of each."""

from __future__ import annotations

import math
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

from telemetry.model.cell_figures import CellFigure, CellFigures
from telemetry.screen.canvas import Canvas
from telemetry.screen.gauge import Runs
from telemetry.screen.page import Drawn, Target
from telemetry.screen.theme import Palette

ENDS_MV = (250, 500, 1000, 2500, 5000)
"""Where the scale may end, mV; its marks are at a fifth and a 25th of that."""
TOP = 4
"""The first row of the list."""
_TEXT = 18
"""Cells of a column before its bar: number, mark, volts, millivolts."""
_LEAST_BAR, _GOOD_BAR, _MOST_BAR = 13, 25, 71
_GAP = 2
_FIGURE = 7
Half = Literal["track", "area", "trace", "warned"]
_CHARACTERS: dict[str, str] = {"track": " ", "area": "░", "trace": "█", "warned": "▓"}


class _Figure(NamedTuple):
    """A column beside the bar: its name, and the alarm that makes a cell's figure a badge."""

    name: str
    limit: str


_LEGEND = ("solid: now", "pale: last minute", "the scale is wider near 0")
_OHM, _TIMES, _BEHIND = _Figure("mΩ", ""), _Figure("times", "cell-resistance"), _Figure("Ah", "cell-charge-low")


@dataclass(frozen=True)
class Cell:
    """A cell: volts and distance to the median cell now, V, None where stale; lowest and highest of the minute."""

    number: int
    volts: float | None
    distance: float | None
    span: tuple[float, float] | None


def draw_list(
    canvas: Canvas,
    cells: list[Cell],
    picked: Cell,
    view: tuple[int, int],
    end: int,
    odd: AbstractSet[tuple[int, str]],
    figures: CellFigures | None,
) -> Drawn:
    """Draw the cells in as many columns as they need.

    Args:
        canvas: takes it.
        cells: in their order; ``picked`` is the one that is told of.
        view: the rows there are, and how many are moved past.
        end: where the scale ends, mV.
        odd: cell and limit of each alarm that is about a cell.
        figures: what the load has shown of each; None: no column for it.

    """
    room, scrolled = view
    width = canvas.width - 1
    fitting = max(1, (width + _GAP) // (_TEXT + _LEAST_BAR + _GAP))
    columns = min(fitting, -(-len(cells) // room))
    rows = -(-len(cells) // columns)
    each = (width + _GAP) // columns - _GAP
    beside = () if figures is None else _beside(each - _TEXT)
    bar = min(each - _TEXT - _FIGURE * len(beside), _MOST_BAR)
    bar -= 1 - bar % 2  # an odd number has a middle
    drawn = Drawn(max(0, rows - room), room=room)
    first = min(scrolled, drawn.most)
    volts = [cell.volts for cell in cells if cell.volts is not None]
    for column in range(columns):
        x = 1 + column * (each + _GAP)
        marks = _draw_scale(canvas, x, bar, end)
        for place, figure in enumerate(beside):
            canvas.label(x + _TEXT + bar + _FIGURE * place, TOP - 1, f"{figure.name:>{_FIGURE}}")
        for row, cell in enumerate(cells[column * rows : (column + 1) * rows]):
            drawn.order.append(cell.number)
            drawn.places[cell.number] = row, row
            y = TOP + row - first
            if not first <= row < first + room:
                continue
            is_end = "▼" if volts and cell.volts == min(volts) else "▲" if volts and cell.volts == max(volts) else " "
            style = canvas.palette.inverse if cell is picked else None
            text = " --   " if cell.volts is None or cell.distance is None else f"{cell.volts:.3f}"
            apart = "" if cell.distance is None else signed(cell.distance)
            canvas.put(x, y, f"{cell.number:>4}{is_end}{text:>6}{apart:>6}", style)
            limits = {limit for number, limit in odd if number == cell.number}
            canvas.runs(x + _TEXT, y, bar, _bar(canvas.palette, bar, _halves(cell, bar, end), bool(limits), marks))
            known = None if figures is None else figures.cells.get(cell.number)
            for place, figure in enumerate(beside):
                _draw_figure(
                    canvas, x + _TEXT + bar + _FIGURE * place, y, _said(figure, known), figure.limit in limits
                )
            drawn.targets.append(Target(x, y, each, choose=cell.number))
    if rows < room:
        canvas.label(1, TOP + room - 1, _legend(figures, beside, canvas.width - 2))
    return drawn


def _legend(figures: CellFigures | None, beside: tuple[_Figure, ...], width: int) -> str:
    """Return what the list shows, as much of it as has room."""
    words = [*_LEGEND]
    if figures is not None and beside:
        words.insert(0, f"resistance from {figures.steps:.0f} steps of load")
    if _BEHIND in beside:
        words.insert(1, "Ah behind, at least")
    while len("   ".join(words)) > width:
        words.pop()
    return "   ".join(words)


def _beside(room: int) -> tuple[_Figure, ...]:
    """Return which figures stand beside the bar: all where it stays long, else the one that a fault shows in."""
    if room - 3 * _FIGURE >= _GOOD_BAR:
        return (_OHM, _TIMES, _BEHIND)
    return (_TIMES,) if room - _FIGURE >= _LEAST_BAR else ()


def _said(figure: _Figure, known: CellFigure | None) -> str:
    """Return a cell's figure; what is behind is given in Ah at least, nothing where no voltage shows any."""
    value = None if known is None else {_OHM: known.ohm, _TIMES: known.times, _BEHIND: known.behind_ah}[figure]
    if value is None:
        return "" if figure is _BEHIND else "--"
    return f"{1000 * value:.2f}" if figure is _OHM else f"{value:.2f}" if figure is _TIMES else f"{value:.1f}"


def _draw_figure(canvas: Canvas, x: int, y: int, text: str, is_odd: bool) -> None:
    if is_odd and text:
        canvas.filled(x, y, "caution", f"▲{text:>{_FIGURE - 3}}", _FIGURE)
    else:
        canvas.put(x, y, f"{text:>{_FIGURE}}", canvas.palette.label if text == "--" else None)


def _draw_scale(canvas: Canvas, x: int, bar: int, end: int) -> tuple[int, ...]:
    """Draw the names of a column and the marks of its scale, without those that have no room; return their places."""
    canvas.label(x, TOP - 1, "cell     V    mV")
    taken: list[tuple[int, int]] = []
    marks: list[int] = []
    for value in (0, -end, end, -end // 5, end // 5, -end // 25, end // 25):
        text = f"{value:+d}" if value else "0"
        place = min(max(_place(value, bar, end) // 2 - len(text) // 2, 0), bar - len(text))
        if all(place >= stop + 1 or place + len(text) + 1 <= start for start, stop in taken):
            taken.append((place, place + len(text)))
            canvas.label(x + _TEXT + place, TOP - 1, text)
            if abs(value) not in (0, end):
                marks.append(_place(value, bar, end) // 2)
    return tuple(marks)


def _place(mv: float, bar: int, end: int) -> int:
    """Return where a distance is on a bar of so many cells, in half cells: the square root of it, 0 in the middle."""
    share = math.copysign(math.sqrt(min(abs(mv) / end, 1.0)), mv)
    return round(bar + share * (bar - 1))


def _halves(cell: Cell, bar: int, end: int) -> tuple[tuple[int, int] | None, tuple[int, int] | None]:
    """Return from which to which half cell the minute is drawn, and the bar of now."""
    span = None if cell.span is None else tuple(_place(1000 * each, bar, end) for each in cell.span)
    now = None if cell.distance is None else sorted((_place(1000 * cell.distance, bar, end), bar))
    return (None if span is None else (span[0], span[1])), (None if now is None else (now[0], now[1]))


@lru_cache(maxsize=512)
def _bar(
    palette: Palette,
    bar: int,
    parts: tuple[tuple[int, int] | None, tuple[int, int] | None],
    is_odd: bool,
    marks: tuple[int, ...],
) -> Runs:
    """Return the runs of a bar: pale for the minute, solid for now, lines at the middle cell and the marks."""
    halves: list[Half] = ["track"] * (2 * bar)
    solid: Half = "warned" if is_odd else "trace"
    for part, colour in zip(parts, ("area", solid), strict=True):
        if part is not None:
            halves[part[0] : part[1] + 1] = [colour] * (part[1] + 1 - part[0])
    runs = []
    for place, (left, right) in enumerate(zip(halves[0::2], halves[1::2], strict=True)):
        if place == bar // 2:
            runs.append(("│", palette.pair("ink", left if left == right else "track")))
        elif place in marks and left == right == "track":
            runs.append(("│" if palette.colours else "·", palette.pair("idle", "track")))
        elif palette.colours:
            runs.append((" " if left == right else "▌", palette.pair(left, right)))
        else:
            runs.append((_CHARACTERS[left if left != "track" else right], palette.figure))
    return tuple(runs)


def signed(volts: float) -> str:
    """Return a distance in whole mV with its sign; 0 has none."""
    text = f"{1000 * volts:+.0f}"
    return "0" if text in ("+0", "-0") else text
