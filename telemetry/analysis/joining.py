"""Two signals of different groups on one time axis, by linear interpolation within each one's own gap limit.

The joined axis is the union of both. A joined row is given out when the later neighbour has arrived; nothing is
extrapolated. Holding a slow voltage against a fast current instead would cost half a percent of energy.
"""

from __future__ import annotations

import numpy as np

from telemetry.analysis.gaps import AT_MOST, GapRule
from telemetry.model.batch import NO_TIMES, NO_VALUES, Flags, Times, Values

_NO_FLAGS: Flags = np.empty(0, dtype=np.bool_)


class _Samples:
    """Known samples of one signal that the other side may still need, the earliest as left neighbour."""

    def __init__(self) -> None:
        self.rule = GapRule()
        self.t, self.values, self.bridged = NO_TIMES, NO_VALUES, _NO_FLAGS

    def take(self, t: Times, values: Values) -> None:
        known = ~np.isnan(values)
        if not known.all():
            t, values = t[known], values[known]
        if len(t):
            bridged = self.rule.take(t)
            self.t = np.concatenate([self.t, t])
            self.values = np.concatenate([self.values, values])
            self.bridged = np.concatenate([self.bridged, bridged])

    def at(self, u: Times) -> tuple[Values, Flags]:
        """Return the value at each of ``u`` (NaN where unknown) and whether the interval leading to it is bridged."""
        right = np.searchsorted(self.t, u, side="left")  # first sample at or after u
        inside = right < len(self.t)
        right = np.minimum(right, len(self.t) - 1)
        exact = inside & (self.t[right] == u)
        left = np.maximum(right - 1, 0)
        between = inside & ~exact & (right > 0) & self.bridged[right]
        step = np.where(between, self.t[right] - self.t[left], 1)
        share = (u - self.t[left]) / step
        value = self.values[left] + (self.values[right] - self.values[left]) * share
        result = np.where(exact, self.values[right], np.where(between, value, np.nan))
        return result, inside & self.bridged[right]

    def forget_before(self, t: int) -> None:
        """Drop what no later joined row can need: all before the last sample at or before ``t``."""
        first = int(np.searchsorted(self.t, t, side="right")) - 1
        if first > 0:
            self.t, self.values, self.bridged = self.t[first:], self.values[first:], self.bridged[first:]


class Joiner:
    """Brings two signals together; state is the samples that still wait for a neighbour."""

    def __init__(self) -> None:
        self._sides = (_Samples(), _Samples())
        self._given_to = -(2**62)

    def take(
        self, first: tuple[Times, Values], second: tuple[Times, Values], end: int
    ) -> tuple[Times, Values, Values, Flags]:
        """Take new rows of both sides and return what can now be told.

        Args:
            first, second: times int64 (n,) and values float64 (n,) of each side; NaN values are left out.
            end: nothing at or before this time is still to come.

        Returns:
            times, first values, second values, and whether the interval leading to each row is bridged on both sides.
        """
        if self._is_one_axis(first, second):
            return self._take_one_axis(first[0], first[1], second[1])
        for side, (t, values) in zip(self._sides, (first, second), strict=True):
            side.take(t, values)
        horizon = min(end, *(self._horizon(side, end) for side in self._sides))
        if horizon <= self._given_to or not all(len(side.t) for side in self._sides):
            self._prune(end)
            return NO_TIMES, NO_VALUES, NO_VALUES, _NO_FLAGS
        axis = self._axis(horizon)
        (a, a_bridged), (b, b_bridged) = self._sides[0].at(axis), self._sides[1].at(axis)
        self._given_to = horizon
        self._prune(end)
        known = ~(np.isnan(a) | np.isnan(b))
        return axis[known], a[known], b[known], (a_bridged & b_bridged)[known]

    def _is_one_axis(self, first: tuple[Times, Values], second: tuple[Times, Values]) -> bool:
        """Return whether one group carries both, all known, and nothing waits: then no row has to be searched for."""
        t = first[0]
        return (
            t is second[0]
            and len(t) > 0
            and int(t[0]) > self._given_to
            and (len(t) == 1 or bool((t[1:] > t[:-1]).all()))
            and all(not len(side.t) or side.t[-1] <= self._given_to for side in self._sides)
            and not (np.isnan(first[1]).any() or np.isnan(second[1]).any())
        )

    def _take_one_axis(self, t: Times, *values: Values) -> tuple[Times, Values, Values, Flags]:
        bridged = [side.rule.take(t) for side in self._sides]
        for side, own, flags in zip(self._sides, values, bridged, strict=True):
            side.t, side.values, side.bridged = t[-1:], own[-1:], flags[-1:]
        self._given_to = int(t[-1])
        return t, values[0], values[1], bridged[0] & bridged[1]

    def _axis(self, horizon: int) -> Times:
        """Return the times of both sides after what was given out, up to ``horizon``, each once."""
        first, second = (
            side.t[np.searchsorted(side.t, self._given_to, "right") : np.searchsorted(side.t, horizon, "right")]
            for side in self._sides
        )
        return np.unique(first if np.array_equal(first, second) else np.concatenate([first, second]))

    @staticmethod
    def _horizon(side: _Samples, end: int) -> int:
        """Up to where this side is decided: its last sample, or ``end`` once a next one could not be bridged."""
        if side.rule.last is None:
            return -(2**62)
        return end if end - side.rule.last > AT_MOST else side.rule.last

    def _prune(self, end: int) -> None:
        """Keep left neighbours, and nothing that waits for a partner longer than any gap may be."""
        for side in self._sides:
            side.forget_before(max(self._given_to, end - 2 * AT_MOST))

    @property
    def decided_to(self) -> int:
        """Time up to which every joined row has been given out."""
        return self._given_to
