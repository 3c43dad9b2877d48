"""Smoothing of a signal and of its rate of change."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats


def smoothed(values: Floats, rows: float, derivative: bool = False) -> Floats:
    """Return ``values`` under a Gaussian of ``rows`` standard deviation, or the derivative of that by the row."""
    reach = int(4 * rows) + 1
    x = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (x / rows) ** 2)
    kernel /= kernel.sum()
    if derivative:
        kernel = -x / rows**2 * kernel
    padded = np.concatenate([np.full(reach, values[0]), values, np.full(reach, values[-1])])
    return np.convolve(padded, kernel, "valid")
