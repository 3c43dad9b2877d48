"""What a session's charts show, before anybody draws it: curves in pieces, a column of low and high each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np

from telemetry.analysis.field_area import find_track
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.phases import Phases
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.session_power import SessionPower, find_power
from telemetry.analysis.state_of_charge import ChargeEstimate
from telemetry.model.batch import MICROSECONDS, Times, Values
from telemetry.model.signals import pack_temperature_number
from telemetry.model.time_text import clock
from telemetry.model.words import nice_step

_MOST_CURVES = 2  # of temperatures in one chart: the coolest and the warmest by their means tell most
_MOST_TEMPERATURES = 6


@dataclass(frozen=True, eq=False)
class Piece:
    """An unbroken stretch of a curve.

    Attributes:
        x: float64 (n,), the position of each column, n >= 1.
        low, high: float64 (n,), lowest and highest value in it; the same where it holds one value.
    """

    x: Values
    low: Values
    high: Values


@dataclass(frozen=True, eq=False)
class Curve:
    """One line of a chart.

    Attributes:
        label: what it is, in words.
        pieces: in order; between two of them nothing is known.
        sort: ``line``; ``band``: the room between two bounds; ``way``: ``x`` goes to and fro (a track).
    """

    label: str
    pieces: tuple[Piece, ...]
    sort: Literal["line", "band", "way"] = "line"


class Moment(NamedTuple):
    """An alarm or a mark on the time axis: minutes, ``A`` or ``M``, and what it was."""

    at: float
    sign: Literal["A", "M"]
    text: str


@dataclass(frozen=True)
class Chart:
    """One chart.

    Attributes:
        name: by which a report asks for it.
        title: heading, with what is shown.
        unit: of the vertical axis.
        curves: at least one.
        x: (from, to) of the horizontal axis: minutes, or metres where ``metres``.
        y: (from, to) of the vertical axis.
        spans: (from, to, kind) of phases along a time axis, minutes.
        moments: alarms and marks along a time axis, in time order.
        metres: both axes are metres and alike in scale.
    """

    name: str
    title: str
    unit: str
    curves: tuple[Curve, ...]
    x: tuple[float, float]
    y: tuple[float, float]
    spans: tuple[tuple[float, float, str], ...] = field(default=())
    moments: tuple[Moment, ...] = field(default=())
    metres: bool = False


def charts_of(
    series: SessionSeries,
    columns: int,
    charge: ChargeEstimate | None = None,
    power: SessionPower | None = None,
    phases: Phases | None = None,
    moments: Sequence[Moment] = (),
) -> list[Chart]:
    """Return the charts that the session has data for: power, voltage, charge, cells, temperatures, track.

    Args:
        series: the session.
        columns: how many columns each curve gets at the most; more rows than twice that are drawn as low and high.
        charge: the state of charge along the session.
        power: its power; made here where it is None.
        phases, moments: drawn along the time axis.
    """
    power = power or find_power(series)
    look = _Look(series, columns)
    spans = () if phases is None else tuple((look.at(p.start), look.at(p.end), p.kind) for p in phases.phases)
    found = [
        _power(look, power),
        _voltage(look, series),
        _charge(look, series, charge),
        _cells(look, series),
        _temperatures(look, series),
    ]
    timed = [
        Chart(name, title, unit, tuple(curves), look.x, _room(curves, zero), spans, tuple(moments))
        for name, title, unit, curves, zero in found
        if curves
    ]
    track = _track(series, columns)
    return [*timed, *([track] if track is not None else [])]


_Found = tuple[str, str, str, list[Curve], bool]


class _Look:
    """From times in microseconds to minutes on the axis, in so many columns."""

    def __init__(self, series: SessionSeries, columns: int) -> None:
        self._series, self._columns = series, columns
        end = max(series.end, series.start + MICROSECONDS)
        self.x = (self.at(series.start), self.at(end))
        self._width = (end - series.start) / columns

    def at(self, t: int) -> float:
        return (t - self._series.origin) / MICROSECONDS / 60.0

    def curve(self, label: str, t: Times, low: Values, high: Values | None = None, band: bool = False) -> Curve:
        """Return the curve of rows, each piece between two gaps by itself."""
        high = low if high is None else high
        breaks = np.flatnonzero(~GapRule().take(t)[1:]) + 1
        pieces = []
        for first, last in zip([0, *breaks.tolist()], [*breaks.tolist(), len(t)], strict=True):
            pieces.append(self._piece(t[first:last], low[first:last], high[first:last]))
        return Curve(label, tuple(pieces), "band" if band else "line")

    def of(self, label: str, signal: Series) -> Curve:
        return self.curve(label, signal.t, signal.values)

    def _piece(self, t: Times, low: Values, high: Values) -> Piece:
        x = (t - self._series.origin) / MICROSECONDS / 60.0
        column = ((t - self._series.start) / self._width).astype(np.int64)
        starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
        if len(t) <= 2 * len(starts):
            return Piece(x, low, high)
        middle = np.add.reduceat(x, starts) / np.diff(np.append(starts, len(t)))
        return Piece(middle, np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts))


def _power(look: _Look, power: SessionPower) -> _Found:
    if power.power is not None:
        curve = look.curve("power", power.power.t, power.power.values)
        return "power", "Power, positive out of the pack", "W", [curve], True
    if power.current is not None:
        curve = look.curve("current", power.current.t, power.current.values)
        return "power", "Current, positive out of the pack (power is not known)", "A", [curve], True
    return "power", "", "", [], True


def _voltage(look: _Look, series: SessionSeries) -> _Found:
    names = (("pack_voltage", "pack"), ("controller_voltage", "controller"))
    curves = [look.of(label, signal) for name, label in names if (signal := series.get(name)) is not None]
    return "voltage", "Voltage", "V", curves, False


def _charge(look: _Look, series: SessionSeries, charge: ChargeEstimate | None) -> _Found:
    curves = []
    if charge is not None and len(charge.t):
        curves = [
            look.curve("90 % interval", charge.t, charge.low90, charge.high90, band=True),
            look.curve("estimate", charge.t, charge.pct),
        ]
    reported = series.get("soc_reported")
    if reported is not None:
        curves.append(look.of("as the BMS reports", reported))
    return "charge", "State of charge", "%", curves, False


def _cells(look: _Look, series: SessionSeries) -> _Found:
    if series.cells is not None:
        volts = series.cells.voltages
        lowest, highest = np.nanmin(volts, axis=1), np.nanmax(volts, axis=1)
        title = f"Lowest and highest of {volts.shape[1]} cells"
        return "cells", title, "V", [look.curve(*pair) for pair in _pair(series.cells.t, lowest, highest)], False
    names = (("cell_min_voltage", "lowest"), ("cell_max_voltage", "highest"))
    curves = [look.of(label, signal) for name, label in names if (signal := series.get(name)) is not None]
    return "cells", "Lowest and highest cell", "V", curves, False


def _pair(t: Times, lowest: Values, highest: Values) -> list[tuple[str, Times, Values]]:
    return [("lowest", t, lowest), ("highest", t, highest)]


def _temperatures(look: _Look, series: SessionSeries) -> _Found:
    pack = sorted((n, name) for name in series.signals if (n := pack_temperature_number(name)) is not None)
    named = [(f"pack {number}", name) for number, name in pack]
    if len(named) > _MOST_CURVES:
        means = {name: float(np.mean(series.signals[name].values)) for _, name in named}
        ends = (min(means, key=lambda name: means[name]), max(means, key=lambda name: means[name]))
        named = [(label, name) for label, name in named if name in ends]
    named += [(word, f"{word}_temperature") for word in ("motor", "controller", "ambient")]
    curves = [look.of(label, signal) for label, name in named if (signal := series.get(name)) is not None]
    return "temperatures", "Temperatures", "°C", curves[:_MOST_TEMPERATURES], False


def _track(series: SessionSeries, columns: int) -> Chart | None:
    track = find_track(series)
    if track is None:
        return None
    breaks = (np.flatnonzero(~track.bridged[1:]) + 1).tolist()
    step = max(1, len(track.t) // (4 * columns))
    pieces = [
        Piece(track.east[first:last:step], track.north[first:last:step], track.north[first:last:step])
        for first, last in zip([0, *breaks], [*breaks, len(track.t)], strict=True)
    ]
    way = Curve("way driven", tuple(pieces), "way")
    x = (float(track.east.min()), float(track.east.max()))
    y = (float(track.north.min()), float(track.north.max()))
    edge = 0.03 * max(x[1] - x[0], y[1] - y[0], 10.0)
    return Chart(
        "track",
        "Track driven, north up",
        "m",
        (way,),
        (x[0] - edge, x[1] + edge),
        (y[0] - edge, y[1] + edge),
        metres=True,
    )


def _room(curves: Sequence[Curve], zero: bool) -> tuple[float, float]:
    """Return bounds with a little room around all curves, with zero among them where asked for."""
    pieces = [piece for curve in curves for piece in curve.pieces]
    low, high = min(float(p.low.min()) for p in pieces), max(float(p.high.max()) for p in pieces)
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    if high - low < 1e-9 * max(1.0, abs(high)):
        low, high = low - 0.5, high + 0.5
    edge = 0.04 * (high - low)
    return low - edge, high + edge


def ticks(low: float, high: float, most: int) -> list[float]:
    """Return at most ``most`` round values within ``low`` to ``high``, ascending."""
    step = nice_step((high - low) / most)
    first = math.ceil(low / step - 1e-9)
    return [round(number * step, 12) for number in range(first, math.floor(high / step + 1e-9) + 1)]


_MINUTE_STEPS = (1 / 60, 1 / 12, 1 / 6, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 720, 1440)


def time_ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Return at most ``most`` round times, minutes, each with what to print."""
    step = next((s for s in _MINUTE_STEPS if (high - low) / s <= most), nice_step((high - low) / most))
    first = math.ceil(low / step - 1e-9)
    places = [number * step for number in range(first, math.floor(high / step + 1e-9) + 1)]
    return [(place, clock(60.0 * place + 0.01)) for place in places]


def value_text(value: float, step: float) -> str:
    """Return a value of an axis with as many places as its step needs."""
    places = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    return f"{value:.{places}f}".replace("-", "−")
