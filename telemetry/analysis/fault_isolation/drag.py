"""The force that holds the machine back, per weight, from how it accelerates for what the pedal asks.

The drive's force per mass is taken as a smooth function of the pedal's travel and the speed, zero with the pedal at
rest. What the acceleration then lacks is rolling resistance, slope and drag. Slope changes its sign over a drive and
over hills; a brake that binds or grass around an axle does not. The function is learnt from quick changes within the
drive, so a slowly changing slope cannot imitate it. Neither the machine's mass nor its efficiency is needed.

It is weighed a second time by the electrical power (``force_balance``). The two are independent in what can mislead
them: a pedal that is not proportional to force misleads the first, a consumer that comes and goes the second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.force_balance import GRAVITY, balance_of_power
from telemetry.analysis.fault_isolation.pedal_map import shifted
from telemetry.analysis.fault_isolation.response import hat_functions, robust_fit, thinned
from telemetry.analysis.fault_isolation.smoothing import smoothed

_KNOT_S = 8.0
_STIFFNESS = 2.0
_ROWS_LEARNT = 1000
_SMOOTH_ROWS = 5.0
_POWERS = (0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.1)
_CALM_ROWS = 15
_RELEASED_ROWS = 15
_RAMP = np.array([1.0, 1.0, 1.0, 0.0, 0.0]) / 3


@dataclass(frozen=True, slots=True)
class Resistance:
    """Force against the motion over weight (0.05: as on a slope of 5 %), and how well it is known.

    Attributes:
        mean: over the drive, by the pedal.
        by_power, by_power_deviation: the same by the electrical power, and its standard deviation; NaN where that is
            not known.
        low, middle, high: its 10, 50 and 90 % quantiles along the drive: slope, ground, drag together.
        rows: rows it was learnt from.
        spread: what the fit of the acceleration leaves, m/s².
        full_force: acceleration that the whole pedal gives at little speed, m/s².
    """

    mean: float
    by_power: float
    by_power_deviation: float
    low: float
    middle: float
    high: float
    rows: int
    spread: float
    full_force: float


def resistance_to_motion(
    t: Floats, travel: Floats, speed: Floats, usable: Flags, traction_w: Floats | None = None
) -> Resistance | None:
    """Learn the force against the motion.

    Args:
        t: seconds (n,).
        travel: share of pedal travel (n,).
        speed: m/s (n,).
        usable: rows in which nothing else interfered: supply there, no shortfall of the controller.
        traction_w: electrical power of the drive alone, W (n,), or None.

    Returns:
        None where the machine drove too little under power, about 15 s.
    """
    smooth = smoothed(speed, _SMOOTH_ROWS)
    acceleration = smoothed(speed, _SMOOTH_ROWS, derivative=True) / STEP_S
    width = 2 * _CALM_ROWS + 1
    pressed = np.convolve((travel > 0.02) & usable, np.ones(width), "same") > width - 0.5
    rows = np.flatnonzero(pressed & (smooth > 0.4))
    if len(rows) < 300:
        return None
    knots = hat_functions(t, _KNOT_S)[rows]
    learn = thinned(np.arange(len(rows)), _ROWS_LEARNT)

    def fit(terms: list[Floats]) -> tuple[Floats, float]:
        features = np.stack([smoothed(term, _SMOOTH_ROWS)[rows] for term in terms], axis=1)
        coefficients, _, spread = robust_fit(features[learn], -knots[learn], acceleration[rows][learn], _STIFFNESS, 3)
        return coefficients, spread

    def by_pedal(power: float, late: int) -> tuple[Floats, float]:
        asked = np.convolve(shifted(travel, late) ** power, _RAMP, "same")
        return fit([asked, asked * smooth, asked * smooth**2])

    late = min(range(0, 12, 2), key=lambda rows_late: by_pedal(1.2, rows_late)[1])
    late = min((max(late - 1, 0), late, late + 1), key=lambda rows_late: by_pedal(1.2, rows_late)[1])
    (coefficients, spread) = min((by_pedal(power, late) for power in _POWERS), key=lambda each: each[1])
    by_power, deviation = np.nan, np.nan
    if traction_w is not None:
        released = np.convolve((travel < 0.02) & usable, np.ones(_RELEASED_ROWS), "same") > _RELEASED_ROWS - 0.5
        balance = balance_of_power(t, speed, traction_w, rows, np.flatnonzero(released & (smooth > 0.5)))
        by_power, deviation = balance.mean, balance.deviation
    along = knots @ coefficients[3:] / GRAVITY
    low, middle, high = np.quantile(along, [0.1, 0.5, 0.9])
    return Resistance(
        float(along.mean()),
        by_power,
        deviation,
        float(low),
        float(middle),
        float(high),
        len(rows),
        spread,
        float(coefficients[0]),
    )
