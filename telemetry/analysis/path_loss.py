"""What is lost between pack and controller, and how low the pack's voltage will go nearly empty or in the cold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.cell_lag import Fit, fit_robustly
from telemetry.analysis.instruments import USUAL_VOLTAGE_OFFSET_V, InstrumentErrors
from telemetry.analysis.joining import Joiner
from telemetry.analysis.open_circuit import open_circuit_tables, stated_table, voltage_uncertainty
from telemetry.analysis.parts_seen import loaded_at
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import Flow
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Times, Values

_LEAST_BLOCKS = 24  # with both voltages and the current known, for a fit of two figures; ours
_SLOW_S = 10.0
_CLIMB_BLOCK_S = 5.0
_FIRST = np.array([1.0, 0.0, 0.0, 0.0])
_LATE_S = 0.5
"""One meter may be read so much later than the other: rows nearer to no load would be of two loads. Ours."""
_ALIKE = 1.5
"""Means of five seconds beside each other are alike, and the jackknife takes them for independent. Ours."""
_LEAST_OHM = 0.0005
"""A path of less is known well enough when it is known to be less: one good contactor or fuse. Ours."""
NEARLY_EMPTY = 0.2
"""Charge at which the pack must still carry the load: lithium packs are commonly used down to 20 %."""
COLD_C = 0.0
COLD_PER_5_C = (1.08, 1.15, 1.25)
"""By how much a lithium cell's resistance over one second grows for each 5 °C colder: low, likely, high. From 25 to
0 °C that makes 1.5, 2.0 and 3.1 times. Common practice, from memory; the cell's sheet wins."""


@dataclass(frozen=True)
class PathLoss:
    """The way from the pack's terminals to the controller's, there and back, with its fuse, switch and joints.

    Attributes:
        ohm: 90 % interval of its resistance, ohm.
        why: why it is not known; empty where it is.
    """

    ohm: Range | None
    why: str = ""


def find_path_loss(
    series: SessionSeries, flow: Flow | None, errors: InstrumentErrors, least_a: float = 5.0
) -> PathLoss:
    """Return the resistance between ``pack_voltage`` and ``controller_voltage``.

    ``lost = R I + g U + p (U - U before) + q (U after - U)``: two voltmeters differ by a share ``g`` of the voltage,
    which would make a part of the pack's own sag look like resistance, and which shows at little current; and one may
    be read up to half a second later than the other, which adds a part of what the voltage changed by. Fitted over
    means of ten seconds. Needs four minutes with changing load.

    Args:
        series: the session.
        flow: its current.
        errors: of the instruments; the gain of the current sensor and the zero of a voltmeter count in the interval.
        least_a: current out of the pack from which a row counts; below it the main switch may be open.
    """
    known = {"pack_voltage": series.get("pack_voltage"), "controller_voltage": series.get("controller_voltage")}
    lacking = [name for name, each in {**known, "pack_current": flow}.items() if each is None]
    if lacking:
        return PathLoss(None, f"record {' and '.join(lacking)}")
    rows = _rows_under_load(series, flow, least_a)
    fit = None if rows is None else _fit(rows, _SLOW_S, rows.amperes[:, None][:, :0])
    if fit is None:
        return PathLoss(None, "record four minutes with changing load")
    ohm, spread = fit.ohm, fit.uncertainty(_FIRST)
    if Z90 * spread > max(ohm, _LEAST_OHM):
        return PathLoss(None, "the load changed too little to tell the resistance of the path")
    return PathLoss(Range.around(ohm, Z90 * math.hypot(spread, errors.current.gain_sd * ohm)))


def find_path_rise(
    series: SessionSeries, flow: Flow | None, climbs: Sequence[tuple[int, int]], least_a: float = 5.0
) -> Range | None:
    """Return by which share the resistance of the path rises from the beginning of a long pull to its end.

    As :func:`find_path_loss` over means of five seconds, with ``R0 I + R1 I x`` in place of ``R I`` and ``x`` from 0
    to 1 along each pull. A joint that heats has ``R1`` above what copper's 0.4 % a kelvin makes of it.

    Args:
        series: the session.
        flow: its current.
        climbs: first and last time of each pull, microseconds.
        least_a: current out of the pack from which a row counts.

    Returns:
        R1 / R0 with its 90 % interval; None where it is not known.
    """
    rows = _rows_under_load(series, flow, least_a)
    if rows is None or not climbs:
        return None
    along = np.where(rows.t < climbs[0][0], 0.0, np.nan)
    for first, last in climbs:
        inside = (rows.t >= first) & (rows.t <= last)
        along[inside] = (rows.t[inside] - first) / max(1, last - first)
    fit = _fit(rows, _CLIMB_BLOCK_S, (rows.amperes * along)[:, None])
    if fit is None or not fit.ohm > 0.0:
        return None
    rise = float(fit.fit.factors[-1, 0]) / fit.ohm
    return Range.around(rise, Z90 * _ALIKE * fit.uncertainty(np.array([-rise, 0.0, 0.0, 0.0, 1.0])) / fit.ohm)


@dataclass(frozen=True, eq=False)
class _Rows:
    """Rows under load: int64 (n,) microseconds; float64 (n,) V lost on the way, A; (n, 3) U and its changes, V."""

    t: Times
    lost: Values
    amperes: Values
    pack: Values


def _rows_under_load(series: SessionSeries, flow: Flow | None, least_a: float) -> _Rows | None:
    """Return the rows where more than ``least_a`` flows; None where there are none or a signal is missing."""
    pack, controller = series.get("pack_voltage"), series.get("controller_voltage")
    if pack is None or controller is None or flow is None:
        return None
    t, at_pack, at_controller, _ = Joiner().take((pack.t, pack.values), (controller.t, controller.values), series.end)
    loaded = loaded_at(t, flow, least_a, _LATE_S)
    if not loaded.any():
        return None
    t, at_pack, at_controller = t[loaded], at_pack[loaded], at_controller[loaded]
    late = round(_LATE_S * MICROSECONDS)
    before, after = (np.interp(t + by, pack.t, pack.values) for by in (-late, late))
    volts = np.stack([at_pack, at_pack - before, after - at_pack], axis=1)
    return _Rows(t, at_pack - at_controller, np.interp(t, flow.t, flow.values), volts)


@dataclass(frozen=True, eq=False)
class _PathFit:
    """The fit of R0 (ohm), g, p, q, and what else was asked for; ``by_zero``: what a constant volt adds to each."""

    fit: Fit
    by_zero: Values

    @property
    def ohm(self) -> float:
        return float(self.fit.factors[0, 0])

    def uncertainty(self, weights: Values) -> float:
        """Return one standard deviation of ``weights @ factors``: the scatter, and the zero of two voltmeters."""
        zero = math.sqrt(2.0) * USUAL_VOLTAGE_OFFSET_V * float(weights @ self.by_zero)
        return math.hypot(float(self.fit.uncertainty(weights)[0]), zero)


def _fit(rows: _Rows, block_s: float, more: Values) -> _PathFit | None:
    """Return the fit of what is lost over means of ``block_s``; None for fewer than 24.

    Args:
        rows: under load.
        block_s: s.
        more: float64 (rows, n), what else it may follow; NaN where a row does not count.
    """
    table = np.column_stack([rows.lost, rows.amperes, rows.pack, more])
    used = ~np.isnan(table[:, -1])
    _, place, count = np.unique(
        rows.t[used] // round(block_s * MICROSECONDS), return_inverse=True, return_counts=True
    )
    if len(count) < _LEAST_BLOCKS:
        return None
    means = np.stack([np.bincount(place, weights=each) / count for each in table[used].T], axis=1)
    lost, features = means[:, :1], means[:, 1:]
    by_zero: Values = np.linalg.pinv(features).sum(axis=1)
    return _PathFit(fit_robustly(features, lost), by_zero)


@dataclass(frozen=True)
class Sag:
    """The pack's voltage under a pull, predicted.

    Attributes:
        volts: 90 % interval, V.
        why: why it is not known; empty where it is.
    """

    volts: Range | None
    why: str = ""


def sag_nearly_empty(pack: Pack, ohm: Range, amperes: float) -> Sag:
    """Return the voltage under a pull of ``amperes`` with 20 % of charge left, at this drive's temperature.

    Open-circuit voltage less resistance times current.

    Args:
        pack: its chemistry or table of open-circuit voltage.
        ohm: resistance of the pack over one second, 90 % interval.
        amperes: the pull.
    """
    return Sag(_pull(_open_circuit(pack), ohm, amperes))


def sag_in_the_cold(pack: Pack, ohm: Range, amperes: float, temperature_c: float | None) -> Sag:
    """Return the same with the pack at 0 °C; not known where the temperature of this drive is not."""
    if temperature_c is None:
        return Sag(None, "record pack_temperature_1")
    if not pack.cell.is_lithium:
        return Sag(None, "no factor for cold is known for this chemistry")
    steps = max(temperature_c - COLD_C, 0.0) / 5.0
    low, likely, high = (factor**steps for factor in COLD_PER_5_C)
    return Sag(_pull(_open_circuit(pack), Range(low * ohm.low, likely * ohm.mid, high * ohm.high), amperes))


def _open_circuit(pack: Pack) -> Range:
    """Return the open-circuit voltage of the pack nearly empty, V, 90 % interval."""
    own = stated_table(pack.open_circuit)
    table = own or open_circuit_tables(pack.chemistry)[0]
    volts = float(table.volts_at(NEARLY_EMPTY))
    off = Z90 * float(voltage_uncertainty(pack.chemistry, NEARLY_EMPTY, own))
    cells = pack.cells_in_series
    return Range(cells * (volts - off), cells * volts, cells * (volts + off))


def _pull(open_v: Range, ohm: Range, amperes: float) -> Range:
    """Return open-circuit voltage less current times resistance, independent errors added by their squares."""
    volts = open_v.mid - amperes * ohm.mid
    down = math.hypot(open_v.mid - open_v.low, amperes * (ohm.high - ohm.mid))
    up = math.hypot(open_v.high - open_v.mid, amperes * (ohm.mid - ohm.low))
    return Range(volts - down, volts, volts + up)
