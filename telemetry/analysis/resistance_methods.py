"""Resistance by the standards' own methods, and how it changes from session to session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.cell_lag import Track
from telemetry.analysis.resistance import SENSOR_GAIN, Resistance, least_current
from telemetry.analysis.series import SessionSeries
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS

STEADY_S = 10.0
AFTER_S = 1.0
_STEADY = 0.05
_STEP = 0.5
LIKE_C, LIKE_PCT = 5.0, 20.0
"""Resistances are compared within 5 degC and within 20 % of charge; ours: 5 degC is about 15 % of resistance."""


@dataclass(frozen=True, slots=True)
class TwoCurrents:
    """One step that suits the two-current method.

    Attributes:
        at_s: s from the session's origin.
        low_a, high_a: current before and 1 s after it.
        mohm: what they tell.
    """

    at_s: float
    low_a: float
    high_a: float
    mohm: float


@dataclass(frozen=True, slots=True)
class ResistanceTrend:
    """How a session's resistance compares with that of earlier ones in like conditions.

    Attributes:
        change_pct, uncertainty_pct: against their median; one standard deviation. The sensor's gain, the same every
            time, is left out.
        sessions: earlier sessions that could be compared.
    """

    change_pct: float
    uncertainty_pct: float
    sessions: int


def two_current_resistance(volts: Sequence[float], amperes: Sequence[float]) -> float:
    """Return (U1 - U2) / (I2 - I1), ohm: the direct-current resistance of IEC 61960.

    Args:
        volts: U1 after 10 s at the low current, U2 after 1 s at the high one, V.
        amperes: I1 (0.2 of the capacity an hour) and I2 (once the capacity an hour), positive out, A.

    Raises:
        ValueError: the currents are equal.
    """
    (u1, u2), (i1, i2) = volts, amperes
    if i1 == i2:
        raise ValueError("two different currents are needed to tell a resistance")
    return (u1 - u2) / (i2 - i1)


def pulse_power(low_v: float, open_circuit_v: float, resistance_ohm: float) -> float:
    """Return the power, W, that pulls a pack at rest down to ``low_v``: low (open - low) / R.

    Source: hybrid pulse power characterisation (USABC / FreedomCAR battery test manuals).
    """
    return low_v * (open_circuit_v - low_v) / resistance_ohm


def find_two_currents(series: SessionSeries, pack: Pack) -> tuple[TwoCurrents, ...]:
    """Return the steps that suit the two-current method: ten steady seconds, then at least half as much again.

    Needs ``pack_current`` and ``pack_voltage`` of the same rows or near, at least one a second.
    """
    measured, voltage = series.get("pack_current"), series.get("pack_voltage")
    if measured is None or voltage is None or not 0 < measured.interval_s <= AFTER_S * 1.05:
        return ()
    seconds, ampere = (measured.t - series.origin) / MICROSECONDS, measured.values
    track = Track(voltage, series.origin)
    volt = track.at(seconds)
    known = track.known(np.maximum(seconds - STEADY_S, seconds[0]), np.minimum(seconds + AFTER_S, seconds[-1]))
    rising = np.flatnonzero(np.diff(ampere) > _STEP / 2 * np.maximum(ampere[:-1], least_current(pack)))
    found = []
    for last in rising.tolist():
        first = int(np.searchsorted(seconds, seconds[last] - STEADY_S))
        after = int(np.searchsorted(seconds, seconds[last] + AFTER_S))
        if (
            not known[last]
            or last - first < 5
            or after >= len(seconds)
            or seconds[last] - seconds[first] < 0.8 * STEADY_S
        ):
            continue
        low, high, before = float(ampere[last]), float(ampere[after]), ampere[first : last + 1]
        steady = low > least_current(pack) and float(np.ptp(before)) < 2 * _STEADY * low
        if steady and high > (1 + _STEP) * low and seconds[after] - seconds[last] < 1.5 * AFTER_S:
            ohm = two_current_resistance((float(volt[last]), float(volt[after])), (low, high))
            found.append(TwoCurrents(float(seconds[last]), low, high, 1000 * ohm))
    return tuple(found)


def resistance_trend(earlier: Sequence[Resistance], latest: Resistance) -> ResistanceTrend | None:
    """Return how ``latest`` compares with ``earlier`` ones at like temperature and charge, or None without any."""
    now = _own_percent(latest)
    like = [each for each in earlier if _alike(each, latest)]
    if now is None or latest.pack_mohm is None or not like:
        return None
    before = float(np.median([each.pack_mohm for each in like if each.pack_mohm is not None]))
    doubts = [doubt for each in like if (doubt := _own_percent(each)) is not None]
    return ResistanceTrend(
        100 * (latest.pack_mohm / before - 1),
        float(np.hypot(now, np.sqrt(np.mean(np.square(doubts)) / len(doubts)))),
        len(like),
    )


def _alike(one: Resistance, other: Resistance) -> bool:
    if one.pack_mohm is None or one.temperature_c is None or other.temperature_c is None:
        return False
    charges = one.soc_reported_pct, other.soc_reported_pct
    like_charge = charges[0] is None or charges[1] is None or abs(charges[0] - charges[1]) <= LIKE_PCT
    return abs(one.temperature_c - other.temperature_c) <= LIKE_C and like_charge


def _own_percent(found: Resistance) -> float | None:
    """Return the uncertainty in percent without the sensor's gain."""
    if found.pack_mohm is None or found.pack_uncertainty_mohm is None:
        return None
    share = found.pack_uncertainty_mohm / found.pack_mohm
    return 100 * float(np.sqrt(max(0.0, share**2 - SENSOR_GAIN**2)))
