"""The view from the seat: four large figures in places that never move, and below them what matters next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.canvas import Canvas
from telemetry.screen.digits import figure_rows, figure_width, rows_of
from telemetry.screen.formats import Places, value_text, wrapped
from telemetry.screen.header import draw_header
from telemetry.screen.lower import draw_lower
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Meaning
from telemetry.screen.words import headline

GOOD_SIZE = (80, 24)
"""Columns and rows from which everything is drawn as meant."""
LEAST_SIZE = (60, 17)
"""Columns and rows below which figures are no longer drawn large."""
_SMALL_PACK_V = 10.0
_SCALES = (6, 5, 4, 3, 2)
_SMALL_TEXT_ROWS = 30
"""With more rows than this a laptop's plain text is too small to read from a metre; margins are drawn large then."""
_LEAST_ALARM = 5
"""Rows of a word, of what and where, and of an act."""
_MARGIN_CELLS = 25
"""Cells of a large margin: two digits, point and a third, and a blank at each side."""


@dataclass(frozen=True)
class Judged:
    """How a figure stands to its limit: badge, words on it, the margin as a large figure, and its widest."""

    meaning: Meaning | None
    note: str
    margin: str = ""
    margin_widest: str = ""


@dataclass(frozen=True)
class Figure:
    """One of the four as it is drawn.

    Attributes:
        label: what it is, with its unit.
        text: the figure in its places; dashes where unknown.
        places: those places.
        judged: its badge, or how long nothing has come.
        number: the number of the lowest cell; empty for the others.

    """

    label: str
    text: str
    places: Places
    judged: Judged
    number: str = ""


@dataclass(frozen=True)
class Frame:
    """Where things stand at one size of the terminal."""

    scale: int
    column: int
    tops: tuple[int, int]
    lower: int
    large_margins: bool

    @property
    def field(self) -> int:
        """Cells of one figure, and of its badge."""
        return self.column - 2


@lru_cache(maxsize=16)
def frame_for(width: int, height: int) -> Frame | None:
    """Return the places at this size: the largest digits that leave room below; None if too small for large ones."""
    column = width // 2
    if width < LEAST_SIZE[0] or height < LEAST_SIZE[1]:
        return None
    for large_margins in (True, False) if height > _SMALL_TEXT_ROWS else (False,):
        for scale in _SCALES:
            block = rows_of(scale) + 2
            lower_rows = 6 if height <= _SMALL_TEXT_ROWS else 12
            needed = figure_width("-000.0", scale) + (figure_width("000") + 3 if large_margins else 1)
            if needed <= column - 2 and 2 * block + 4 + lower_rows <= height:
                return Frame(scale, column, (1, block + 2), 2 * block + 3, large_margins)
    block = rows_of(2) + 2
    gap = 1 if height >= 2 * block + 5 else 0
    return Frame(2, column, (1, block + 1 + gap), 2 * block + 1 + 2 * gap, False)


def draw_seat(canvas: Canvas, scene: Scene) -> None:
    """Draw the whole view but for its last row."""
    frame = frame_for(canvas.width, canvas.height)
    draw_header(canvas, scene)
    figures = figures_of(scene)
    if frame is None:
        _draw_small(canvas, scene, figures)
        return
    small = canvas.width < GOOD_SIZE[0] or canvas.height < GOOD_SIZE[1]
    lower, bottom = frame.lower, canvas.height - 1 - small
    if scene.snapshot.standing() and bottom - lower < _LEAST_ALARM:
        lower, figures = frame.tops[1], figures[:2]  # what to do goes before the lower two, whose place it takes
    for place, figure in enumerate(figures):
        _draw_figure(canvas, frame, 1 + frame.column * (place % 2), frame.tops[place // 2], figure)
    draw_lower(canvas, scene, lower, bottom)
    if small:
        _draw_needs(canvas, canvas.height - 2)


def _draw_needs(canvas: Canvas, y: int) -> None:
    canvas.clear_row(y)
    canvas.label(1, y, f"window {canvas.width}x{canvas.height}: all of it needs {GOOD_SIZE[0]}x{GOOD_SIZE[1]}")


def _draw_small(canvas: Canvas, scene: Scene, figures: list[Figure]) -> None:
    """Draw the figures as plain text, their badges below them where there are rows enough."""
    each = 2 if canvas.height >= 2 * len(figures) + 3 else 1
    for place, figure in enumerate(figures):
        y = 1 + each * place
        number = f" {figure.number}" if figure.number else ""
        shown = figure.text.replace("~", "-").rjust(7)
        x = canvas.put(1, y, f"{figure.label + number:<18} {shown}")
        if figure.judged.meaning is not None and (each == 2 or canvas.width >= LEAST_SIZE[0]):
            at = (1, y + 1) if each == 2 else (x + 1, y)
            canvas.badge(*at, figure.judged.meaning, figure.judged.note)
    y = 1 + each * len(figures)
    wrong = headline(scene.snapshot, scene.now)
    if wrong is not None:
        canvas.badge(0, y, wrong.meaning, wrong.word, canvas.width)
        for line in (line for text in reversed(wrong.texts) for line in wrapped(text, canvas.width - 2)):
            y += 1
            canvas.put(1, y, line)
        y += 1
    if y < canvas.height - 1:
        canvas.label(1, y, f"{canvas.width}x{canvas.height} is small: {LEAST_SIZE[0]}x{LEAST_SIZE[1]} needed")


def _draw_figure(canvas: Canvas, frame: Frame, x: int, y: int, figure: Figure) -> None:
    places, text, judged = figure.places, figure.text, figure.judged
    while figure_width(places.widest, frame.scale) > frame.field and places.decimals:
        places = places.narrower()
        text = _with_decimals(text, places.decimals)
    rows = figure_rows(text, frame.scale)
    bottom = y + 1 + len(rows)
    canvas.block(x + frame.field - len(rows[0]), y + 1, rows)
    free = x
    if frame.large_margins and judged.meaning is not None and judged.margin:
        _draw_margin(canvas, judged.meaning, judged, x, bottom)
        free += _MARGIN_CELLS + 1
    label_at = x if rows_of(frame.scale) > rows_of(2) else free
    canvas.label(label_at, y, figure.label)
    if figure.number:
        room = x + frame.field - figure_width(places.widest, frame.scale) - 2 - free
        _draw_number(canvas, figure, (label_at, y), free, frame.scale - 1, room)
    if judged.meaning is not None:
        canvas.badge(x, bottom, judged.meaning, judged.note, frame.field)
    else:
        canvas.label(x + 1, bottom, judged.note)


def _draw_margin(canvas: Canvas, meaning: Meaning, judged: Judged, x: int, bottom: int) -> None:
    """Draw the margin large on its badge's filling: no one shall take it for the figure itself."""
    drawn = figure_rows(judged.margin)
    width = figure_width(judged.margin_widest)
    rows = [f" {text} " for text in ("margin".ljust(width), *(line.rjust(width) for line in drawn))]
    canvas.block(x, bottom - len(drawn) - 1, rows, canvas.palette.badges[meaning].fill)


def _draw_number(canvas: Canvas, figure: Figure, corner: tuple[int, int], x: int, scale: int, room: int) -> None:
    """Draw the cell's number raised and smaller, so that it is no digit of the voltage beside it."""
    width = figure_width("00", scale)
    if room >= width:
        before = "no. " if room >= width + 5 else ""
        canvas.label(x, corner[1] + 1 + rows_of(scale) // 2, before)
        canvas.block(x + len(before), corner[1] + 1, figure_rows(figure.number, scale))
    else:
        canvas.put(corner[0] + len(figure.label) + 3, corner[1], f" number {figure.number} ", canvas.palette.inverse)


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
    judged = _beyond(scene, "pack-voltage-high") or _against(
        scene, "pack-voltage-low", ("to cut-off", "BELOW cut-off")
    )
    if scene.snapshot.no_discharge:
        judged = _without_discharge(scene)
    return _figure(scene, "VOLTAGE  V", "pack_voltage", places, judged)


def _current(scene: Scene, small: bool) -> Figure:
    places = Places(True, 2, 2) if small else Places(True, 3, 1)
    direction = scene.snapshot.direction(scene.now)
    limit = "charge-current" if direction == "charge" else "discharge-current"
    judged = _beyond(scene, "discharge-peak") or _against(scene, limit, ("left", "OVER limit"))
    if scene.snapshot.no_discharge and direction != "charge":
        judged = _without_discharge(scene)
    elif direction is not None:
        judged = replace(judged, note=f"{direction}, {judged.note}")
    return _figure(scene, "CURRENT  A", "pack_current", places, judged)


def _without_discharge(scene: Scene) -> Judged:
    """Return the badge of a pack that can give nothing: no headroom, for there is none to use."""
    meaning: Meaning = "danger" if scene.snapshot.no_discharge_alarmed else "caution"
    return Judged(meaning, scene.snapshot.no_discharge)


def _power(scene: Scene, small: bool) -> Figure:
    places = Places(True, 3, 1, 1.0, "W") if small else Places(True, 2, 2, 1000.0, "kW")
    peak = scene.snapshot.peak_power
    note = "" if peak is None else f"highest so far {value_text(peak, 'W')}"
    return _figure(scene, f"POWER  {places.unit}", "pack_power", places, Judged(None, note))


def _lowest_cell(scene: Scene) -> Figure:
    judged = _beyond(scene, "cell-voltage-high") or _against(scene, "cell-voltage-low", ("to limit", "BELOW limit"))
    number = scene.snapshot.fresh("cell_min_number", scene.now)
    figure = _figure(scene, "LOWEST CELL  V", "cell_min_voltage", Places(False, 1, 2), judged)
    return figure if number is None else replace(figure, number=f"{number:.0f}")


def _figure(scene: Scene, label: str, signal: str, places: Places, judged: Judged) -> Figure:
    value = scene.snapshot.fresh(signal, scene.now)
    if value is not None:
        return Figure(label, places.text(value), places, judged)
    reading = scene.snapshot.reading(signal)
    if reading is None:
        return Figure(label, places.text(None), places, Judged(None, "nothing received yet"))
    return Figure(label, places.text(None), places, Judged("caution", f"no value for {scene.age(reading)}"))


def _against(scene: Scene, limit: str, words: tuple[str, str]) -> Judged:
    """Return badge and margin to ``limit``: ``7.0 V to cut-off``; the second of ``words`` where it is passed."""
    level, margin = scene.snapshot.level(limit, scene.now), scene.snapshot.margin(limit, scene.now)
    if level is None or margin is None:
        return Judged(None, "no limit stated")
    places, unit = _margin_places(limit, _is_small(scene.snapshot))
    text = places.text(abs(margin))
    amount = f"{abs(margin):.3f}" if limit.startswith("cell-") else text
    if level == "normal" and scene.snapshot.no_discharge:
        return Judged(None, f"{amount} {unit} {words[margin < 0]}")  # inside its limit, and yet nothing is well
    return Judged(level, f"{amount} {unit} {words[margin < 0]}", text, places.widest)


def _beyond(scene: Scene, limit: str) -> Judged | None:
    """Return the same for a limit that is shown only while it matters."""
    if scene.snapshot.level(limit, scene.now) in (None, "normal"):
        return None
    words = ("to peak", "OVER peak") if limit == "discharge-peak" else ("to upper limit", "ABOVE limit")
    return _against(scene, limit, words)


def _margin_places(limit: str, small: bool) -> tuple[Places, str]:
    """Return the places of a margin, none wider than two digits, a point and a third, and its unit."""
    if limit.startswith("cell-"):
        return Places(False, 1, 2), "V"
    if limit.startswith("pack-voltage"):
        return Places(False, 1, 2) if small else Places(False, 2, 1), "V"
    return Places(False, 2, 1) if small else Places(False, 3, 0), "A"
