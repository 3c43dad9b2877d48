"""Figures of a signal that are kept up to date with every reading: a quantile, and a level that forgets."""

from __future__ import annotations


class RunningQuantile:
    """A quantile of all readings by stochastic approximation (H. Robbins and S. Monro, 1951, from memory).

    Each reading moves it by a step up or down, weighed so that it stays where the share of readings below is right.

    Args:
        share: below which this share of the readings lies, 0 to 1.

    Attributes:
        value: the quantile; NaN before the first reading.
    """

    def __init__(self, share: float) -> None:
        self._share = share
        self.value = float("nan")

    def take(self, reading: float, spread: float) -> None:
        """Take a reading; ``spread`` is about how far readings lie apart, and sets the size of a step."""
        value = self.value
        if value != value:
            self.value = value = reading
        step = 0.02 * spread
        self.value = value + (step * self._share if reading > value else -step * (1 - self._share))
