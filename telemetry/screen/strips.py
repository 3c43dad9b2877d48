"""Traces of the last minutes, one below the other, with their scales."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from telemetry.model.batch import MICROSECONDS
from telemetry.model.time_text import clock_at, length
from telemetry.pipeline.strip import Strip
from telemetry.screen.canvas import Canvas
from telemetry.screen.chart import chart_rows, scale_for
from telemetry.screen.header import draw_header
from telemetry.screen.scene import Scene

SECONDS_EACH = (1, 2, 5, 15)
"""Seconds a column may cover."""
_SCALE_WIDTH = 7
_REDRAWN_EVERY = 500_000


@dataclass(frozen=True)
class StripKind:
    """How one signal is drawn: its name, unit, divisor to it, least height in that unit, and whether zero belongs."""

    title: str
    unit: str
    divisor: float
    least: float
    with_zero: bool = False


KINDS = {
    "pack_power": StripKind("power", "kW", 1000.0, 0.4, with_zero=True),
    "pack_voltage": StripKind("voltage", "V", 1.0, 0.4),
    "pack_current": StripKind("current", "A", 1.0, 4.0, with_zero=True),
    "cell_min_voltage": StripKind("lowest cell", "V", 1.0, 0.04),
    "cell_spread": StripKind("spread", "mV", 0.001, 4.0, with_zero=True),
}


def draw_strips(canvas: Canvas, scene: Scene, until: int | None = None) -> None:
    """Draw the view of strips but for its last row; up to ``until``, int microseconds, else up to now."""
    draw_header(canvas, scene)
    shown = [signal for signal in KINDS if scene.snapshot.strips[signal].last_second is not None]
    if not shown:
        canvas.label(1, 2, "nothing received yet")
        return
    room = canvas.height - 3
    shown = shown[: max(1, room // 4)]
    rows = room // len(shown)
    y = 1
    for signal in shown:
        kind = KINDS[signal]
        canvas.label(1, y, f"{kind.title} {kind.unit}")
        canvas.put(_SCALE_WIDTH + 10, y, _now_text(scene, signal, kind))
        draw_strip(canvas, scene, signal, 1, y + 1, canvas.width - 2, rows - 1, until)
        y += rows
    _draw_time_line(canvas, scene, canvas.height - 2, until)


def _now_text(scene: Scene, signal: str, kind: StripKind) -> str:
    value = scene.snapshot.fresh(signal, scene.now)
    if value is None:
        return scene.text(signal, kind.unit)
    return f"{value / kind.divisor:.{_decimals(kind.least)}f} {kind.unit}"


def _draw_time_line(canvas: Canvas, scene: Scene, y: int, until: int | None) -> None:
    columns = canvas.width - 2 - _SCALE_WIDTH
    span = columns * scene.seconds_each
    left, right = f"{length(span)} ago", "now"
    if until is not None:
        left, right = (clock_at(t, scene.snapshot.start) for t in (until - span * MICROSECONDS, until))
    canvas.label(1 + _SCALE_WIDTH, y, left)
    middle = f"{scene.seconds_each} s a column; blank is a gap"
    canvas.label(max(1 + _SCALE_WIDTH + len(left) + 2, (canvas.width - len(middle)) // 2), y, middle)
    canvas.label(canvas.width - 1 - len(right), y, right)


def draw_strip(
    canvas: Canvas, scene: Scene, signal: str, x: int, y: int, width: int, rows: int, until: int | None = None
) -> None:
    """Draw one strip with its scale at the left; ``rows`` rows from ``y``."""
    kind = KINDS[signal]
    strip, reading = scene.snapshot.strips[signal], scene.snapshot.reading(signal)
    interval = round(reading.interval, -5) if reading is not None else 0.0
    # A chart of minutes need not be drawn more often than twice a second; that of a run that ended is drawn anew.
    half_second = scene.now // _REDRAWN_EVERY * _REDRAWN_EVERY if scene.ended is None else scene.now
    half_second = half_second if until is None else until
    shape = (width - _SCALE_WIDTH, rows)
    edges, drawn = _picture(strip, half_second, scene.seconds_each, interval, signal, shape)
    canvas.label(x, y, edges[1])
    if rows >= 3:
        canvas.label(x, y + rows // 2, kind.unit.rjust(_SCALE_WIDTH - 1))
    canvas.label(x, y + rows - 1, edges[0])
    canvas.block(x + _SCALE_WIDTH, y, drawn)


@lru_cache(maxsize=32)
def _picture(
    strip: Strip,
    now: int,
    seconds_each: int,
    interval: float,
    signal: str,
    shape: tuple[int, int],
) -> tuple[tuple[str, str], list[str]]:
    """Return the scale's lower and upper text and the rows; kept, to be asked for again."""
    kind, (columns, rows) = KINDS[signal], shape
    low, high = strip.columns(now, columns, seconds_each, interval)
    low, high = low / kind.divisor, high / kind.divisor
    bottom, top = scale_for(low, high, kind.least, kind.with_zero)
    decimals = _decimals((top - bottom) / 4)
    lower, upper = (f"{edge:.{decimals}f}".rjust(_SCALE_WIDTH - 1) for edge in (bottom, top))
    return (lower, upper), chart_rows(low, high, rows, bottom, top)


def _decimals(step: float) -> int:
    return 0 if step >= 1 else 1 if step >= 0.1 else 2 if step >= 0.01 else 3
