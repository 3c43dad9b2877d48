"""The view from the seat: four large figures in places that never move, and below them what matters next."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.pipeline.snapshot import Level, Snapshot
from telemetry.screen.canvas import Canvas
from telemetry.screen.digits import figure_rows, figure_width, rows_of
from telemetry.screen.formats import Places, cell_text, value_text
from telemetry.screen.header import draw_header
from telemetry.screen.lower import draw_lower
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Meaning

GOOD_SIZE = (80, 24)
"""Columns and rows from which everything is drawn as meant."""
LEAST_SIZE = (60, 17)
"""Columns and rows below which figures are no longer drawn large."""
_SMALL_PACK_V = 10.0
_SCALES = (6, 5, 4, 3, 2)


@dataclass(frozen=True)
class Figure:
    """One of the four as it is drawn.

    Attributes:
        label: what it is, with its unit.
        text: the figure in its places; dashes where unknown.
        meaning: its badge; None where there is nothing to judge by.
        note: the words on the badge: margin, or how long nothing has come.
        number: small figure beside it (the number of the lowest cell), or empty.

    """

    label: str
    text: str
    places: Places
    meaning: Meaning | None
    note: str
    number: str = ""


@dataclass(frozen=True)
class Frame:
    """Where things stand at one size of the terminal."""

    scale: int
    column: int
    tops: tuple[int, int]
    lower: int

    @property
    def field(self) -> int:
        """Cells of one figure, and of its badge."""
        return self.column - 2


def frame_for(width: int, height: int) -> Frame | None:
    """Return the places at this size: the largest digits that leave room below; None if too small for large ones."""
    column = width // 2
    if width < LEAST_SIZE[0] or height < LEAST_SIZE[1]:
        return None
    for scale in _SCALES:
        block = rows_of(scale) + 2
        lower_rows = 6 if scale == 2 else 7 if scale == 3 else 12
        if figure_width("-000.0", scale) <= column - 3 and 2 * block + 4 + lower_rows <= height:
            return Frame(scale, column, (1, block + 2), 2 * block + 3)
    block = rows_of(2) + 2
    gap = 1 if height >= 2 * block + 5 else 0
    return Frame(2, column, (1, block + 1 + gap), 2 * block + 1 + 2 * gap)


def draw_seat(canvas: Canvas, scene: Scene) -> None:
    """Draw the whole view but for its last row."""
    frame = frame_for(canvas.width, canvas.height)
    draw_header(canvas, scene)
    figures = figures_of(scene)
    if frame is None:
        _draw_small(canvas, figures)
        return
    for place, figure in enumerate(figures):
        _draw_figure(canvas, frame, 1 + frame.column * (place % 2), frame.tops[place // 2], figure)
    draw_lower(canvas, scene, frame.lower, canvas.height - 1, 2 if frame.scale >= 4 else 1)
    if canvas.width < GOOD_SIZE[0] or canvas.height < GOOD_SIZE[1]:
        _draw_needs(canvas, canvas.height - 2)


def _draw_needs(canvas: Canvas, y: int) -> None:
    canvas.clear_row(y)
    canvas.label(1, y, f"window {canvas.width}x{canvas.height}: all of it needs {GOOD_SIZE[0]}x{GOOD_SIZE[1]}")


def _draw_small(canvas: Canvas, figures: list[Figure]) -> None:
    for y, figure in enumerate(figures, start=1):
        number = f" {figure.number}" if figure.number else ""
        figure_text = figure.text.replace("~", "-").rjust(len(figure.places.widest))
        x = canvas.put(0, y, f"{figure.label + number:<15}{figure_text} ")
        if figure.meaning is not None:
            canvas.badge(x, y, figure.meaning, figure.note)
    canvas.label(0, len(figures) + 1, f"window {canvas.width}x{canvas.height}: large figures need")
    canvas.label(0, len(figures) + 2, f"{LEAST_SIZE[0]}x{LEAST_SIZE[1]}, all of it {GOOD_SIZE[0]}x{GOOD_SIZE[1]}")


def _draw_figure(canvas: Canvas, frame: Frame, x: int, y: int, figure: Figure) -> None:
    places, text = figure.places, figure.text
    while figure_width(places.widest, frame.scale) > frame.field and places.decimals:
        places = places.narrower()
        text = _with_decimals(text, places.decimals)
    rows = figure_rows(text, frame.scale)
    right = x + frame.field
    canvas.label(x, y, figure.label)
    canvas.block(right - len(rows[0]), y + 1, rows)
    bottom = y + 1 + len(rows)
    if figure.number:
        _draw_number(canvas, frame, x, bottom, figure.number, figure_width(places.widest, frame.scale))
    if figure.meaning is not None:
        canvas.badge(x, bottom, figure.meaning, figure.note, frame.field)
    else:
        canvas.label(x + 1, bottom, figure.note)


def _draw_number(canvas: Canvas, frame: Frame, x: int, bottom: int, number: str, taken: int) -> None:
    """Draw the cell's number in the smallest large digits where there is room, else in the label's row."""
    size = figure_width("00", 2)
    if frame.field - taken >= size + 2:
        rows = figure_rows(number.rjust(2), 2)
        canvas.block(x, bottom - len(rows), rows, canvas.palette.label)
        canvas.label(x, bottom - len(rows) - 1, "number")
    else:
        y = bottom - rows_of(frame.scale) - 1
        canvas.filled(x + frame.field - 12, y, "normal", f" number {number} ", 12)


def _with_decimals(text: str, decimals: int) -> str:
    whole, _, fraction = text.partition(".")
    return f"{whole}.{fraction[:decimals]}" if decimals and fraction else whole


def figures_of(scene: Scene) -> list[Figure]:
    """Return the four: voltage, current, lowest cell, power, in reading order."""
    small = _is_small(scene.snapshot)
    return [_voltage(scene, small), _current(scene, small), _lowest_cell(scene), _power(scene, small)]


def _is_small(snapshot: Snapshot) -> bool:
    """Tell whether the pack is a cell or two, whose figures need other places."""
    bound = snapshot.limits.get("pack-voltage-high")
    voltage = snapshot.reading("pack_voltage")
    highest = bound.trip if bound is not None else voltage.value if voltage is not None else None
    return highest is not None and highest < _SMALL_PACK_V


def _voltage(scene: Scene, small: bool) -> Figure:
    places = Places(False, 1, 3) if small else Places(False, 3, 1)
    meaning, note = _against(scene, "pack-voltage-low", "to cut-off")
    if (high := _beyond(scene, "pack-voltage-high")) is not None:
        meaning, note = high
    return _figure(scene, "VOLTAGE  V", "pack_voltage", places, meaning, note)


def _current(scene: Scene, small: bool) -> Figure:
    places = Places(True, 2, 2) if small else Places(True, 3, 1)
    direction = scene.snapshot.direction(scene.now)
    limit = "charge-current" if direction == "charge" else "discharge-current"
    meaning, note = _against(scene, limit, "to limit")
    peak = _beyond(scene, "discharge-peak")
    if peak is not None:
        meaning, note = peak
    return _figure(
        scene, "CURRENT  A", "pack_current", places, meaning, f"{direction}  {note}" if direction else note
    )


def _power(scene: Scene, small: bool) -> Figure:
    places = Places(True, 3, 1, 1.0, "W") if small else Places(True, 2, 2, 1000.0, "kW")
    peak, at = scene.snapshot.peak_power, scene.snapshot.peak_power_at
    note = "" if peak is None or at is None else f"highest so far {value_text(peak, 'W')}"
    return _figure(scene, f"POWER  {places.unit}", "pack_power", places, None, note)


def _lowest_cell(scene: Scene) -> Figure:
    meaning, note = _against(scene, "cell-voltage-low", "to limit")
    if (high := _beyond(scene, "cell-voltage-high")) is not None:
        meaning, note = high
    number = scene.snapshot.fresh("cell_min_number", scene.now)
    figure = _figure(scene, "LOWEST CELL  V", "cell_min_voltage", Places(False, 1, 3), meaning, note)
    if number is None:
        return figure
    return Figure(figure.label, figure.text, figure.places, figure.meaning, figure.note, f"{number:.0f}")


def _figure(scene: Scene, label: str, signal: str, places: Places, meaning: Meaning | None, note: str) -> Figure:
    value = scene.snapshot.fresh(signal, scene.now)
    if value is not None:
        return Figure(label, places.text(value), places, meaning, note)
    reading = scene.snapshot.reading(signal)
    if reading is None:
        return Figure(label, places.text(None), places, None, "nothing received yet")
    return Figure(label, places.text(None), places, "caution", f"no value for {scene.age(reading)}")


_MEANINGS: dict[Level, Meaning] = {"normal": "normal", "caution": "caution", "danger": "danger"}


def _against(scene: Scene, limit: str, words: str) -> tuple[Meaning | None, str]:
    """Return the badge and the margin to ``limit``: ``7.0 V to cut-off 44.8 V``, or how far beyond."""
    level, margin = scene.snapshot.level(limit, scene.now), scene.snapshot.margin(limit, scene.now)
    if level is None or margin is None:
        return None, "no limit stated"
    amount = _amount(scene, limit, abs(margin))
    return _MEANINGS[level], f"{amount} {words}" if margin >= 0 else f"{amount} BEYOND {words.removeprefix('to ')}"


def _beyond(scene: Scene, limit: str) -> tuple[Meaning, str] | None:
    """Return badge and margin of a limit that is shown only while it matters."""
    level, margin = scene.snapshot.level(limit, scene.now), scene.snapshot.margin(limit, scene.now)
    if level is None or level == "normal" or margin is None:
        return None
    amount = _amount(scene, limit, abs(margin))
    what = {"discharge-peak": "peak limit"}.get(limit, "upper limit")
    return _MEANINGS[level], f"{amount} to {what}" if margin >= 0 else f"{amount} BEYOND {what}"


def _amount(scene: Scene, limit: str, margin: float) -> str:
    if limit.startswith("cell-"):
        return cell_text(margin)
    unit = "A" if "current" in limit or "peak" in limit else "V"
    return value_text(margin, unit, 2 if _is_small(scene.snapshot) else 1)
