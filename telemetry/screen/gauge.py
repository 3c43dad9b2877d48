"""A gauge: a bar that grows towards the wall, an upright line at which every gauge of the view has its limit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from rich.style import Style

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.theme import SHAPES, Meaning, Palette

Bar = Literal["out", "into", "warned", "beyond", "idle"]
"""Colour of a bar: out of the pack, into it, past the warning, past the limit, nothing can flow."""
Runs = tuple[tuple[str, Style], ...]
# Without colours, what each part is drawn with.
_CHARACTERS = {
    "track": "░",
    "zone": "▒",
    "past": "░",
    "tip": "▌",
    "tick": "│",
    "out": "█",
    "into": "▓",
    "warned": "█",
    "beyond": "█",
    "idle": "▓",
}


@dataclass(slots=True)
class Gauge:
    """What one gauge says.

    Attributes:
        name: what is measured; ``short`` where the row is a badge or has little room.
        said: how far it is from its limit, or how old it is.
        meaning: of the badge that the label row becomes; ``old`` for a grey one, None for plain text.
        fill: where the value is between the left end (0) and the limit (1), beyond it above 1; None where unknown.
        worst: the same of the worst in the last minute.
        warn: the same of the warning; None where there is none.
        bar: its colour.
        left, middle, right: words below the bar: left end, what else, and the limit.

    """

    name: str
    short: str
    said: str
    meaning: Meaning | Literal["old"] | None = None
    fill: float | None = None
    worst: float | None = None
    warn: float | None = None
    bar: Bar = "out"
    left: str = ""
    middle: str = ""
    right: str = ""


def draw_gauge(canvas: Canvas, gauge: Gauge, x: int, y: int, wall: int, past: int, bars: int) -> None:
    """Draw label row, ``bars`` rows of bar and the row below them, from column ``x`` to the wall and past it."""
    cells = wall - x
    _draw_label(canvas, gauge, x, y, cells)
    runs = _bar(canvas.palette, gauge, cells, past)
    size = cells + 1 + (0 if gauge.fill is None else past)
    for row in range(y + 1, y + 1 + bars):
        canvas.runs(x, row, size, runs)
    words = [text for text in (gauge.left, gauge.middle) if text]
    choices = ("   ".join(words), gauge.middle, gauge.left)
    canvas.label(x, y + 1 + bars, next((said for said in choices if len(said) + len(gauge.right) + 2 <= cells), ""))
    canvas.label(wall - 1 - len(gauge.right), y + 1 + bars, gauge.right)


def _draw_label(canvas: Canvas, gauge: Gauge, x: int, y: int, cells: int) -> None:
    if gauge.meaning is None:
        name = gauge.name if len(gauge.name) + len(gauge.said) + 2 <= cells else gauge.short
        canvas.put(x, y, name, canvas.palette.strong)
        canvas.put(x + cells - 1 - len(gauge.said), y, gauge.said)
        return
    shape = "" if gauge.meaning == "old" else f"{SHAPES[gauge.meaning]} "
    name, room = f"{shape}{gauge.short}", cells - 3
    if len(name) + len(gauge.said) + 1 < room:
        name = f" {name}"
    spare = room - len(name)
    text = name + gauge.said.rjust(spare) if len(gauge.said) < spare else f"{shape}{gauge.said}"
    if gauge.meaning == "old":
        canvas.put(x, y, fitted(text, cells), canvas.palette.pair("label", "track"))
    else:
        canvas.filled(x, y, gauge.meaning, text, cells)


def _bar(palette: Palette, gauge: Gauge, cells: int, past: int) -> Runs:
    if gauge.fill is None:
        return _dotted(palette, cells)
    worst = None if gauge.worst is None else _halves(gauge.worst, cells, past)
    warn = 2 * cells if gauge.warn is None else min(_halves(gauge.warn, cells, past), 2 * cells)
    return _bar_runs(palette, cells, past, (_halves(gauge.fill, cells, past), worst, warn), gauge.bar)


def _halves(share: float, cells: int, past: int) -> int:
    """Return a place in half cells, those of the wall not counted; what is past the limit is past the wall."""
    if share <= 1.0:
        return max(0, round(share * 2 * cells))
    return 2 * cells + min(max(1, round((share - 1.0) * 2 * cells)), 2 * past)


@lru_cache(maxsize=64)
def _dotted(palette: Palette, cells: int) -> Runs:
    return ((("· " * cells)[:cells], palette.label), _wall(palette))


def _wall(palette: Palette) -> tuple[str, Style]:
    return ("█", palette.figure)


@lru_cache(maxsize=256)
def _bar_runs(palette: Palette, cells: int, past: int, places: tuple[int, int | None, int], bar: Bar) -> Runs:
    """Return the runs of a bar row; kept, for three rows have the same, and most paints too."""
    filled, worst, warn = places
    halves = ["track"] * warn + ["zone"] * (2 * cells - warn) + ["past"] * (2 * past)
    halves[:filled] = [bar] * filled
    if worst is not None and worst > filled:  # within the bar it would be a hole where there are no colours
        halves[max(worst - 1, 0)] = "tick"
    halves[max(filled - 1, 0)] = "tip"
    inside, beyond = halves[: 2 * cells], halves[2 * cells :]
    return (*_joined(palette, inside, bar), _wall(palette), *_joined(palette, beyond, bar))


def _joined(palette: Palette, halves: list[str], bar: Bar) -> Iterable[tuple[str, Style]]:
    """Yield runs of cells, two halves each."""
    colour = {"tip": "ink", "tick": bar}
    runs: list[tuple[str, Style]] = []
    for left, right in zip(halves[0::2], halves[1::2], strict=True):
        if palette.colours:
            one, other = colour.get(left, left), colour.get(right, right)
            cell = (" " if one == other else "▌", palette.pair(one, other))
        else:
            thin = next((half for half in (left, right) if half in colour), left)
            cell = (_CHARACTERS[thin], palette.figure)
        if runs and runs[-1][1] is cell[1]:
            runs[-1] = (runs[-1][0] + cell[0], cell[1])
        else:
            runs.append(cell)
    return runs
