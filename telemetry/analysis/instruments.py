"""How far the readings of current and voltage may be off at a date: as usual, as stated, or as checked with a meter.

One model for every bound: ``shown = true * (1 + gain) + offset``. Gain and offset are each known to a best value and
one standard deviation. How to use it:

* A session's readings are set right once, by :func:`corrected`, before any estimator sees them. What is left is a
  spread around zero: ``errors.current.gain_sd`` goes into whatever is counted or divided by current (charge, energy,
  capacity, resistance), ``errors.voltage.gain_sd`` into energy, resistance and what is read off a voltage,
  ``errors.current.offset_sd`` is what the sensor may show at no current before a rest tells better
  (:func:`telemetry.analysis.current_offset.find_offset`).
* Such an error is the same all session: it never averages out over rows, and two sessions with the same instrument
  share it. Add it once, in quadrature, after all else is combined.
* Live, ``errors_at(machine, t)`` gives the same for now; readings are shown as they come.

A stated error is a limit, so its standard deviation is the limit over the root of three (Guide to the Expression of
Uncertainty in Measurement, JCGM 100:2008, 4.3.7). Checks are joined with it by least squares on gain and offset of
instrument and meter together (a Kalman filter over the days): pairs of the same meter share its errors, so many pairs
never make the reading better than the meter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Literal

import numpy as np

from telemetry.analysis.series import Series, SessionSeries
from telemetry.machine.kinds import Check
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, Values

Ground = Literal["usual", "stated", "checked"]

_ROOT3 = float(np.sqrt(3.0))
USUAL_CURRENT_GAIN = 0.01 / _ROOT3
"""Share of the reading, one standard deviation: sheets give 1 % at most; common practice."""
USUAL_CURRENT_OFFSET_C = 0.003
"""A over the capacity in Ah, one standard deviation: 0.3 A on 100 Ah; common practice."""
USUAL_VOLTAGE_GAIN = 0.003 / _ROOT3
"""0.3 % of the reading at most; common practice for a BMS."""
USUAL_CELL_V = 0.002
"""One cell's reading against another's, V, one standard deviation; common practice, from memory."""
_METER_CURRENT, _METER_CURRENT_A = 0.02, 0.3
"""A DC clamp meter nobody states: 2 % and 0.3 A at most; common practice."""
_METER_VOLTAGE, _METER_VOLTAGE_V = 0.005, 0.05
"""A multimeter nobody states: 0.5 % and 0.05 V at most; common practice."""
USUAL_VOLTAGE_OFFSET_V = _METER_VOLTAGE_V / _ROOT3
"""What a voltmeter shows too much whatever the voltage, V, one standard deviation: as a multimeter nobody states."""
_TWO_LOOKS = 0.003
"""The load moves by this share between two looks, one standard deviation. Ours."""
_GAIN_DRIFT, _OFFSET_DRIFT = 0.2, 0.5
"""What age and season undo of a check in a year, as a share of what is usual without one. Ours; from memory."""


@dataclass(frozen=True, slots=True)
class SensorError:
    """How far one instrument may be off.

    Attributes:
        gain, gain_sd: what it shows too much, as a share of the true value, and one standard deviation.
        offset, offset_sd: what it shows at zero, A or V, and one standard deviation.
        ground: where that comes from; ``checked`` wins over ``stated``.
    """

    gain: float
    gain_sd: float
    offset: float
    offset_sd: float
    ground: Ground = "usual"

    def true(self, shown: Values) -> Values:
        """Return the likeliest true values behind ``shown``."""
        return (shown - self.offset) / (1.0 + self.gain)


@dataclass(frozen=True, slots=True)
class InstrumentErrors:
    """The instruments of one machine at one date; ``cell_sd_v``: one cell's reading against another's, V."""

    current: SensorError
    voltage: SensorError
    cell_sd_v: float = USUAL_CELL_V


def errors_at(machine: Machine | None, t: int | None) -> InstrumentErrors:
    """Return how far the instruments may be off at ``t``.

    Args:
        machine: whose ``[instruments]`` count; None: what is usual.
        t: microseconds since the Unix epoch; None where the date is not known: then no check counts.
    """
    if machine is None:
        return InstrumentErrors(
            SensorError(0.0, USUAL_CURRENT_GAIN, 0.0, 0.0), SensorError(0.0, USUAL_VOLTAGE_GAIN, 0.0, 0.0)
        )
    stated = machine.instruments
    day = None if t is None else datetime.fromtimestamp(t / MICROSECONDS, UTC).date()
    current = _Stated(
        _limit(stated.current_gain_percent, 100 * _ROOT3 * USUAL_CURRENT_GAIN) / 100,
        _limit(stated.current_offset_a, _ROOT3 * USUAL_CURRENT_OFFSET_C * machine.pack.capacity_ah),
        stated.current_step_a or 0.0,
        _limit(stated.current_meter_percent, 100 * _METER_CURRENT) / 100,
        _limit(stated.current_meter_a, _METER_CURRENT_A),
        stated.current_gain_percent is not None,
    )
    voltage = _Stated(
        _limit(stated.voltage_gain_percent, 100 * _ROOT3 * USUAL_VOLTAGE_GAIN) / 100,
        stated.voltage_step_v or 0.0,
        stated.voltage_step_v or 0.0,
        _limit(stated.voltage_meter_percent, 100 * _METER_VOLTAGE) / 100,
        _limit(stated.voltage_meter_v, _METER_VOLTAGE_V),
        stated.voltage_gain_percent is not None,
    )
    return InstrumentErrors(
        _checked(current, stated.current_checks, day),
        _checked(voltage, stated.voltage_checks, day),
        USUAL_CELL_V if stated.cell_error_mv is None else stated.cell_error_mv / 1000 / _ROOT3,
    )


def session_errors(machine: Machine | None, series: SessionSeries) -> InstrumentErrors:
    """Return how far the instruments may be off in a recorded session, see :func:`errors_at`."""
    return errors_at(machine, series.end if series.time_basis == "absolute" else None)


def corrected(series: SessionSeries, errors: InstrumentErrors) -> SessionSeries:
    """Return the session with ``pack_current`` and ``pack_voltage`` set right by what checks have shown."""
    known = (("pack_current", errors.current), ("pack_voltage", errors.voltage))
    signals = {
        name: Series(found.t, error.true(found.values))
        for name, error in known
        if (error.gain or error.offset) and (found := series.get(name)) is not None
    }
    return replace(series, signals={**series.signals, **signals}) if signals else series


@dataclass(frozen=True, slots=True)
class _Stated:
    """Limits of an instrument and of the meter it is checked with, gains as shares; ``told``: its maker states it."""

    gain: float
    offset: float
    step: float
    meter_gain: float
    meter_offset: float
    told: bool


def _limit(stated: float | None, usual: float) -> float:
    return usual if stated is None else stated


def _checked(stated: _Stated, checks: tuple[Check, ...], day: date | None) -> SensorError:
    """Return the instrument's errors after every check up to ``day``."""
    limits = np.array([stated.gain, stated.offset, stated.meter_gain, stated.meter_offset])
    state, covariance = np.zeros(4), np.diag((limits / _ROOT3) ** 2)
    covariance[1, 1] += stated.step**2 / 12
    usual = covariance.copy()
    drift = np.array([_GAIN_DRIFT, _OFFSET_DRIFT, 0.0, 0.0]) * limits / _ROOT3
    counted = [check for check in checks if day is not None and check.day <= day]
    before = counted[0].day if counted else None
    for check in counted:
        covariance = _aged(covariance, drift, before, check.day)
        before = check.day
        row = np.array([check.measured, 1.0, -check.measured, -1.0])
        noise = stated.step**2 / 12 + (_TWO_LOOKS * check.measured) ** 2 + (0.05 * stated.meter_offset) ** 2 + 1e-9
        along = covariance @ row
        taken = along / (row @ along + noise)
        state = state + taken * (check.shown - check.measured - row @ state)
        covariance = covariance - np.outer(taken, along)
    if counted:
        covariance = _aged(covariance, drift, before, day)
    spread = np.sqrt(np.minimum(np.diag(covariance), np.diag(usual)))
    ground: Ground = "checked" if counted else "stated" if stated.told else "usual"
    return SensorError(float(state[0]), float(spread[0]), float(state[1]), float(spread[1]), ground)


def _aged(covariance: Values, drift: Values, before: date | None, now: date | None) -> Values:
    """Return the covariance after the days between, in which gain and offset may have wandered."""
    assert before is not None
    assert now is not None
    return covariance + np.diag(drift**2) * ((now - before).days / 365.25)
