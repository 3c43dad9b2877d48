"""A figure as a range: what it may be at the least, most likely, and at the most."""

from __future__ import annotations

import math
from typing import NamedTuple

Z90 = 1.645
"""Standard deviations from the middle of a normal distribution to either end of its 90 % interval."""


class Range(NamedTuple):
    """Lowest, likeliest and highest value of one figure, ``low <= mid <= high``.

    Bounds are meant as 90 % bounds where they come from statistics, and as the ends of what is usual where they
    come from common practice; the figure's own description says which.
    """

    low: float
    mid: float
    high: float

    @classmethod
    def exactly(cls, value: float) -> Range:
        """Return a range of no width."""
        return cls(value, value, value)

    @property
    def sigma(self) -> float:
        """One standard deviation, where the ends are 90 % bounds to about the same on either side."""
        return (self.high - self.low) / 2.0 / Z90

    @classmethod
    def around(cls, value: float, half_width: float) -> Range:
        """Return ``value`` give or take ``half_width``, >= 0."""
        return cls(value - half_width, value, value + half_width)

    def times(self, factor: float | Range) -> Range:
        """Return the product; both must not be negative."""
        other = factor if isinstance(factor, Range) else Range.exactly(factor)
        return Range(self.low * other.low, self.mid * other.mid, self.high * other.high)

    def over(self, divisor: float | Range) -> Range:
        """Return the quotient; neither may be negative, and where the divisor may be 0 the high end is infinite."""
        other = divisor if isinstance(divisor, Range) else Range.exactly(divisor)
        return Range(_over(self.low, other.high), _over(self.mid, other.mid), _over(self.high, other.low))

    def plus(self, other: Range) -> Range:
        """Return the sum."""
        return Range(self.low + other.low, self.mid + other.mid, self.high + other.high)

    def at_least(self, floor: float) -> Range:
        """Return the range with nothing below ``floor``."""
        return Range(*(max(floor, value) for value in self))


def _over(value: float, divisor: float) -> float:
    if divisor > 0.0:
        return value / divisor
    return math.inf if value > 0.0 else 0.0
