"""How long a fuse carries a current, and how soon it opens: by common practice, or by the maker's points.

A band has two edges. The early edge is what a fuse carries for sure, the late edge is when it has opened for sure.
Points are ``(current, seconds)``; between two points both run straight on logarithmic paper, as time-current curves
are drawn, and past the last one the fuse melts at a constant ``I² t`` (no heat leaves it any more).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

Points = tuple[tuple[float, float], ...]

BLADE_UP_TO_A = 40.0
BLADE_CARRIES: Points = ((1.1, 360_000.0), (1.35, 0.75), (1.6, 0.25), (2.0, 0.15), (3.5, 0.04), (6.0, 0.02))
"""Shortest opening times of blade fuses by multiples of the rating (ISO 8820-3, from memory)."""
BOLTED_CARRIES: Points = ((1.1, 360_000.0), (1.35, 120.0), (2.0, 1.0), (3.5, 0.3), (6.0, 0.1))
"""Shortest opening times of bolted strip fuses by multiples of the rating (ISO 8820-5, from memory)."""
OPENS: Points = ((1.35, 3600.0), (2.0, 60.0))
"""Longest opening times by multiples of the rating: an hour at 135 % (UL 248, up to 60 A, from memory), a minute at
twice the rating (common practice, from memory; UL 248 lets slow fuses take 2 to 12 minutes there)."""
CURVE_TOLERANCE = 0.10
"""How far fuses of one type lie from their curve, of the current (IEC 60269-1, from memory)."""
BAND_SOURCE = (
    "opening times of fuses: earliest by ISO 8820, latest by UL 248 at 135 % and common practice at twice the "
    "rating, from memory"
)
CURVE_SOURCE = "[wiring] fuse_curve, 10 % of the current to either side (IEC 60269-1, from memory)"


@dataclass(frozen=True, slots=True)
class FuseBand:
    """Both edges of a fuse's time-current band, ``(A, s)`` with the current rising, and where they come from."""

    carries: Points
    opens: Points
    source: str

    def carried_s(self, current_a: float) -> float:
        """Return how long the fuse carries that current for sure, from cold, s; ``inf`` below the early edge."""
        return _seconds(self.carries, current_a)

    def opened_s(self, current_a: float) -> float:
        """Return after how long the fuse has opened for sure, s; ``inf`` below the late edge."""
        return _seconds(self.opens, current_a)

    def carried_a(self, seconds: float) -> float:
        """Return the highest current that the fuse carries for sure for that long, A."""
        return _amperes(self.carries, seconds)

    def opened_a(self, seconds: float) -> float:
        """Return the lowest current at which the fuse has opened for sure by then, A."""
        return _amperes(self.opens, seconds)


def fuse_band(rating_a: float, curve: Points | None = None) -> FuseBand:
    """Return the band of a fuse of that rating, A: by the maker's average curve, else by common practice."""
    if curve is None:
        carries = BLADE_CARRIES if rating_a <= BLADE_UP_TO_A else BOLTED_CARRIES
        return FuseBand(_scaled(carries, rating_a), _scaled(OPENS, rating_a), BAND_SOURCE)
    carries, opens = (_scaled(curve, 1.0 - CURVE_TOLERANCE), _scaled(curve, 1.0 + CURVE_TOLERANCE))
    # For longer than the curve goes, a fuse carries its rating, if that is less than where the curve begins.
    if rating_a < carries[0][0]:
        carries = ((rating_a, math.inf), *carries)
    return FuseBand(carries, opens, CURVE_SOURCE)


def _scaled(points: Points, factor: float) -> Points:
    return tuple((factor * amperes, seconds) for amperes, seconds in points)


def _legs(points: Points) -> Iterator[tuple[tuple[float, float], tuple[float, float]]]:
    """Give each leg between two points that is a line on logarithmic paper."""
    finite = [point for point in points if math.isfinite(point[1])]
    yield from pairwise(finite)


def _seconds(points: Points, current_a: float) -> float:
    finite = [point for point in points if math.isfinite(point[1])]
    if current_a <= points[0][0]:
        return math.inf
    if current_a <= finite[0][0]:
        return finite[0][1]
    for (low_a, long_s), (high_a, short_s) in _legs(points):
        if current_a <= high_a:
            share = math.log(current_a / low_a) / math.log(high_a / low_a)
            return math.exp(math.log(long_s) + share * math.log(short_s / long_s))
    last_a, last_s = points[-1]
    return last_s * (last_a / current_a) ** 2


def _amperes(points: Points, seconds: float) -> float:
    finite = [point for point in points if math.isfinite(point[1])]
    if seconds > finite[0][1]:
        return points[0][0]
    for (low_a, long_s), (high_a, short_s) in _legs(points):
        if seconds >= short_s:
            share = math.log(seconds / long_s) / math.log(short_s / long_s)
            return math.exp(math.log(low_a) + share * math.log(high_a / low_a))
    last_a, last_s = points[-1]
    return last_a * math.sqrt(last_s / seconds)
