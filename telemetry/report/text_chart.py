"""A chart in characters, for the terminal; plain, so that it can be kept in a file."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from telemetry.report.chart_data import Chart, Curve, Piece, ticks, time_ticks, value_text

_MARKERS = ("hd", "*", "o", "+", "x", "#")
_BAND_MARKER = "."
_SAMPLES = {"hd": "▄▀"}


def text_chart(chart: Chart, width: int = 80, height: int = 14) -> list[str]:
    """Return ``chart`` as lines of at most ``width`` characters, title first."""
    import plotext

    plotext.terminal.limit(False, False)
    figure = plotext.figure
    figure.clear()
    figure.theme("colorless")
    figure.legend(False)
    if chart.metres:
        height = _alike(chart, width)
    figure.plot_size(width, height)
    _set_axes(figure, chart)
    markers = _markers(chart.curves)
    for curve, marker in sorted(zip(chart.curves, markers, strict=True), key=lambda pair: pair[0].sort != "band"):
        for piece in curve.pieces:
            for xs, ys in _lines(_near(piece, chart), curve.sort):
                drawn = figure.signal(xs, ys, marker=marker)
                figure.draw(drawn.lines() if marker == "hd" else drawn)
    lines = [line.rstrip() for line in figure.build().string(colorless=True).rstrip("\n").split("\n")]
    figure.clear()
    title = f"{chart.title} ({chart.unit})"
    named = [f"{_SAMPLES.get(m, m)} {c.label}" for c, m in zip(chart.curves, markers, strict=True)]
    return [title, *([f"  {'   '.join(named)}"] if len(named) > 1 else []), *lines, *_moments(chart, lines)]


def _moments(chart: Chart, lines: Sequence[str]) -> list[str]:
    """Return a line below the axis that shows alarms and marks at their times; none where there are none."""
    axis = next((line for line in reversed(lines) if "└" in line and "┘" in line), None)
    if not chart.moments or axis is None:
        return []
    left, right = axis.index("└") + 1, axis.index("┘") - 1
    low, high = chart.x
    row = [" "] * (right + 1)
    for moment in chart.moments:
        place = left + round((moment.at - low) / (high - low) * (right - left))
        if left <= place <= right:
            row[place] = moment.sign if row[place] in (" ", moment.sign) else "*"
    signs = {moment.sign for moment in chart.moments}
    words = [word for sign, word in (("A", "A alarm"), ("M", "M mark")) if sign in signs]
    both = ["* both"] if "*" in row else []
    return ["".join(row).rstrip(), f"{' ' * left}{', '.join([*words, *both])}"]


def _set_axes(figure: object, chart: Chart) -> None:
    across = figure.ruler(0, 0)  # type: ignore[attr-defined]
    across.lim(*chart.x)
    up = figure.ruler(1, 0)  # type: ignore[attr-defined]
    up.lim(*chart.y)
    heights = ticks(*chart.y, 5)
    step = heights[1] - heights[0] if len(heights) > 1 else 1.0
    up.ticks(heights, [value_text(value, step) for value in heights])
    if chart.metres:
        marks = ticks(*chart.x, 6)
        step = marks[1] - marks[0] if len(marks) > 1 else 1.0
        across.ticks(marks, [value_text(value, step) for value in marks])
    else:
        along = time_ticks(*chart.x, 7)
        across.ticks([place for place, _ in along], [text for _, text in along])


def _alike(chart: Chart, width: int) -> int:
    """Return the height at which a metre is as long up as across; a character is about twice as high as wide."""
    across, up = chart.x[1] - chart.x[0], chart.y[1] - chart.y[0]
    return max(8, min(36, round((width - 10) * up / across / 2.0) + 3))


def _markers(curves: Sequence[Curve]) -> list[str]:
    """Return a marker for each curve: bands dots, the first line blocks, the others signs of their own."""
    left = iter(_MARKERS)
    return [_BAND_MARKER if curve.sort == "band" else next(left) for curve in curves]


def _near(piece: Piece, chart: Chart) -> Piece:
    """Return ``piece`` with what lies far outside the axes drawn in to just outside.

    The library draws every point of a line, visible or not, and one wild value would take all memory.
    """
    (left, right), (low, high) = chart.x, chart.y
    across, up = right - left, high - low
    return Piece(
        np.clip(piece.x, left - across, right + across),
        np.clip(piece.low, low - up, high + up),
        np.clip(piece.high, low - up, high + up),
    )


def _lines(piece: Piece, sort: str) -> list[tuple[list[float], list[float]]]:
    """Return what to draw: both bounds of a band, and of a line up and down between low and high of each column."""
    xs, low, high = piece.x.tolist(), piece.low.tolist(), piece.high.tolist()
    if sort == "band":
        return [(xs, low), (xs, high)]
    if low == high:
        return [(xs, high)]
    turned = [pair for x, a, b in zip(xs, low, high, strict=True) for pair in ((x, a), (x, b))]
    return [([x for x, _ in turned], [y for _, y in turned])]
