"""The drive view: three figures with their gauges up to one wall, four figures at the right, the band below."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from telemetry.alarms.standing import StandingAlarm
from telemetry.model.batch import MICROSECONDS
from telemetry.model.signals import cell_number
from telemetry.model.time_text import length
from telemetry.pipeline.strip import Strip
from telemetry.screen.band import band_lines, draw_band
from telemetry.screen.canvas import Canvas
from telemetry.screen.chart import scale_for
from telemetry.screen.digits import figure_width
from telemetry.screen.formats import wrapped
from telemetry.screen.frame import LEAST_SIZE, Frame, frame_for
from telemetry.screen.gauge import Runs
from telemetry.screen.header import draw_header
from telemetry.screen.lanes import Lane, lanes_of, nearest
from telemetry.screen.parts import LARGE_WIDTH, Slot, draw_lane, draw_slot, draw_top, draw_wall
from telemetry.screen.scene import Scene
from telemetry.screen.settled import is_phase_known
from telemetry.screen.slots import pack_temperatures, slots_of
from telemetry.screen.theme import Meaning, Palette
from telemetry.screen.trace import TraceScale, trace_rows
from telemetry.screen.words import alarm_act, alarm_meaning, alarm_text, quiet_count

_BADGE = 7
"""Cells that a badge takes beside its words, with the blank after it."""
_TRACE_S = 120
_CHARGE_COLUMNS_S = (60, 30, 20, 15, 10)
_STRIP_S = 3600
_SCALE_CELLS = 5
_AXIS_ROWS = 7
"""From so many rows of band on the trace has an axis."""
_LEAST_POWER_KW = 0.4


def draw_drive(canvas: Canvas, scene: Scene) -> None:
    """Draw the whole view but for its last row."""
    frame = frame_for(canvas.width, canvas.height)
    lanes, slots = lanes_of(scene), slots_of(scene)
    end = draw_header(canvas, scene, None if frame is None or frame.scale == 1 else frame.right)
    if frame is None:
        _draw_lines(canvas, scene, lanes, slots)
        return
    meaning = None if scene.headline is None else scene.headline.meaning
    style = canvas.palette.inverse if meaning in (None, "act") else canvas.palette.badges[meaning].fill
    draw_top(canvas, frame, end, phase_text(scene), style)
    for lane, y in zip(lanes, frame.lanes, strict=True):
        _draw_lane(canvas, scene, frame, lane, y)
    draw_wall(canvas, frame)
    for slot, y in zip(slots, frame.slots, strict=True):
        draw_slot(canvas, frame, slot, y)
    if scene.headline is not None:
        place = (1, frame.band_y, frame.band_width)
        draw_band(canvas, scene.headline, place, frame.band_rows, scene.flash)
    else:
        _draw_calm(canvas, scene, frame, lanes)


def phase_text(scene: Scene) -> str:
    """Return the words of the phase box."""
    if scene.phase == "CHARGING":
        return scene.phase
    phase = scene.phase if is_phase_known(scene.snapshot, scene.now) else "NOT KNOWN"
    return {"discharge off": "BMS TRIP", "power lost": "POWER LOST"}.get(scene.snapshot.no_discharge, phase)


def _draw_lane(canvas: Canvas, scene: Scene, frame: Frame, lane: Lane, y: int) -> None:
    places, text = lane.places, lane.digits
    while figure_width(places.widest, frame.scale) > frame.digits and places.decimals:
        places = places.narrower()
        text = with_decimals(text, places.decimals)
    draw_lane(canvas, frame, y, text, lane.gauge)
    if frame.trace_rows:
        columns = frame.wall - frame.gauge
        each = max(1, round(_TRACE_S / columns))
        rows_at = y + 2 + frame.bars
        scale, factor = lane.trace, -1.0 if lane.flipped else 1.0
        drawn = _trace(canvas.palette, scene, lane.signal, (columns, frame.trace_rows), each, scale, factor)
        for row, runs in enumerate(drawn):
            canvas.runs(frame.gauge, rows_at + row, columns, runs)


def with_decimals(text: str, decimals: int) -> str:
    """Return a figure's text with at most so many decimals."""
    whole, _, fraction = text.partition(".")
    return f"{whole}.{fraction[:decimals]}" if decimals and fraction else whole


def _trace(
    palette: Palette,
    scene: Scene,
    signal: str,
    shape: tuple[int, int],
    each: int,
    scale: TraceScale,
    factor: float,
) -> list[Runs]:
    """Return the rows of a trace of ``shape`` (columns, rows) with ``each`` seconds a column, times ``factor``.

    Only complete columns are drawn, so that a trace changes once a column; all of them once the run has ended.
    """
    strip, reading = scene.snapshot.strips[signal], scene.snapshot.reading(signal)
    interval = round(reading.interval, -5) if reading is not None else 0.0
    column = each * MICROSECONDS
    until = scene.now if scene.ended is not None else scene.now // column * column - 1
    return _kept_trace(palette, strip, until, each, interval, shape, scale, factor)


@lru_cache(maxsize=16)
def _kept_trace(
    palette: Palette,
    strip: Strip,
    now: int,
    each: int,
    interval: float,
    shape: tuple[int, int],
    scale: TraceScale,
    factor: float,
) -> list[Runs]:
    """Return the rows of a trace; kept until it has one column more."""
    columns, rows = shape
    low, high = strip.columns(now, columns, each, interval)
    low, high = (factor * high, factor * low) if factor < 0 else (factor * low, factor * high)
    return trace_rows(palette, low, high, rows, scale)


def _draw_calm(canvas: Canvas, scene: Scene, frame: Frame, lanes: tuple[Lane, ...]) -> None:
    """Draw the trace of the power and the status below it; the status takes what it needs."""
    status = status_of(scene, lanes, scene.sound_note if canvas.width < LARGE_WIDTH else "")
    if frame.scale == 1 and status.said.startswith("nearest"):
        status = replace(status, said=f"{phase_text(scene)}, {status.said}")
    width, last = frame.band_width, frame.band_y + frame.band_rows - 1
    taken = draw_status(canvas, status, (1, last, width - (frame.scale == 1)))
    axis = frame.band_rows >= _AXIS_ROWS
    rows = frame.band_rows - taken - axis
    if rows >= 2 and frame.scale > 1:
        _draw_power(canvas, scene, frame, rows, axis)


def _draw_power(canvas: Canvas, scene: Scene, frame: Frame, rows: int, axis: bool) -> None:
    charging = scene.phase == "CHARGING"
    columns = frame.band_width - _SCALE_CELLS
    each = max(1, round(_TRACE_S / columns))
    if charging:
        each = next(s for s in _CHARGE_COLUMNS_S if s * columns <= _STRIP_S or s == _CHARGE_COLUMNS_S[-1])
    factor = -0.001 if charging else 0.001
    ends = sorted(factor * end for end in scene.snapshot.extremes.get("pack_power", (0.0, 0.0)))
    bottom, top = _power_scale(ends[0], ends[1])
    scale = TraceScale(bottom, top, base=0.0)
    drawn = _trace(canvas.palette, scene, "pack_power", (columns, rows), each, scale, factor)
    x, y = 1 + _SCALE_CELLS, frame.band_y
    for row, runs in enumerate(drawn):
        canvas.runs(x, y + row, columns, runs)
    for row, text in ((0, f"{top:g}"), (rows // 2, "kW"), (rows - 1, f"{bottom:g}")):
        if text != "kW" or rows >= 3:
            canvas.label(x - 1 - len(text), y + row, text)
    if axis:
        power = "power in" if charging else "power"
        middle = f"{power}, {'1 min' if each == 60 else f'{each} s'} a column"
        canvas.label(x, y + rows, f"{length(columns * each)} ago")
        canvas.label(x + (columns - len(middle)) // 2, y + rows, middle)
        canvas.label(x + columns - 3, y + rows, "now")


@lru_cache(maxsize=16)
def _power_scale(low: float, high: float) -> tuple[float, float]:
    return scale_for(np.array([low]), np.array([high]), _LEAST_POWER_KW, with_zero=True)


def _draw_lines(canvas: Canvas, scene: Scene, lanes: tuple[Lane, ...], slots: tuple[Slot, ...]) -> None:
    """Draw the seven figures as plain text, what to do before them."""
    y, width = 1, canvas.width
    if scene.headline is not None:
        lines = band_lines(scene.headline, max(width - 2, 1), 1)
        draw_band(canvas, scene.headline, (0, y, width), len(lines), scene.flash)
        y += len(lines)
    for lane in lanes:
        unit = "V" if lane.signal.endswith("voltage") else "A"
        text = f"{lane.gauge.short} {lane.digits.replace('~', '-')} {unit}"
        canvas.put(1, y, f"{text:<19} {lane.gauge.said}")
        y += 1
    for slot in slots:
        text = f"{slot.short or slot.label} {slot.digits.replace('~', '-')} {slot.unit}"
        canvas.put(1, y, f"{text:<19} {slot.note}")
        y += 1
    if scene.headline is None:
        status = status_of(scene, lanes)
        for line in wrapped(f"{status.badge[0]}. {status.said}".rstrip(". "), width - 2):
            canvas.put(1, y, line)
            y += 1
    if y < canvas.height - 1:
        canvas.label(1, y, f"{LEAST_SIZE[0]}x{LEAST_SIZE[1]} needed for gauges")


@dataclass(frozen=True)
class Status:
    """What the status line says.

    Attributes:
        meaning: of its badge.
        badge: its words, with shorter ones after them.
        said: beside it, never cut.

    """

    meaning: Meaning
    badge: tuple[str, ...]
    said: str


_ALL_CELLS_S: Final = 30
"""By then every cell has been sent once, whichever way a BMS sends them. Ours."""
_NOT_WATCHED = "frozen cells must not be charged, and nothing here shows how cold they are: measure the pack"


def status_of(scene: Scene, lanes: tuple[Lane, ...], sound_note: str = "") -> Status:
    """Return :func:`_status_of` with temperatures in the scene's units."""
    status = _status_of(scene, lanes, sound_note)
    return replace(status, badge=tuple(map(scene.units.in_text, status.badge)), said=scene.units.in_text(status.said))


def _status_of(scene: Scene, lanes: tuple[Lane, ...], sound_note: str) -> Status:
    """Return an alarm and what to do about it, else what is nearest to its limit; at rest how the rest goes.

    Without any value, or any limit, nothing is judged, and *no alarm* would say more than is known; so it would of a
    charge in which nobody knows how cold the pack is.

    Args:
        scene: the moment.
        lanes: of that moment.
        sound_note: why alarms are not heard, where the header has no room for it.

    """
    snapshot = scene.snapshot
    standing = snapshot.alarms.in_order()
    said = _of_alarm(scene, standing) if standing else ""
    if snapshot.flood is not None:
        return Status("caution", (f"FLOOD: {snapshot.flood.count} alarms in 10 min", "FLOOD"), said)
    if standing:
        badge = (alarm_text(standing[0]), alarm_act(standing[0], snapshot).where)
        return Status(alarm_meaning(standing[0]), badge, said)
    old = [lane for lane in lanes if lane.gauge.said.endswith(" old")]
    if old:
        gauge = old[0].gauge
        others = "" if len(old) == len(lanes) else "the other figures are fresh"
        return Status("caution", (f"{gauge.short.lower()} {gauge.said}",), others)
    is_empty = all(lane.gauge.said == "not sent" for lane in lanes)
    first = "no values yet" if is_empty else "no alarm" if snapshot.limits else "no limits"
    notes = "; ".join(note for note in (first, quiet_count(snapshot), sound_note) if note)
    if is_empty or not snapshot.limits:
        why = "nothing is judged" if is_empty else "nothing is judged without a machine file"
        return Status("caution", (notes, first), why)
    if scene.phase == "CHARGING" and "charging-cold" in snapshot.limits and not pack_temperatures(scene):
        return Status("caution", (f"{notes}; no pack temperature", "no pack °C"), _NOT_WATCHED)
    if sent := _some_cells(scene):
        return Status("caution", (f"{notes}; {sent}", sent), "the others are not judged, as nothing sends them")
    said = nearest(lanes) if scene.rest is None else scene.rest.text()
    return Status("normal", (notes, first), said)


def _some_cells(scene: Scene) -> str:
    """Return ``4 of 24 cells`` where so few are sent; empty where all are, or none alone.

    Some BMSs send their cells in turn, so nothing is said in the first half minute.
    """
    snapshot, wanted = scene.snapshot, scene.scale.cells or 0
    known = sum(cell_number(name) is not None for name in snapshot.readings)
    if not 0 < known < wanted:
        return ""
    is_early = snapshot.first_row is None or scene.now - snapshot.first_row < _ALL_CELLS_S * MICROSECONDS
    return "" if is_early else f"{known} of {wanted} cells"


def _of_alarm(scene: Scene, standing: list[StandingAlarm]) -> str:
    more = f" +{len(standing) - 1} more: 4" if len(standing) > 1 else ""
    return alarm_act(standing[0], scene.snapshot).do + more


def draw_status(canvas: Canvas, status: Status, place: tuple[int, int, int]) -> int:
    """Draw the status upwards from ``place``: column, last row, width; return how many rows it took."""
    x, last, width = place
    badge, lines = status_lines(status, width)
    top = last + 1 - len(lines)
    canvas.badge(x, top, status.meaning, badge)
    for y, (indent, line) in enumerate(lines, start=top):
        canvas.put(x + indent, y, line)
    return len(lines)


def status_lines(status: Status, width: int) -> tuple[str, list[tuple[int, str]]]:
    """Return the badge's words, and column and text of each row beside and below it; nothing is cut."""
    badge = next((words for words in status.badge if len(words) + _BADGE <= width), status.badge[-1])
    beside = len(badge) + _BADGE
    if len(status.said) + beside <= width:
        return badge, [(beside, status.said)]
    if beside < width // 2:
        return badge, [(beside, line) for line in wrapped(status.said, width - beside)]
    return badge, [(beside, ""), *((1, line) for line in wrapped(status.said, width - 1))]
