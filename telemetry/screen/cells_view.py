"""The view of the cells: how far each is from the median cell, now and in the last minute, on one scale for all."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from statistics import median
from typing import Literal

from telemetry.model.signals import cell_number
from telemetry.screen.canvas import Canvas
from telemetry.screen.formats import wrapped
from telemetry.screen.gauge import Runs
from telemetry.screen.header import draw_header
from telemetry.screen.page import Drawn, Target
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Palette
from telemetry.screen.words import alarm_act, alarm_meaning, alarm_text

ENDS_MV = (250, 500, 1000, 2500, 5000)
"""Where the scale may end, mV; its marks are at a fifth and a 25th of that."""
_TOP = 4
_TEXT = 18
"""Cells of a column before its bar: number, mark, volts, millivolts."""
_LEAST_BAR, _MOST_BAR = 13, 71
_GAP = 2
Half = Literal["track", "area", "trace", "warned"]
_CHARACTERS: dict[str, str] = {"track": " ", "area": "░", "trace": "█", "warned": "▓"}


@dataclass(frozen=True)
class _Cell:
    """A cell: volts and distance to the median cell now, V, None where stale; lowest and highest of the minute."""

    number: int
    volts: float | None
    distance: float | None
    span: tuple[float, float] | None


def draw_cells(canvas: Canvas, scene: Scene, chosen: object, scrolled: int, by_distance: bool) -> Drawn:
    """Draw the view but for its last row.

    Args:
        canvas: takes it.
        scene: the moment.
        chosen: number of the cell that is told of; the first where it is none of them.
        scrolled: rows that the list is moved down by.
        by_distance: what is farthest from the median cell first; else by number.

    """
    draw_header(canvas, scene)
    cells = _cells(scene)
    if not cells:
        for y, line in enumerate(wrapped(_none(scene), canvas.width - 2), start=2):
            canvas.put(1, y, line)
        return Drawn()
    if by_distance:
        cells.sort(key=lambda cell: -abs(cell.distance or 0.0))
    picked = next((cell for cell in cells if cell.number == chosen), cells[0])
    below = _findings(canvas, scene, picked)
    known = [cell for cell in cells if cell.volts is not None]
    _draw_top(canvas, scene, known)
    room = max(1, canvas.height - 1 - _TOP - below)
    end = scene.settled.cells_end(_farthest(cells), ENDS_MV)
    return _draw_list(canvas, cells, picked, (room, scrolled), end, _odd(scene))


def _cells(scene: Scene) -> list[_Cell]:
    """Return the cells by number, measured against the median of those that are fresh."""
    readings = {n: r for name, r in scene.snapshot.readings.items() if (n := cell_number(name)) is not None}
    fresh = {number: each.value for number, each in readings.items() if not each.is_stale(scene.now)}
    middle = median(fresh.values()) if fresh else 0.0
    spans = scene.snapshot.cells.spans(scene.now)
    return [_Cell(n, fresh.get(n), fresh[n] - middle if n in fresh else None, spans.get(n)) for n in sorted(readings)]


def _none(scene: Scene) -> str:
    if scene.snapshot.reading("cell_min_voltage") is not None:
        return (
            "The pack sends its lowest and its highest cell only, so single cells are not known. Where its BMS can"
            " send all, docs/getting-signals.md says how to get them."
        )
    return "The pack sends no cell voltages. docs/getting-signals.md says how to get them from its BMS."


def _farthest(cells: Iterable[_Cell]) -> float:
    """Return the greatest distance of now and of the last minute, mV."""
    found = [abs(cell.distance) for cell in cells if cell.distance is not None]
    found += [max(map(abs, cell.span)) for cell in cells if cell.span is not None]
    return 1000 * max(found, default=0.0)


def _odd(scene: Scene) -> set[int]:
    """Return the numbers of the cells that an alarm is about."""
    return {alarm.change.cell for alarm in scene.snapshot.alarms.values() if alarm.change.cell is not None}


def _draw_top(canvas: Canvas, scene: Scene, known: list[_Cell]) -> None:
    """Draw the middle cell, the lowest and the highest; below it the spreads, under this load and at rest."""
    if not known:
        readings = (r for name, r in scene.snapshot.readings.items() if cell_number(name) is not None)
        canvas.label(1, 1, f"no cell has sent a value for {scene.age(max(readings, key=lambda each: each.t))}")
        return
    volts = [cell.volts or 0.0 for cell in known]
    low, high = (known[volts.index(each)].number for each in (min(volts), max(volts)))
    x = canvas.put(1, 1, f"middle cell {median(volts):.3f} V", canvas.palette.strong)
    canvas.put(x, 1, f"   ▼ lowest {low}  {min(volts):.3f}   ▲ highest {high}  {max(volts):.3f}")
    text = f"spread {1000 * (max(volts) - min(volts)):.0f} mV"
    current = scene.snapshot.fresh("pack_current", scene.now)
    if current is not None:
        text += f" at {abs(current):.0f} A {'in' if current < 0 else 'out'}"
    rest = scene.snapshot.reading("cell_spread_rest")
    canvas.label(1, 2, text if rest is None else f"{text}, {1000 * rest.value:.0f} mV at rest")


def _findings(canvas: Canvas, scene: Scene, picked: _Cell) -> int:
    """Draw above the last row what alarms and comparison say, then the chosen cell; return how many rows."""
    width = canvas.width - 2
    rows: list[tuple[str, str]] = []
    for alarm in scene.snapshot.standing():
        is_in_band = scene.headline is not None and not alarm.acknowledged
        if not is_in_band and (alarm.change.cell is not None or alarm.change.limit.startswith("cell-")):
            lines = wrapped(alarm_act(alarm, scene.snapshot).do, width)
            rows += [(alarm_meaning(alarm), alarm_text(alarm)), *(("figure", line) for line in lines)]
    rows += [("label", line) for text in _compared(scene) for line in wrapped(text, width)]
    rows += [("figure", line) for line in wrapped(_said(picked), width)]
    rows = rows[: max(1, canvas.height // 3)]
    for y, (kind, text) in enumerate(rows, start=canvas.height - 1 - len(rows)):
        if kind in ("figure", "label"):
            canvas.put(1, y, text, canvas.palette.label if kind == "label" else None)
        else:
            canvas.badge(1, y, kind, text)  # type: ignore[arg-type]
    return len(rows)


def _compared(scene: Scene) -> list[str]:
    """Return what the comparison with the load counted says: the highest resistance, the charge that a cell lacks."""
    value = scene.snapshot.fresh
    said = []
    ratio, number = (value(f"cell_resistance_ratio{end}", scene.now) for end in ("", "_number"))
    if ratio is not None and number is not None:
        said.append(f"highest resistance: cell {number:.0f}, {ratio:.2g} times the middle cell, links included")
    lacks, number = (value(f"cell_charge_deficit{end}", scene.now) for end in ("", "_number"))
    if lacks is not None and number is not None and lacks > 0:
        said.append(f"charge behind: cell {number:.0f}, at least {lacks:.2g} % of the capacity")
    return said


def _said(cell: _Cell) -> str:
    if cell.volts is None or cell.distance is None:
        return f"cell {cell.number}: no fresh value"
    text = f"cell {cell.number}: {cell.volts:.3f} V, {_signed(cell.distance)} mV from the middle cell"
    return text if cell.span is None else f"{text}; last minute {' to '.join(map(_signed, cell.span))}"


def _signed(volts: float) -> str:
    """Return a distance in whole mV with its sign; 0 has none."""
    text = f"{1000 * volts:+.0f}"
    return "0" if text in ("+0", "-0") else text


def _draw_list(
    canvas: Canvas, cells: list[_Cell], picked: _Cell, view: tuple[int, int], end: int, odd: set[int]
) -> Drawn:
    """Draw the cells in as many columns as they need; ``view`` is the rows there are and how many are moved past."""
    room, scrolled = view
    width = canvas.width - 1
    fitting = max(1, (width + _GAP) // (_TEXT + _LEAST_BAR + _GAP))
    columns = min(fitting, -(-len(cells) // room))
    rows = -(-len(cells) // columns)
    each = min((width + _GAP) // columns - _GAP, _TEXT + _MOST_BAR)
    bar = each - _TEXT
    bar -= 1 - bar % 2  # an odd number has a middle
    drawn = Drawn(max(0, rows - room), room=room)
    first = min(scrolled, drawn.most)
    volts = [cell.volts for cell in cells if cell.volts is not None]
    for column in range(columns):
        x = 1 + column * (each + _GAP)
        _draw_scale(canvas, x, bar, end)
        for row, cell in enumerate(cells[column * rows : (column + 1) * rows]):
            drawn.order.append(cell.number)
            drawn.places[cell.number] = row, row
            y = _TOP + row - first
            if not first <= row < first + room:
                continue
            is_end = "▼" if volts and cell.volts == min(volts) else "▲" if volts and cell.volts == max(volts) else " "
            style = canvas.palette.inverse if cell is picked else None
            text = " --   " if cell.volts is None or cell.distance is None else f"{cell.volts:.3f}"
            apart = "" if cell.distance is None else _signed(cell.distance)
            canvas.put(x, y, f"{cell.number:>4}{is_end}{text:>6}{apart:>6}", style)
            canvas.runs(x + _TEXT, y, bar, _bar(canvas.palette, bar, _halves(cell, bar, end), cell.number in odd))
            drawn.targets.append(Target(x, y, each, choose=cell.number))
    return drawn


def _draw_scale(canvas: Canvas, x: int, bar: int, end: int) -> None:
    """Draw the names of a column and the marks of its scale; those without room are left out."""
    canvas.label(x, _TOP - 1, "cell     V    mV")
    taken: list[tuple[int, int]] = []
    for value in (0, -end, end, -end // 5, end // 5, -end // 25, end // 25):
        text = f"{value:+d}" if value else "0"
        place = min(max(_place(value, bar, end) // 2 - len(text) // 2, 0), bar - len(text))
        if all(place >= stop + 1 or place + len(text) + 1 <= start for start, stop in taken):
            taken.append((place, place + len(text)))
            canvas.label(x + _TEXT + place, _TOP - 1, text)


def _place(mv: float, bar: int, end: int) -> int:
    """Return where a distance is on a bar of so many cells, in half cells: the square root of it, 0 in the middle."""
    share = math.copysign(math.sqrt(min(abs(mv) / end, 1.0)), mv)
    return round(bar + share * (bar - 1))


def _halves(cell: _Cell, bar: int, end: int) -> tuple[tuple[int, int] | None, tuple[int, int] | None]:
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
) -> Runs:
    """Return the runs of a bar: pale for the minute, solid for now, the middle cell a line."""
    halves: list[Half] = ["track"] * (2 * bar)
    solid: Half = "warned" if is_odd else "trace"
    for part, colour in zip(parts, ("area", solid), strict=True):
        if part is not None:
            halves[part[0] : part[1] + 1] = [colour] * (part[1] + 1 - part[0])
    runs = []
    for place, (left, right) in enumerate(zip(halves[0::2], halves[1::2], strict=True)):
        if place == bar // 2:
            runs.append(("│", palette.pair("ink", left if left == right else "track")))
        elif palette.colours:
            runs.append((" " if left == right else "▌", palette.pair(left, right)))
        else:
            runs.append((_CHARACTERS[left if left != "track" else right], palette.figure))
    return tuple(runs)
