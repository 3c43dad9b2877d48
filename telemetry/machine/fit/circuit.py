"""The arithmetic of a pack, its wires and what hangs on them: pure functions in volt, ampere, ohm, watt, second."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from telemetry.machine.cell_practice import CELL_PRACTICE, RATED_HOURS

_FULL_PCT = 100.0
CONNECTOR_RISE_C = 30.0
"""Rise of a connector at its rated current (UL 1977, from memory; UL 1059 has the same for terminal blocks)."""


def current_at_power(open_v: float, resistance_ohm: float, power_w: float) -> float | None:
    """Return the current at which a source gives ``power_w``, or None where it cannot: V * I = P with V = E - I * R.

    Of the two solutions the one with the higher voltage: the other lies beyond the most power, E**2 / (4 R).
    """
    if resistance_ohm == 0:
        return power_w / open_v
    under_root = open_v**2 - 4 * resistance_ohm * power_w
    if under_root < 0:
        return None
    # The product of both roots is P / R: dividing by the larger one loses no digits where R is small.
    return 2 * power_w / (open_v + math.sqrt(under_root))


def short_circuit_current(open_v: float, pack_ohm: float, wire_ohm: float) -> float:
    """Return the current of a dead short behind pack and wire, A: E / (R_pack + R_wire)."""
    return open_v / (pack_ohm + wire_ohm)


def temperature_rise(rated_rise_c: float, rated_a: float, current_a: float) -> float:
    """Return the rise of a lug or connector at ``current_a``, degC: heat goes with the square of the current."""
    return rated_rise_c * (current_a / rated_a) ** 2


def peukert_capacity(capacity_ah: float, current_a: float, exponent: float) -> float:
    """Return what a battery gives at ``current_a``, Ah, by Peukert's law: t = H * (C / (I * H))**k.

    In the form that gives the rated capacity at the rated current. Below that current it is held to the rated one.
    """
    if current_a <= capacity_ah / RATED_HOURS:
        return capacity_ah
    drawn = current_a * RATED_HOURS
    return float(drawn * (capacity_ah / drawn) ** exponent)


def usable_energy(chemistry: str, open_v: float, ohm: float, capacity_ah: float, current_a: float) -> float:
    """Return the energy a battery gives in a day's work, Wh: Peukert at ``current_a``, times its usual depth.

    Args:
        chemistry: for Peukert's exponent and the depth.
        open_v: mean open-circuit voltage of the battery over that depth, V.
        ohm: its resistance; what it sags under ``current_a`` is taken off.
        capacity_ah: rated.
        current_a: steady.

    """
    practice = CELL_PRACTICE[chemistry]
    charge = peukert_capacity(capacity_ah, current_a, practice.peukert) * practice.usable_share
    return max(0.0, open_v - current_a * ohm) * charge


def mean_open_v(points: Sequence[tuple[float, float]], used_share: float) -> float:
    """Return the mean of a curve of ``(percent, volts)`` from 100 % down over ``used_share`` (0 to 1) of the charge.

    Straight between points and level beyond them; points in any order.
    """
    curve = sorted(points)
    low = 100.0 * (1.0 - used_share)
    places = sorted({low, _FULL_PCT, *(percent for percent, _ in curve if low < percent < _FULL_PCT)})
    volts = [volts_at(curve, place) for place in places]
    steps = zip(pairwise(places), pairwise(volts), strict=True)
    return sum((right - left) * (a + b) / 2.0 for (left, right), (a, b) in steps) / (100.0 - low)


def volts_at(points: Sequence[tuple[float, float]], place: float) -> float:
    """Return the volts of a curve of ``(percent, volts)`` at a percentage; straight between points, level beyond."""
    curve = sorted(points)
    for (left, a), (right, b) in pairwise(curve):
        if left <= place <= right:
            return a + (b - a) * (place - left) / (right - left)
    return curve[0][1] if place < curve[0][0] else curve[-1][1]


def charge_time(charge_ah: float, current_a: float, acceptance: float = 1.0) -> float:
    """Return the hours to put ``charge_ah`` back at a steady current; the slow end of a charge is not counted."""
    return charge_ah / current_a / acceptance


def wall_energy(energy_wh: float, share: float, charger_efficiency: float, battery_efficiency: float) -> float:
    """Return the energy at the wall that puts back ``share`` of what a pack holds, Wh."""
    return energy_wh * share / (charger_efficiency * battery_efficiency)


def fill_time(resistance_ohm: float, capacitance_f: float) -> float:
    """Return the time constant of a capacitor filled through a resistor, s; after five it is full within 1 %."""
    return resistance_ohm * capacitance_f
