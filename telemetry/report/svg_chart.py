"""A chart as one SVG element, without script or style from elsewhere, that print and any eyes can tell apart.

Colours were searched for: each has a contrast of 3 and more on the page and on the light card of its dark form (WCAG
2.2, 1.4.11), and any two are 30 and more apart (CIE 1976 L*a*b*) for every kind of colour vision. Each curve has a
dash of its own besides, and its name is beside a sample of it.
"""

from __future__ import annotations

from html import escape

from telemetry.model.time_text import clock
from telemetry.report.chart_data import Chart, Curve, Piece, ticks, time_ticks, value_text

WIDTH, HEIGHT, LARGEST = 760, 250, 520
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 12, 46, 38
COLOURS = ("#0D3F5C", "#9D7313", "#0E9561", "#8E75B9", "#000000", "#6D1600")
_DASHES = ("", "7 3", "2 3", "10 3 2 3", "5 5", "1 4")
_SPANS = {"rest": "#FFFFFF", "drive": "#E4E4E4", "work": "#B5B5B5", "charge": "#FFFFFF"}


def svg_chart(chart: Chart) -> str:
    """Return ``chart`` as an ``<svg>`` element, for an HTML page."""
    frame = _Frame(chart)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {frame.height}" width="{WIDTH}" '
        f'height="{frame.height}" role="img" font-family="system-ui, sans-serif" font-size="12" fill="#111">'
    )
    parts = [
        head,
        f"<title>{escape(chart.title)}, {escape(chart.unit)}</title>",
        f'<text x="{_LEFT}" y="15" font-weight="600">{escape(chart.title)} ({escape(chart.unit)})</text>',
        *_legend(chart),
        *_spans(chart, frame),
        *_axes(chart, frame),
        *_moments(chart, frame),
        *(path for place, curve in enumerate(chart.curves) for path in _curve(curve, place, frame)),
        "</svg>",
    ]
    return "\n".join(parts)


class _Frame:
    """From values to places in the picture."""

    def __init__(self, chart: Chart) -> None:
        self._x, self._y = chart.x, chart.y
        width = WIDTH - _LEFT - _RIGHT
        self.height = HEIGHT
        if chart.metres:
            scale = min(width / (chart.x[1] - chart.x[0]), (LARGEST - _TOP - _BOTTOM) / (chart.y[1] - chart.y[0]))
            width = round(scale * (chart.x[1] - chart.x[0]))
            self.height = round(scale * (chart.y[1] - chart.y[0])) + _TOP + _BOTTOM
        self.right, self.bottom = _LEFT + width, self.height - _BOTTOM

    def x(self, value: float) -> float:
        low, high = self._x
        return _LEFT + (value - low) / (high - low) * (self.right - _LEFT)

    def y(self, value: float) -> float:
        low, high = self._y
        return self.bottom - (value - low) / (high - low) * (self.bottom - _TOP)

    def points(self, xs: list[float], ys: list[float]) -> list[str]:
        return [f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in zip(xs, ys, strict=True)]


def _legend(chart: Chart) -> list[str]:
    if len(chart.curves) <= 1:
        return []
    parts, x = [], float(_LEFT)
    for place, curve in enumerate(chart.curves):
        if curve.sort == "band":
            parts.append(
                f'<rect x="{x:.0f}" y="24" width="24" height="10" fill="{COLOURS[place]}" fill-opacity="0.2"/>'
            )
        else:
            parts.append(f'<path d="M{x:.0f} 29h24" {_stroke(place, 2.0)}/>')
        parts.append(f'<text x="{x + 30:.0f}" y="33">{escape(curve.label)}</text>')
        x += 48 + 6.6 * len(curve.label)
    return parts


def _spans(chart: Chart, frame: _Frame) -> list[str]:
    """Return a strip along the time axis that says what the machine did."""
    parts = []
    for start, end, kind in chart.spans:
        left, right = frame.x(max(start, chart.x[0])), frame.x(min(end, chart.x[1]))
        fill = f'fill="{_SPANS.get(kind, "#FFFFFF")}" stroke="#777" stroke-width="0.4"'
        parts.append(
            f'<rect x="{left:.1f}" y="{frame.bottom + 1}" width="{max(0.3, right - left):.1f}" height="12" '
            f"{fill}><title>{escape(kind)}</title></rect>"
        )
        if right - left > 6.2 * len(kind) + 4:
            parts.append(
                f'<text x="{(left + right) / 2:.1f}" y="{frame.bottom + 10}" text-anchor="middle" font-size="9.5" '
                f">{escape(kind)}</text>"
            )
    return parts


def _moments(chart: Chart, frame: _Frame) -> list[str]:
    """Return a line for each alarm and mark, with its letter above and what it was where the pointer rests on it."""
    parts = []
    for at, sign, text in chart.moments:
        if not chart.x[0] <= at <= chart.x[1]:
            continue
        x, colour = frame.x(at), "#a80000" if sign == "A" else "#333"
        words = f"{'alarm' if sign == 'A' else 'mark'} {clock(60.0 * at)}: {text}"
        parts.append(
            f'<g><title>{escape(words)}</title><path d="M{x:.1f} {_TOP}V{frame.bottom}" stroke="{colour}" '
            f'stroke-width="1" stroke-dasharray="2 2" fill="none"/><text x="{x:.1f}" y="{_TOP - 3}" '
            f'text-anchor="middle" font-size="10" fill="{colour}">{sign}</text></g>'
        )
    return parts


def _axes(chart: Chart, frame: _Frame) -> list[str]:
    parts = []
    heights = ticks(*chart.y, 6)
    step = heights[1] - heights[0] if len(heights) > 1 else 1.0
    for value in heights:
        y = frame.y(value)
        line = "#777" if value == 0 else "#DDD"
        parts.append(f'<path d="M{_LEFT} {y:.1f}H{frame.right}" stroke="{line}" stroke-width="0.7" fill="none"/>')
        parts.append(f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value_text(value, step)}</text>')
    if chart.metres:
        marks = ticks(*chart.x, max(2, (frame.right - _LEFT) // 90))
        step = marks[1] - marks[0] if len(marks) > 1 else 1.0
        along = [(value, value_text(value, step)) for value in marks]
    else:
        along = time_ticks(*chart.x, 8)
    for value, text in along:
        x = frame.x(value)
        parts.append(f'<path d="M{x:.1f} {_TOP}V{frame.bottom}" stroke="#EEE" stroke-width="0.7" fill="none"/>')
        parts.append(f'<text x="{x:.1f}" y="{frame.bottom + 28}" text-anchor="middle">{text}</text>')
    parts.append(f'<path d="M{_LEFT} {_TOP}V{frame.bottom}H{frame.right}" stroke="#333" fill="none"/>')
    return parts


def _stroke(place: int, width: float) -> str:
    dash = f' stroke-dasharray="{_DASHES[place % len(_DASHES)]}"' if _DASHES[place % len(_DASHES)] else ""
    return f'stroke="{COLOURS[place % len(COLOURS)]}" stroke-width="{width}" fill="none"{dash}'


def _curve(curve: Curve, place: int, frame: _Frame) -> list[str]:
    return [path for piece in curve.pieces for path in _piece(piece, curve.sort, place, frame)]


def _piece(piece: Piece, sort: str, place: int, frame: _Frame) -> list[str]:
    """Return the room between low and high as a filled shape, and where the two are one a line."""
    xs, low, high = piece.x.tolist(), piece.low.tolist(), piece.high.tolist()
    colour = COLOURS[place % len(COLOURS)]
    upper = frame.points(xs, high)
    if sort == "band":
        around = upper + frame.points(xs, low)[::-1]
        return [f'<path d="M{" ".join(around)}Z" fill="{colour}" fill-opacity="0.2"/>']
    if len(xs) == 1:
        return [f'<circle cx="{frame.x(xs[0]):.1f}" cy="{frame.y(high[0]):.1f}" r="1.5" fill="{colour}"/>']
    parts = []
    if low != high:
        around = upper + frame.points(xs, low)[::-1]
        parts.append(
            f'<path d="M{" ".join(around)}Z" fill="{colour}" fill-opacity="0.4" stroke="{colour}" stroke-width=".5"/>'
        )
        middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
        upper = frame.points(xs, middle)
    parts.append(f'<path d="M{" ".join(upper)}" {_stroke(place, 1.4)} stroke-linejoin="round"/>')
    return parts
