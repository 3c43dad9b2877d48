"""A minute around one moment as a trace: the signal that an alarm judges, with its bound."""

from __future__ import annotations

import numpy as np

from telemetry.model.batch import MICROSECONDS
from telemetry.model.time_text import clock_at
from telemetry.screen.canvas import Canvas
from telemetry.screen.chart import scale_for
from telemetry.screen.scene import Scene
from telemetry.screen.trace import TraceScale, trace_rows
from telemetry.screen.trace_lanes import lane_kind

_LEFT = 16
_LONGEST_S = 120
_FALLBACK = "pack_current"
"""Shown where the signal of an alarm is no number over time, such as a flag of the BMS."""


def minute_rows(height: int) -> int:
    """Return how many rows it takes in a window of ``height`` rows: its title, the trace and the times."""
    return 0 if height < 20 else 6 if height < 30 else min(12, height // 4)


def draw_minute(canvas: Canvas, scene: Scene, t: int, signal: str, bound: float, rows: int) -> None:
    """Draw the time around ``t`` in the ``rows`` rows above the last one of the window.

    Args:
        canvas: drawn on.
        scene: the moment drawn.
        t: the moment meant, int microseconds.
        signal: whose values; pack current where none of it are kept.
        bound: a line is drawn there; NaN for none.
        rows: at least 4.

    """
    strips = scene.snapshot.strips
    if signal not in strips:
        signal, bound = _FALLBACK, float("nan")
    kind = lane_kind(signal, scene.units)
    top = canvas.height - 1 - rows
    columns = min(canvas.width - _LEFT - 1, _LONGEST_S)
    end = min(t + columns // 2 * MICROSECONDS, scene.now)
    end = max(end, scene.snapshot.start + (columns - 1) * MICROSECONDS)  # nothing was before the start
    canvas.put(1, top, f"its moment, {columns} s", canvas.palette.figure)
    canvas.label(_LEFT + 8, top, f"{kind.title.lower()} {kind.unit}".rstrip() + "; v shows it in the traces")
    low, high = strips[signal].columns(end, columns, 1)
    low, high, limit = kind.factor * low + kind.zero, kind.factor * high + kind.zero, kind.shown(bound)
    seen = np.append(low, limit), np.append(high, limit)
    bottom, upper = scale_for(*seen, kind.least, kind.with_zero)
    height = rows - 2
    line = None if limit != limit else min(height - 1, int((upper - limit) / (upper - bottom) * height))
    for row, runs in enumerate(trace_rows(canvas.palette, low, high, height, TraceScale(bottom, upper))):
        x = _LEFT
        for text, style in runs:
            if row == line and text.isspace():
                text, style = "─" * len(text), canvas.palette.pair("beyond", "page")
            x = canvas.put(x, top + 1 + row, text, style)
    edges = {0: f"{upper:g}", height - 1: f"{bottom:g}"}
    if line is not None:
        edges[line] = f"limit {limit:.4g}"
    for row, text in edges.items():
        canvas.label(1, top + 1 + row, text.rjust(_LEFT - 2))
    _draw_times(canvas, scene, t, end, columns)


def _draw_times(canvas: Canvas, scene: Scene, t: int, end: int, columns: int) -> None:
    y, start = canvas.height - 2, scene.snapshot.start
    first = end - (columns - 1) * MICROSECONDS
    at = _LEFT + max(0, min(columns - 1, (t - first) // MICROSECONDS))
    left, right, here = clock_at(first, start), clock_at(end, start), clock_at(t, start)
    is_late = at + len(here) + 2 > canvas.width
    canvas.put(at - len(here) - 1 if is_late else at, y, f"{here} ▲" if is_late else f"▲ {here}")
    if _LEFT + len(left) + len(here) + 2 < at:
        canvas.label(_LEFT, y, left)
    if at + len(here) + 3 < _LEFT + columns - len(right):
        canvas.label(_LEFT + columns - len(right), y, right)
