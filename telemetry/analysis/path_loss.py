"""What is lost between pack and controller, and how low the pack's voltage will go nearly empty or in the cold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.cell_lag import Flags, Track, fit_robustly
from telemetry.analysis.joining import Joiner
from telemetry.analysis.open_circuit import open_circuit_tables, stated_table, voltage_uncertainty
from telemetry.analysis.parts_seen import under_load
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.session_power import Flow
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Values

_LEAST_BLOCKS = 24  # with both voltages and the current known, for a fit of two figures; ours
_SLOW_S = 10.0
_CLIMB_BLOCK_S = 5.0
_ALIKE = 1.5
"""Means of five seconds beside each other are alike, and the jackknife takes them for independent. Ours."""
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


def find_path_loss(series: SessionSeries, flow: Flow | None, least_a: float = 5.0) -> PathLoss:
    """Return the resistance between ``pack_voltage`` and ``controller_voltage``.

    Fitted over means of ten seconds, where neither a lag between two sources nor a constant difference between their
    meters matters. Needs four minutes with changing load.

    Args:
        series: the session.
        flow: its current.
        least_a: current out of the pack from which a row counts; below it the main switch may be open.
    """
    pack, controller = series.get("pack_voltage"), series.get("controller_voltage")
    if pack is None or controller is None or flow is None:
        lacking = [
            name
            for name, known in (
                ("pack_voltage", pack),
                ("controller_voltage", controller),
                ("pack_current", flow),
            )
            if known is None
        ]
        return PathLoss(None, f"record {' and '.join(lacking)}")
    lost, found = _lost_volts(series, pack, controller, flow, least_a), None
    if lost is not None:
        seconds = (lost.t - series.origin) / MICROSECONDS
        found = slow_resistance(seconds, lost.values, Track(Series(flow.t, flow.values), series.origin).at(seconds))
    if found is None or not all(math.isfinite(each) for each in found):
        return PathLoss(None, "record four minutes with changing load")
    ohm, spread = found
    if Z90 * spread > max(ohm, 0.0005):
        return PathLoss(None, "the load changed too little to tell the resistance of the path")
    return PathLoss(Range(ohm - Z90 * spread, ohm, ohm + Z90 * spread))


def find_path_rise(
    series: SessionSeries, flow: Flow | None, climbs: Sequence[tuple[int, int]], least_a: float = 5.0
) -> Range | None:
    """Return by which share the resistance of the path rises from the beginning of a long pull to its end.

    ``lost = c + R0 I + R1 I x`` with ``x`` from 0 to 1 along each pull, over means of five seconds; ``c`` is what the
    meters differ by, which driving at other currents tells. A joint that heats has ``R1`` above what copper's 0.4 %
    a kelvin makes of it.

    Args:
        series: the session.
        flow: its current.
        climbs: first and last time of each pull, microseconds.
        least_a: current out of the pack from which a row counts.

    Returns:
        R1 / R0 with its 90 % interval; None where it is not known.
    """
    pack, controller = series.get("pack_voltage"), series.get("controller_voltage")
    if pack is None or controller is None or flow is None or not climbs:
        return None
    lost = _lost_volts(series, pack, controller, flow, least_a)
    if lost is None:
        return None
    along = np.full(len(lost.t), np.nan)
    along[lost.t < climbs[0][0]] = 0.0
    for first, last in climbs:
        inside = (lost.t >= first) & (lost.t <= last)
        along[inside] = (lost.t[inside] - first) / max(1, last - first)
    used = ~np.isnan(along)
    seconds = (lost.t[used] - series.origin) / MICROSECONDS
    current = Track(Series(flow.t, flow.values), series.origin).at(seconds)
    block = (seconds // _CLIMB_BLOCK_S).astype(np.int64)
    names, place = np.unique(block, return_inverse=True)
    if len(names) < _LEAST_BLOCKS:
        return None
    count = np.bincount(place)
    volt, ampere, rising = (
        np.bincount(place, weights=each) / count for each in (lost.values[used], current, current * along[used])
    )
    fit = fit_robustly(np.stack([ampere, rising, np.ones_like(ampere)], axis=1), volt[:, None])
    ohm, more = float(fit.factors[0, 0]), float(fit.factors[1, 0])
    if not ohm > 0.0:
        return None
    spread = _ALIKE * float(fit.uncertainty(np.array([-more / ohm, 1.0, 0.0]))[0])
    return Range.around(more / ohm, Z90 * spread / ohm)


def _lost_volts(series: SessionSeries, pack: Series, controller: Series, flow: Flow, least_a: float) -> Series | None:
    """Return pack's voltage less the controller's where more than ``least_a`` flows, V; None for nowhere."""
    t, at_pack, at_controller, _ = Joiner().take((pack.t, pack.values), (controller.t, controller.values), series.end)
    return under_load(Series(t, at_pack - at_controller), flow, series.origin, least_a) if len(t) else None


def slow_resistance(seconds: Values, volts: Values, amperes: Values) -> tuple[float, float] | None:
    """Return what ``volts`` grow by for each ampere in the means of ten seconds, ohm, and one standard deviation.

    None where there are fewer than 24 such means.
    """
    block = ((seconds - seconds[0]) // _SLOW_S).astype(np.int64)
    count = np.bincount(block)
    held: Flags = np.asarray(count > 0)
    volt, ampere = (np.bincount(block, weights=each)[held] / count[held] for each in (volts, amperes))
    if int(np.count_nonzero(held)) < _LEAST_BLOCKS:
        return None
    fit = fit_robustly(np.stack([ampere, np.ones_like(ampere)], axis=1), volt[:, None])
    return float(fit.factors[0, 0]), float(fit.uncertainty(np.array([1.0, 0.0]))[0])


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
