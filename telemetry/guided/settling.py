"""Where a value that settles is going: ``y(t) = end - b exp(-t / tau)``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from telemetry.analysis.series import Series
from telemetry.model.batch import MICROSECONDS

LEAST_ROWS: Final = 20
_TIMES: Final = np.geomspace(0.05, 3.0, 40)
"""Time constants tried, over the length of what is known: a longer one is a straight line. Ours."""
_KNOWN: Final = 0.5
"""A time constant beyond this share of what is known leaves the end open by more than half of the way to it. Ours."""


@dataclass(frozen=True, slots=True)
class Settled:
    """Where it ends, one standard deviation, and the time constant, s."""

    end: float
    sigma: float
    tau_s: float


def settle(series: Series) -> Settled | None:
    """Return where the values end; None where they are too few, or have not bent enough to tell.

    The time constant is searched; end and ``b`` are linear. The error is that of the end by the fit's own scatter and
    by the time constants that fit nearly as well.
    """
    if len(series.t) < LEAST_ROWS:
        return None
    seconds = (series.t - series.t[0]) / MICROSECONDS
    length = float(seconds[-1])
    if length <= 0.0:
        return None
    ends, misfits = np.empty(len(_TIMES)), np.empty(len(_TIMES))
    for place, share in enumerate(_TIMES):
        x = np.stack([np.ones(len(seconds)), -np.exp(-seconds / (share * length))], axis=1)
        found, *_ = np.linalg.lstsq(x, series.values, rcond=None)
        ends[place], misfits[place] = found[0], float(((series.values - x @ found) ** 2).sum())
    best = int(np.argmin(misfits))
    variance = max(misfits[best] / (len(seconds) - 3), 1e-18)
    weights = np.exp(-0.5 * np.minimum((misfits - misfits[best]) / variance, 500.0))
    weights /= weights.sum()
    end = float(weights @ ends)
    if _TIMES[best] > _KNOWN:
        return None
    spread = math.sqrt(float(weights @ (ends - end) ** 2) + variance / len(seconds))
    return Settled(end, spread, float(_TIMES[best]) * length)
