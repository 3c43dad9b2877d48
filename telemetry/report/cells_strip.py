"""The internal resistance of each cell beside the middle one's, for the terminal: a bar a cell, and the extremes."""

from __future__ import annotations

from statistics import median

from telemetry.report.session_model import Report

_LEFT, _COLUMNS = 8, 72
_WIDEST = 3
_EIGHTHS = "▁▂▃▄▅▆▇█"
_LEAST_TOP = 1.5
"""The scale ends here at least, times the middle cell: where the warning is."""


def cells_lines(report: Report) -> list[str]:
    """Return the bars as lines of at most 80 characters; none where fewer than two cells are known."""
    cells = sorted(report.resistance.cells, key=lambda cell: cell.cell)
    if len(cells) < 2:  # noqa: PLR2004 - one has nothing to be compared with
        return []
    middle = median(cell.mohm for cell in cells)
    times = [(cell.cell, cell.ratio) for cell in cells]
    top = max(_LEAST_TOP, *(each for _, each in times))
    lines = [f"internal resistance; the middle one has {middle:.2f} mΩ; the bars end at {top:.1f}×"]
    width = max(1, min(_WIDEST, _COLUMNS // len(times)))
    for begin in range(0, len(times), _COLUMNS // width):
        part = times[begin : begin + _COLUMNS // width]
        bars = [_EIGHTHS[max(0, min(7, round(8 * each / top) - 1))] for _, each in part]
        lines.append(f"{f'cell {part[0][0]}':<{_LEFT}}{(' ' * (width - 1)).join(bars)}")
    (number, most), *others = sorted(times, key=lambda each: -each[1])
    low, high = min(each for _, each in others), max(each for _, each in others)
    return [*lines, f"cell {number} has {most:.2f}× the middle one's, the others {low:.2f}× to {high:.2f}×"]
