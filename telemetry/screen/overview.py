"""The whole drive in a few rows: marks and alarms, power with the window on it, and phases as words."""

from __future__ import annotations

from collections.abc import Sequence

from rich.style import Style

from telemetry.analysis.columns import Columns
from telemetry.pipeline.past import Stretch
from telemetry.screen.canvas import Canvas
from telemetry.screen.chart import chart_rows
from telemetry.screen.gauge import Runs
from telemetry.screen.happenings import SIGNS, Kind, Moment
from telemetry.screen.theme import Palette
from telemetry.screen.trace import TraceScale, bars, cell_of, height_of

_URGENT: tuple[Kind, ...] = ("trip", "warn", "mark")


def draw_signs(canvas: Canvas, moments: Sequence[Moment], x: int, y: int, each: int, columns: int) -> None:
    """Draw one sign for each column in which something happened, the most urgent of them."""
    signs: dict[int, Kind] = {}
    for kind in reversed(_URGENT):
        signs |= {moment.t // each: kind for moment in moments if moment.kind == kind}
    for column, kind in signs.items():
        if 0 <= column < columns:
            canvas.put(x + column, y, SIGNS[kind], sign_style(canvas.palette, kind))


def sign_style(palette: Palette, kind: Kind) -> Style:
    """Return the style of the sign of a kind of moment."""
    return palette.bold("beyond" if kind == "trip" else "warned" if kind == "warn" else "ink")


def overview_rows(
    palette: Palette, columns: Columns, rows: int, ends: tuple[float, float], window: tuple[int, int] | None
) -> list[Runs]:
    """Return the rows of the trace of the whole drive.

    Args:
        palette: gives the colours.
        columns: of all of the drive.
        rows: of cells.
        ends: lowest and highest value of the drive.
        window: first and last column of the window; None where it is the whole drive.

    """
    low, high = min(ends[0], 0.0), max(ends[1], 0.0)
    scale = TraceScale(low, high if high > low else low + 1.0)
    left, right = (-2, len(columns)) if window is None else window
    if palette.colours:
        tall = bars(columns.low, columns.high, rows, scale, palette.plain_blocks, columns.joined)
        base = height_of(0.0, rows, scale, palette.plain_blocks)
        made = [
            [cell_of(known, first - 8 * row, last - 8 * row, base - 8 * row) for known, first, last in tall]
            for row in range(rows - 1, -1, -1)
        ]
    else:
        drawn = chart_rows(columns.low, columns.high, rows, scale.bottom, scale.top)
        made = [[(text, ("trace", "page")) for text in row] for row in drawn]
    gaps = columns.gap.tolist()
    found = []
    for cells in made:
        runs: list[tuple[str, tuple[str, str]]] = []
        for column, (text, (front, back)) in enumerate(cells):
            ground = "track" if window is not None and left <= column <= right else "page"
            if window is not None and column in (left - 1, right + 1):
                text, front, back = "▐" if column < left else "▌", "ink", "page"
            elif gaps[column]:
                text, front, back = "░", "idle", "page"
            colours = (ground if front == "page" else front, ground if back == "page" else back)
            if runs and runs[-1][1] == colours:
                runs[-1] = (runs[-1][0] + text, colours)
            else:
                runs.append((text, colours))
        found.append(tuple((text, palette.pair(*colours)) for text, colours in runs))
    return found


def draw_phases(
    canvas: Canvas, phases: Sequence[Stretch], start: int, x: int, y: int, each: int, columns: int
) -> None:
    """Draw what the machine did as words on shades; a phase too short for its word has its shade."""
    marks = ["" for _ in range(columns)]
    for phase in phases:
        for column in range(max(0, (phase.start - start) // each), min(columns, (phase.end - start) // each + 1)):
            marks[column] = phase.word
    place = 0
    while place < columns:
        end = place
        while end < columns and marks[end] == marks[place]:
            end += 1
        word = marks[place]
        if word:
            sign = "" if canvas.palette.colours else "│"
            text = f"{sign or ' '}{word} "
            text = text if len(text) <= end - place else sign
            style = canvas.palette.pair("ink", "track" if word == "rest" else word)
            canvas.put(x + place, y, text.ljust(end - place), style)
        place = end
