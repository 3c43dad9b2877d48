"""Several unknown figures at once: each is drawn from its range, and what depends on all of them is read off.

For what is no sum: errors joined by their squares need slopes, and where a curve bends (a pack that is empty cannot
be emptier) there are none. The points are fixed, so the same ranges give the same answer to the last bit, and a bit
more charge never looks like less: a lattice of Korobov's with 1021 points and multiplier 76 (P. L'Ecuyer and
C. Lemieux, Management Science 46 (2000) 1214-1235; numbers from memory), which the tests hold to even spacing.
"""

from __future__ import annotations

from functools import cache
from statistics import NormalDist

import numpy as np

from telemetry.analysis.ranges import Z90, Range
from telemetry.model.batch import Values

COUNT, _MULTIPLIER = 1021, 76


@cache
def normals(dimensions: int) -> Values:
    """Return independent standard normal values, float64 (dimensions, COUNT)."""
    quantiles = np.array([NormalDist().inv_cdf((place + 0.5) / COUNT) for place in range(COUNT)])
    point = np.arange(COUNT)
    found = np.stack([quantiles[point * pow(_MULTIPLIER, each, COUNT) % COUNT] for each in range(dimensions)])
    found.flags.writeable = False
    return found


def along(found: Range, z: Values) -> Values:
    """Return ``found`` at each ``z``: half a normal distribution to either side of its middle, 90 % within."""
    above, below = np.maximum(z, 0.0), np.minimum(z, 0.0)
    return np.asarray(found.mid + (found.high - found.mid) / Z90 * above + (found.mid - found.low) / Z90 * below)


@cache
def times_along(found: Range, dimensions: int, place: int) -> Values:
    """Return ``found``, of positive ends, at each value of one of the ``normals``: the same with its logarithm."""
    drawn = np.exp(along(Range(*np.log(found).tolist()), normals(dimensions)[place]))
    drawn.flags.writeable = False
    return np.asarray(drawn)


def interval(drawn: Values) -> Range:
    """Return median and 90 % interval of what was drawn."""
    drawn = np.sort(drawn)
    place = np.array([0.05, 0.5, 0.95]) * len(drawn) - 0.5  # Hazen's, as a tenth of numpy.quantile's cost
    left = place.astype(np.int64)
    return Range(*(drawn[left] + (place - left) * (drawn[left + 1] - drawn[left])).tolist())
