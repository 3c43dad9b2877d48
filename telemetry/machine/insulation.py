"""Insulation resistance between a pack and the frame, from voltmeter readings with and without a known resistor.

The method of UN Regulation No. 100, revision 2, with the pack as the voltage source (read in a consolidated copy
of its annex). V1 is the higher of the two readings from pole to frame. The resistor R0
goes from *that* pole to the frame, and the reading there sinks to V1'. Then Ri = R0 (Vb / V1' - Vb / V1).

Ri is the leakage resistance of the *other* pole: with G for conductances, V1 / Vb = G_other / (G_other + G_this +
G_meter), and R0 adds 1 / R0 to the sum, so that the difference is R0 G_other's inverse exactly, whatever the meter's
own resistance. The higher reading belongs to the pole that leaks less, so Ri is the worse of the two. A resistor on
the other pole measures the better one and would pass a bad machine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from telemetry.machine.limits_vehicle import AC_OHM_PER_V, DC_OHM_PER_V

RESISTOR_OHM_PER_V: Final = (DC_OHM_PER_V, AC_OHM_PER_V)
RESISTOR_TOLERANCE: Final = 0.2
"""R0 may be 20 % beyond the range that the requirement gives (note 1 of the method)."""
METER_SHARE, METER_V, RESISTOR_SHARE = 0.005, 0.05, 0.05
"""Error of an ordinary meter, of its reading and in volts, and of an ordinary resistor. Common practice."""


@dataclass(frozen=True, slots=True)
class Insulation:
    """What the readings give.

    Attributes:
        ohm: insulation resistance; infinite where V1' is zero.
        least_ohm: the lowest that the errors of meter and resistor allow, at least 0.

    """

    ohm: float
    least_ohm: float


def insulation_resistance(pack_v: float, before_v: float, after_v: float, resistor_ohm: float) -> Insulation:
    """Return Ri = R0 (Vb / V1' - Vb / V1).

    Args:
        pack_v: Vb, above 0.
        before_v: V1, the higher reading, above 0.
        after_v: V1', with the resistor, at most V1 and at least 0.
        resistor_ohm: R0.

    Raises:
        ValueError: V1' is above V1 by more than the meter's error, as with the resistor on the other pole.

    """
    if rose(before_v, after_v):
        raise ValueError("the voltage rose, so the resistor is on the other pole")
    low = max(before_v - METER_SHARE * before_v - METER_V, 1e-9)
    high = after_v + METER_SHARE * after_v + METER_V
    least = (1 - RESISTOR_SHARE) * resistor_ohm * pack_v * (1 / high - 1 / low)
    ohm = math.inf if after_v <= 0 else resistor_ohm * pack_v * (1 / after_v - 1 / before_v)
    return Insulation(max(ohm, 0.0), max(least, 0.0))


def highest_reading(before_v: float, resistor_ohm: float, wanted_ohm_per_v: float) -> float:
    """Return the highest V1' that proves the insulation wanted beyond the errors of meter and resistor, V."""
    low = max(before_v - METER_SHARE * before_v - METER_V, 1e-9)
    high = 1 / (wanted_ohm_per_v / ((1 - RESISTOR_SHARE) * resistor_ohm) + 1 / low)
    return (high - METER_V) / (1 + METER_SHARE)


def rose(before_v: float, after_v: float) -> bool:
    """Return whether the reading rose by more than the meter's error when the resistor was connected."""
    return after_v > before_v * (1 + METER_SHARE) + METER_V


def resistor_range(pack_v: float) -> tuple[float, float]:
    """Return the lowest and highest R0 for a pack of ``pack_v``, ohm: 100 to 500 ohm a volt."""
    low, high = RESISTOR_OHM_PER_V
    return low * pack_v, high * pack_v


def resistor_watts(pack_v: float, resistor_ohm: float) -> float:
    """Return what the resistor must take where the other pole is joined to the frame, W: Vb² / R0."""
    return pack_v**2 / resistor_ohm
