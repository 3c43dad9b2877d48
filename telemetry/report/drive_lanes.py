"""The drive on one time axis as lanes: power, pack voltage and lowest cell, each with its scale and its limit.

Page and terminal draw the same lanes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from telemetry.model.words import capital
from telemetry.report.chart_data import Chart, Curve
from telemetry.report.part_row import PartRow

_LANES = {"power": ("Power", "kW", 1000.0), "voltage": ("Voltage", "V", 1.0), "cells": ("Lowest cell", "V", 1.0)}
_LIMITS = {("voltage", "pack"): "pack-low-voltage", ("voltage", "controller"): "controller-low-voltage"} | {
    ("cells", "lowest"): "lowest-cell"
}
MOST_NAMES = 6
"""Alarms and marks whose words are beside the lanes; ours."""
LEAST_GAP_MIN = 0.05
"""The shortest time without data that is drawn as missing, min."""


@dataclass(frozen=True)
class Lane:
    """One lane.

    Attributes:
        name: ``power``, ``voltage`` or ``cells``.
        title, unit: what is drawn; ``divisor``: from the curve's unit to ``unit``.
        curve: lowest and highest value along the time, minutes.
        low, high: ends of the scale, in ``unit``: of all values, and of the limit or zero.
        limit: in ``unit``; None for none.
    """

    name: str
    title: str
    unit: str
    divisor: float
    curve: Curve
    low: float
    high: float
    limit: float | None


def lanes_of(charts: Sequence[Chart], rows: Sequence[PartRow]) -> list[tuple[Chart, Lane]]:
    """Return the lanes that the session has data for, each with its chart.

    Args:
        charts: of the session, as :func:`~telemetry.report.chart_data.charts_of` gives them.
        rows: parts with their limits.
    """
    found = [chart for name in _LANES for chart in charts if chart.name == name and chart.curves]
    return [(chart, _lane(chart, rows)) for chart in found]


def _lane(chart: Chart, rows: Sequence[PartRow]) -> Lane:
    title, unit, divisor = _LANES[chart.name]
    if chart.unit != "W" and chart.name == "power":
        title, unit, divisor = "Current", "A", 1.0
    curve = chart.curves[0]
    if chart.name == "voltage":  # where no voltage of the pack was recorded it is the controller's
        title = f"{capital(curve.label)} voltage"
    low = min(float(piece.low.min()) for piece in curve.pieces) / divisor
    high = max(float(piece.high.max()) for piece in curve.pieces) / divisor
    limit = next((row.limit for row in rows if row.key == _LIMITS.get((chart.name, curve.label))), None)
    if chart.name == "power":
        low, high = min(low, 0.0), max(high, 0.0)
    elif limit is not None:
        low, high = min(low, limit), max(high, limit)
    if high - low < 1e-9 * max(1.0, abs(high)):
        low, high = low - 0.5, high + 0.5
    said = f"{unit}, positive out of the pack" if chart.name == "power" else unit
    return Lane(chart.name, title, said, divisor, curve, low, high, limit)
