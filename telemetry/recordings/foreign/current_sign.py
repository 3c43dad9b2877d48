"""Which way a logger counts current, told from the pack's voltage: it falls when current flows out."""

from __future__ import annotations

import numpy as np

from telemetry.model.batch import Values

FEWEST_STEPS = 12
"""With so many steps, four in five of one sign come by chance once in 50 times at most (binomial, p = 0.5)."""
_AGREE = 0.8


def is_charge_positive(voltage: Values, current: Values) -> bool | None:
    """Return whether positive current charges; None where the steps of current are too few, or do not agree.

    Args:
        voltage: V, shape (rows,); current: A, likewise, rows at one instant. NaN where unknown.

    """
    known = np.isfinite(voltage) & np.isfinite(current)
    rise, step = np.diff(voltage[known]), np.diff(current[known])
    telling = rise * step != 0
    if np.count_nonzero(telling) < FEWEST_STEPS:
        return None
    rise, step = rise[telling], step[telling]
    large = np.abs(step) >= np.quantile(np.abs(step), 0.5)
    if np.count_nonzero(large) >= FEWEST_STEPS:
        rise, step = rise[large], step[large]
    together = float(np.mean(rise * step > 0))
    return True if together >= _AGREE else False if together <= 1 - _AGREE else None
