"""The drive on one time axis: power, voltage and lowest cell with their limits, alarms, marks, gaps and phases.

One SVG element whose colours are those of the page, by the classes of :mod:`telemetry.report.session_page`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape
from statistics import median

from telemetry.model.time_text import clock
from telemetry.report.chart_data import Chart, Curve, Moment, ticks, time_ticks, value_text
from telemetry.report.drive_lanes import LEAST_GAP_MIN, MOST_NAMES, Lane, lanes_of
from telemetry.report.part_row import PartRow
from telemetry.report.session_model import Report

Place = Callable[[float], float]
_WIDTH, _LEFT, _RIGHT = 900, 46, 76
_LANE, _GAP, _TOP, _AXIS = 92, 28, 30, 34
_LANE_TICKS = 4
_LONG_SHARE = 0.5


def drive_svg(charts: Sequence[Chart], report: Report) -> str:
    """Return the drive; empty where there is nothing to draw.

    Args:
        charts: of the session, as :func:`~telemetry.report.chart_data.charts_of` gives them.
        report: parts with their limits, and how long each alarm stood.
    """
    lanes = lanes_of(charts, report.parts)
    if not lanes:
        return ""
    chart = lanes[0][0]
    low, high = chart.x
    height = _TOP + len(lanes) * (_LANE + _GAP) + _AXIS

    def x(minute: float) -> float:
        return _LEFT + (min(max(minute, low), high) - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT)

    bottom = height - _AXIS
    parts = [_svg(height, "the drive on one time axis")]
    whole_s = 60 * (high - low)
    for alarm in report.alarms:
        if alarm.was_active and alarm.active_s < _LONG_SHARE * whole_s:  # what lasts says nothing on a moment
            left = x(alarm.from_s / 60)
            width = max(1.5, x((alarm.from_s + alarm.active_s) / 60) - left)
            words = f"{alarm.name}, {alarm.where}"
            parts.append(
                f'<rect class="over" x="{left:.1f}" y="{_TOP}" width="{width:.1f}" height="{bottom - _TOP}">'
                f"<title>{escape(words)}</title></rect>"
            )
    for place, (_, lane) in enumerate(lanes):
        parts += _lane(lane, _TOP + place * (_LANE + _GAP), x)
    parts += _moments(chart.moments, x, bottom)
    parts += _axis(chart, x, bottom)
    return "\n".join([*parts, "</svg>"])


def _svg(height: float, title: str) -> str:
    box = f'viewBox="0 0 {_WIDTH} {height}" role="img" font-family="system-ui, sans-serif" font-size="12"'
    return f'<svg class="drive" xmlns="http://www.w3.org/2000/svg" {box}><title>{title}</title>'


def _heading(title: str, said: str, y: float) -> str:
    words = f'<tspan font-weight="700">{title}</tspan> <tspan class="quiet">{said}</tspan>'
    return f'<text x="{_LEFT}" y="{y}">{words}</text>'


def _lane(lane: Lane, top: float, x: Place) -> list[str]:
    low, high, limit = lane.low, lane.high, lane.limit
    head, base = top + 18, top + _LANE

    def y(value: float) -> float:
        return base - (value - low) / (high - low) * (base - head)

    parts = [_heading(lane.title, lane.unit, top + 10)]
    steps = ticks(low, high, _LANE_TICKS)
    step = steps[1] - steps[0] if len(steps) > 1 else 1.0
    for value in steps:
        at = y(value)
        parts.append(f'<path class="grid" d="M{_LEFT} {at:.1f}H{_WIDTH - _RIGHT}" stroke-width=".7" fill="none"/>')
        said = value_text(value, step)
        parts.append(f'<text class="quiet" x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{said}</text>')
    parts += _gaps(lane.curve, x, head, base)
    if limit is not None:
        at = y(limit)
        parts.append(
            f'<path class="limit" d="M{_LEFT} {at:.1f}H{_WIDTH - _RIGHT}" stroke-dasharray="5 3" fill="none"/>'
            f'<text class="limit-text" x="{_WIDTH - _RIGHT + 5}" y="{at + 4:.1f}">limit {limit:g}</text>'
        )
    return [*parts, *_curve(lane.name, lane.curve, x, y, lane.divisor)]


def _curve(name: str, curve: Curve, x: Place, y: Place, divisor: float) -> list[str]:
    """Return each unbroken stretch as the room between lowest and highest, with a line at its edge."""
    parts = []
    for piece in curve.pieces:
        upper = [
            f"{x(a):.1f},{y(b / divisor):.1f}" for a, b in zip(piece.x.tolist(), piece.high.tolist(), strict=True)
        ]
        lower = [
            f"{x(a):.1f},{y(b / divisor):.1f}" for a, b in zip(piece.x.tolist(), piece.low.tolist(), strict=True)
        ]
        if len(upper) == 1:
            at_x, at_y = upper[0].split(",")
            parts.append(f'<circle class="{name}" cx="{at_x}" cy="{at_y}" r="1.5"/>')
            continue
        around = " ".join([*upper, *reversed(lower)])
        parts.append(f'<path class="{name}" d="M{around}Z" stroke-width="1.2" stroke-linejoin="round"/>')
    return parts


def _gaps(curve: Curve, x: Place, head: float, base: float) -> list[str]:
    parts = []
    for before, after in zip(curve.pieces, curve.pieces[1:], strict=False):
        start, end = float(before.x[-1]), float(after.x[0])
        if end - start >= LEAST_GAP_MIN:
            parts.append(
                f'<rect class="gap" x="{x(start):.1f}" y="{head}" width="{max(1.0, x(end) - x(start)):.1f}" '
                f'height="{base - head}"><title>no data for {60 * (end - start):.0f} s</title></rect>'
            )
    return parts


def _moments(moments: Sequence[Moment], x: Place, bottom: float) -> list[str]:
    """Return a line for each mark and alarm, with its words above as far as there is room."""
    parts, free = [], -math.inf
    for number, moment in enumerate(moments):
        at = x(moment.at)
        sign = "■" if moment.sign == "A" else "◆"
        kind = "limit" if moment.sign == "A" else "mark"
        words = f"{sign} {moment.text}"
        title = f"{clock(60 * moment.at)} {moment.text}"
        parts.append(
            f'<g><title>{escape(title)}</title><path class="{kind}" d="M{at:.1f} {_TOP - 8}V{bottom}" '
            'stroke-width="1" stroke-dasharray="2 3" fill="none"/></g>'
        )
        size = 6.4 * len(words)
        begin = min(at, _WIDTH - size - 2)
        if number < MOST_NAMES and begin >= free:
            kind = ' class="limit-text" font-weight="700"' if moment.sign == "A" else ""
            parts.append(f'<text x="{begin:.1f}" y="{_TOP - 14}"{kind}>{escape(words)}</text>')
            free = begin + size + 10
    return parts


def _axis(chart: Chart, x: Place, bottom: float) -> list[str]:
    parts = []
    for start, end, kind in chart.spans:
        left, width = x(start), max(0.4, x(end) - x(start))
        shade = "rest" if kind == "rest" else "phase"
        parts.append(f'<rect class="{shade}" x="{left:.1f}" y="{bottom}" width="{width:.1f}" height="12"/>')
        if width > 7 * len(kind):
            middle = left + width / 2
            parts.append(
                f'<text x="{middle:.1f}" y="{bottom + 10}" text-anchor="middle" font-size="10">{escape(kind)}</text>'
            )
    for value, said in time_ticks(*chart.x, 8):
        parts.append(f'<text class="quiet" x="{x(value):.1f}" y="{bottom + 28}" text-anchor="middle">{said}</text>')
    return parts


def cells_svg(report: Report) -> str:
    """Return the internal resistance of each cell beside the middle one's as bars; empty where it is not known."""
    cells = sorted(report.resistance.cells, key=lambda cell: cell.cell)
    if len(cells) < 2:  # noqa: PLR2004 - one has nothing to be compared with
        return ""
    middle = median(cell.mohm for cell in cells)
    row = next((each for each in report.parts if each.key == "cell-resistance"), None)
    most = max(*(cell.ratio for cell in cells), 1.5)
    width, height, base = _WIDTH - _LEFT - _RIGHT, 86, 104
    each = width / len(cells)
    said = f"internal resistance; the middle one has {middle:.2f} mΩ"
    parts = [
        _svg(base + 22, "internal resistance of the cells"),
        _heading("Cells against the middle one", said, 11),
    ]
    for value in ticks(0.0, most, 4):
        y = base - value / most * height
        parts.append(f'<path class="grid" d="M{_LEFT} {y:.1f}H{_WIDTH - _RIGHT}" stroke-width=".7" fill="none"/>')
        parts.append(f'<text class="quiet" x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value:g}×</text>')
    step = max(1, math.ceil(len(cells) / 40))
    for place, cell in enumerate(cells):
        times = cell.ratio
        kind = _bar_kind(times, row)
        x, tall = _LEFT + place * each, times / most * height
        parts.append(
            f'<rect class="bar{kind}" x="{x + each * 0.15:.1f}" y="{base - tall:.1f}" width="{each * 0.7:.1f}" '
            f'height="{tall:.1f}"><title>cell {cell.cell}: {cell.mohm:.2f} mΩ, {times:.2f}×</title></rect>'
        )
        if place % step == 0 or kind:
            middle_x = x + each / 2
            parts.append(
                f'<text class="quiet" x="{middle_x:.1f}" y="{base + 14}" text-anchor="middle">{cell.cell}</text>'
            )
    return "\n".join([*parts, "</svg>"])


def _bar_kind(times: float, row: PartRow | None) -> str:
    if row is None or row.limit is None:
        return ""
    if times >= row.limit:
        return " past"
    return " near" if row.warn is not None and times >= row.warn else ""
