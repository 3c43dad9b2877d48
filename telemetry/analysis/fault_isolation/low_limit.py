"""Low-voltage fold-back of the controller: it holds the voltage, whatever the current.

Under load the pack voltage sags with the current, by the resistance. A controller that folds back at its low-voltage
limit reduces the current until the voltage sags no further: the current then changes and the voltage does not. A
current limit does the opposite.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.power_path import PowerPath

_LOADED = 0.35
_LEAST_S = 1.5
_BAND = 0.004
"""Voltages within this share of each other, or within the meter's noise, count as the same."""
_MEAN_ROWS = 5


def voltage_held(voltage: Floats, current: Floats, usable: Flags, path: PowerPath) -> float:
    """Return the expected over the actual change of the voltage while it was lowest.

    Args:
        voltage: V (n,), NaN where unknown.
        current: A (n,).
        usable: rows with supply and without a stop.
        path: the measured resistance.

    Returns:
        The change of the current at the lowest voltages of the drive times the resistance, over the width of the
        band that they were taken from. Without a limit it is up to about 5; NaN where the load was too short.
    """
    mean = np.ones(_MEAN_ROWS) / _MEAN_ROWS
    volts, amps = np.convolve(voltage, mean, "same"), np.convolve(current, mean, "same")
    known = usable & ~np.isnan(volts)
    if not known.any():
        return float("nan")
    loaded = known & (amps > _LOADED * float(np.quantile(amps[known], 0.99)))
    if loaded.sum() * STEP_S < 2 * _LEAST_S:
        return float("nan")
    band = max(_BAND * path.usual_voltage, 2 * path.noise / sqrt(_MEAN_ROWS))
    lowest = loaded & (volts < float(np.quantile(volts[loaded], 0.01)) + 2 * band)
    if lowest.sum() * STEP_S < _LEAST_S:
        return float("nan")
    low, high = np.quantile(amps[lowest], [0.1, 0.9])
    return (float(high) - float(low)) * path.resistance / band
