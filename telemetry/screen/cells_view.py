"""The view of the cells: how far each is from the median cell, now and in the last minute, on one scale for all."""

from __future__ import annotations

from collections.abc import Iterable
from statistics import median

from telemetry.model.signals import cell_number
from telemetry.screen.canvas import Canvas
from telemetry.screen.cell_list import ENDS_MV, TOP, Cell, draw_list, signed
from telemetry.screen.formats import wrapped
from telemetry.screen.header import draw_header
from telemetry.screen.page import Drawn
from telemetry.screen.scene import Scene
from telemetry.screen.words import alarm_act, alarm_meaning, alarm_text


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
    room = max(1, canvas.height - 1 - TOP - below)
    end = scene.settled.cells_end(_farthest(cells), ENDS_MV)
    figures = scene.snapshot.cell_figures
    return draw_list(canvas, cells, picked, (room, scrolled), end, _odd(scene), figures)


def _cells(scene: Scene) -> list[Cell]:
    """Return the cells by number, measured against the median of those that are fresh."""
    readings = {n: r for name, r in scene.snapshot.readings.items() if (n := cell_number(name)) is not None}
    fresh = {number: each.value for number, each in readings.items() if not each.is_stale(scene.now)}
    middle = median(fresh.values()) if fresh else 0.0
    spans = scene.snapshot.cells.spans(scene.now)
    return [Cell(n, fresh.get(n), fresh[n] - middle if n in fresh else None, spans.get(n)) for n in sorted(readings)]


def _none(scene: Scene) -> str:
    if scene.snapshot.reading("cell_min_voltage") is not None:
        return (
            "The pack sends its lowest and its highest cell only, so single cells are not known. Where its BMS can"
            " send all, docs/getting-signals.md says how to get them."
        )
    return "The pack sends no cell voltages. docs/getting-signals.md says how to get them from its BMS."


def _farthest(cells: Iterable[Cell]) -> float:
    """Return the greatest distance of now and of the last minute, mV."""
    found = [abs(cell.distance) for cell in cells if cell.distance is not None]
    found += [max(map(abs, cell.span)) for cell in cells if cell.span is not None]
    return 1000 * max(found, default=0.0)


def _odd(scene: Scene) -> set[tuple[int, str]]:
    """Return cell and limit of each alarm that is about a cell."""
    changes = (alarm.change for alarm in scene.snapshot.alarms.values())
    return {(change.cell, change.limit) for change in changes if change.cell is not None}


def _draw_top(canvas: Canvas, scene: Scene, known: list[Cell]) -> None:
    """Draw the middle cell, the lowest and the highest; below it the spreads, under this load and at rest."""
    if not known:
        readings = (r for name, r in scene.snapshot.readings.items() if cell_number(name) is not None)
        canvas.label(1, 1, f"no cell has sent a value for {scene.age(max(readings, key=lambda each: each.t))}")
        return
    volts = [cell.volts or 0.0 for cell in known]
    low, high = (known[volts.index(each)].number for each in (min(volts), max(volts)))
    x = canvas.put(1, 1, f"middle cell {median(volts):.3f} V", canvas.palette.strong)
    ends = f"▼ lowest {low}  {min(volts):.3f}", f"▲ highest {high}  {max(volts):.3f}"
    blanks = min(3, max(1, (canvas.width - x - sum(map(len, ends))) // len(ends)))
    canvas.put(x, 1, "".join(f"{' ' * blanks}{end}" for end in ends))
    text = f"spread {1000 * (max(volts) - min(volts)):.0f} mV"
    current = scene.snapshot.fresh("pack_current", scene.now)
    if current is not None:
        text += f" at {abs(current):.0f} A {'in' if current < 0 else 'out'}"
    rest = scene.snapshot.reading("cell_spread_rest")
    canvas.label(1, 2, text if rest is None else f"{text}, {1000 * rest.value:.0f} mV at rest")


def _findings(canvas: Canvas, scene: Scene, picked: Cell) -> int:
    """Draw above the last row what alarms and comparison say, then the chosen cell; return how many rows."""
    width = canvas.width - 2
    rows: list[tuple[str, str]] = []
    for alarm in scene.snapshot.alarms.in_order():
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


def _said(cell: Cell) -> str:
    if cell.volts is None or cell.distance is None:
        return f"cell {cell.number}: no fresh value"
    text = f"cell {cell.number}: {cell.volts:.3f} V, {signed(cell.distance)} mV from the middle cell"
    return text if cell.span is None else f"{text}; last minute {' to '.join(map(signed, cell.span))}"
