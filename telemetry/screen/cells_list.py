"""The view of the cells: every cell with its voltage and how it lies between the others."""

from __future__ import annotations

from telemetry.model.signals import cell_number
from telemetry.screen.canvas import Canvas
from telemetry.screen.header import draw_header
from telemetry.screen.scene import Scene

_CELL_WIDTH = 26
_LEAST_RANGE_V = 0.05


def draw_cells(canvas: Canvas, scene: Scene) -> int:
    """Draw the view but for its last row; return how many rows it may be moved down by."""
    draw_header(canvas, scene)
    rows = _cell_rows(scene, canvas.width - 2)
    room = canvas.height - 2
    most = max(0, len(rows) - room)
    first = min(scene.scrolled, most)
    for y, (text, is_label) in enumerate(rows[first : first + room], start=1):
        canvas.put(1, y, text, canvas.palette.label if is_label else canvas.palette.figure)
    return most


def _cell_rows(scene: Scene, width: int) -> list[tuple[str, bool]]:
    cells = sorted(
        (number, reading)
        for name, reading in scene.snapshot.readings.items()
        if (number := cell_number(name)) is not None
    )
    if not cells:
        return [("no cell voltages received", True)]
    known = [r.value for _, r in cells if not r.is_stale(scene.now)]
    if not known:
        return [(f"cells: no value for {scene.age(cells[0][1])}", True)]
    lowest, highest = min(known), max(known)
    bottom = lowest - max(_LEAST_RANGE_V, highest - lowest) / 4
    top = max(highest, bottom + _LEAST_RANGE_V)
    heading = f"cells: bars from {bottom:.3f} to {top:.3f} V; ▼ lowest {lowest:.3f}, ▲ highest {highest:.3f}"
    columns = max(1, width // _CELL_WIDTH)
    bar = width // columns - 14
    texts = []
    for number, reading in cells:
        stale = reading.is_stale(scene.now)
        volts = "   --" if stale else f"{reading.value:.3f}"
        mark = " " if stale else "▼" if reading.value == lowest else "▲" if reading.value == highest else " "
        drawn = "" if stale else _bar((reading.value - bottom) / (top - bottom), bar)
        texts.append(f"{number:>3} {volts} {mark} {drawn:<{bar}}  ")
    return [(heading, True), *[(row, False) for row in _in_columns(texts, columns)], ("", True)]


def _bar(share: float, width: int) -> str:
    halves = round(max(0.0, min(1.0, share)) * 2 * width)
    return "█" * (halves // 2) + "▌" * (halves % 2)


def _in_columns(texts: list[str], columns: int) -> list[str]:
    """Lay texts out downwards, column by column."""
    rows = -(-len(texts) // columns)
    return ["".join(texts[row::rows]) for row in range(rows)]
