"""What the pack's switch opened on: a threshold of the current, or one of the voltage.

A switch opens once what it watches has been beyond its threshold for its delay. So the least that it was during the
delay right before each opening is the same for all openings, and at no other time of the drive was it that much for
that long. Which of the two, current or voltage, comes nearer to that is found for every delay up to some seconds.

The voltage is looked at as the current that would make it fall so far (through the resistance learnt from the drive),
so that both misfits are in ampere. They part where the voltage at rest falls meanwhile, as it does in a pack with
little left, where the slow part of the sag adds to it, and where the machine pulls hard twice, before and after.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from telemetry.analysis.fault_isolation.drive import Flags, Floats, Indices
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss
from telemetry.analysis.fault_isolation.power_path import PowerPath

_DELAYS_ROWS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 27, 30, 34, 38)
_LATE_ROWS = 3
"""The moment of an opening is known to about so much."""
_BEFORE_ROWS, _AFTER_ROWS = 5, 30
_NOISE_SHARE = 0.015
_LEAST_NOISE_A = 0.3
_SINGLE = 3
"""So many readings beyond the threshold without an opening may be noise."""


@dataclass(frozen=True, slots=True)
class SwitchThreshold:
    """How well a threshold of either kind explains the openings.

    Attributes:
        by_current, by_voltage: misfit, A: the scatter of what stood before the openings, and by how much the drive
            went beyond it at other times without one.
        top_current: highest usual current, A.
        depth: how far the voltage was below that at rest right before, median over the openings, share of it.
    """

    by_current: float
    by_voltage: float
    top_current: float
    depth: float

    @property
    def odds_of_voltage(self) -> float:
        """The log odds that it was the voltage.

        Which threshold explains the openings better decides most. A deep sag speaks for the voltage, and so does a
        misfit of both: it was one cell's voltage, then, and not the pack's. The factors are those of a logistic
        regression over simulated drives of two simulators.
        """
        ratio = min(max(log(self.by_current / self.by_voltage), -1.5), 3.0)
        unexplained = log(min(max(self.by_current / self.top_current, 0.015), 1.0))
        return 1.0 + 3.4 * ratio + 12 * min(max(self.depth, 0.0), 0.25) + 0.95 * unexplained


def switch_threshold(
    trips: Sequence[SupplyLoss], current: Floats, voltage: Floats, usable: Flags, path: PowerPath
) -> SwitchThreshold | None:
    """Weigh both kinds of threshold.

    Args:
        trips: the openings, in time order.
        current: A (n,), none NaN.
        voltage: V (n,), none NaN.
        usable: rows in which the supply was there.
        path: the resistance.

    Returns:
        None where there is nothing before the openings to compare.
    """
    starts = [trip.start for trip in trips if trip.start > _BEFORE_ROWS]
    if not starts or usable.sum() < 100:
        return None
    amps, volts = current.copy(), voltage.copy()
    for trip in trips:  # what came after must not be smoothed into what was before
        last = max(trip.start - 1, 0)
        amps[trip.start : trip.end], volts[trip.start : trip.end] = amps[last], volts[last]
    ohm = path.resistance + 0.5 * path.slow_resistance
    top = float(np.quantile(current[usable], 0.99))
    elsewhere = usable.copy()
    for start in starts:
        elsewhere[max(start - _BEFORE_ROWS, 0) : start + _AFTER_ROWS] = False
    if not elsewhere.any():
        return None
    rows = np.arange(len(current))
    closings = np.array([-len(rows), *(trip.end for trip in trips)])
    closed_for = rows - closings[np.searchsorted(closings, rows, side="right") - 1]
    noise = max(_LEAST_NOISE_A, _NOISE_SHARE * top)
    noise_by_voltage = max(0.6 * path.noise_idle / ohm, _NOISE_SHARE * top)
    resting = max(float(np.median(voltage[:20])), float(np.quantile(voltage[usable], 0.98)))
    before = [float(voltage[max(start - 6, 0) : start].min()) for start in starts]
    return SwitchThreshold(
        _misfit(_mean(amps), starts, closed_for, elsewhere, noise),
        _misfit(_mean(-volts / ohm), starts, closed_for, elsewhere, noise_by_voltage),
        top,
        1 - float(np.median(before)) / resting,
    )


def _mean(values: Floats) -> Floats:
    """Return the mean over three readings."""
    padded = np.concatenate([values[:1], values, values[-1:]])
    mean: Floats = (padded[:-2] + padded[1:-1] + padded[2:]) / 3
    return mean


def _misfit(watched: Floats, starts: Sequence[int], closed_for: Indices, elsewhere: Flags, noise: float) -> float:
    """Return by how much the best threshold and delay miss, in the unit of ``watched``.

    Where the switch opened again as soon as its delay had passed, it had closed far beyond the threshold: then what
    stood before the opening is no measure of it. ``closed_for`` (n,) is the time since the switch closed, rows.
    """
    least = watched.copy()
    best, reach = np.inf, 1
    for delay in _DELAYS_ROWS:
        while reach < delay:
            least[reach:] = np.minimum(least[reach:], watched[:-reach])
            reach += 1
        before = np.array([least[max(start - _LATE_ROWS, 0) : start].max() for start in starts])
        others = np.sort(least[elsewhere & (closed_for >= delay)])[-_SINGLE:]
        beyond = max(float(others[0]) - float(before.min()), 0.0) if len(others) else 0.0
        reached = before[closed_for[np.array(starts) - 1] > delay + _LATE_ROWS]
        scatter = float(np.var(reached)) if len(reached) else 0.0
        best = min(best, (noise**2 + scatter + beyond**2) ** 0.5)
    return float(best)
