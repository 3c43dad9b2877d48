"""How likely a row of events is if they come by chance, and if something makes them: at a rate, or beyond a limit.

Events at a rate h(t) have the log likelihood sum(log h(t_k)) - integral of h dt (Poisson process; D. R. Cox and V.
Isham, Point Processes, 1980, from memory). Rates and limits are summed out over grids, so nobody states them.
"""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats

RATES: Floats = np.geomspace(1 / 600, 1 / 2, 9)
"""Events a second where a fault can act: what troubles somebody comes every few seconds to every ten minutes
(ours)."""
LIMIT_RATES: Floats = np.array([1.0, 3.0])
"""What is beyond a limit is stopped within about a second (ours)."""
_LIMITS: Floats = 1 - np.geomspace(3e-4, 0.4, 24)
"""Quantiles of the watched quantity that are tried as its limit, beside what stood before the events."""


def log_mean(values: Floats) -> float:
    """Return the logarithm of the mean of exp(``values``)."""
    top = float(np.max(values))
    return top + float(np.log(np.mean(np.exp(values - top))))


def _gains(rates: Floats, weights: Floats, stray: float) -> Floats:
    """Return what each event (k,) adds to the log odds at each rate (rates, k)."""
    made, chance = np.log(rates + stray)[:, None] + weights, np.log(stray) + weights
    gains: Floats = np.logaddexp(0.0, made) - np.logaddexp(0.0, chance)
    return gains


def by_rate(weights: Floats, exposure_s: float, stray: float) -> float:
    """Return the log odds that a fault with some steady rate acted, against stray events alone.

    Args:
        weights: log likelihood ratio of each event (k,): that it was one, and not that something else looked like
        one. exposure_s: for how long the fault could act.
        stray: such events a second that no fault makes.
    """
    return log_mean(_gains(RATES, weights, stray).sum(axis=1) - RATES * exposure_s)


def by_limit(
    before: Floats, watched: Floats, step_s: float, slack: float, weights: Floats, stray: float
) -> tuple[float, float]:
    """Return the log odds that what goes beyond a limit is stopped, against stray events, and the likeliest limit.

    Args:
        before: the most that the watched quantity was just before each event (k,), k > 0.
        watched: the quantity at all other times at which an event could come (n,), n > 0.
        step_s: seconds for each of those.
        slack: by how much a reading may be beyond the limit by noise alone.
        weights, stray: as for :func:`by_rate`.
    """
    limits = np.unique(np.concatenate([before, np.quantile(watched, _LIMITS)]))
    beyond_s = (len(watched) - np.searchsorted(np.sort(watched), limits + slack)) * step_s
    inside = before >= limits[:, None] - slack
    odds = inside @ _gains(LIMIT_RATES, weights, stray).T - beyond_s[:, None] * LIMIT_RATES
    return log_mean(odds.ravel()), float(limits[int(np.argmax(odds.max(axis=1)))])
