"""Readings that cannot be true become unknown: infinite ones, and those outside the range of their signal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import islice

import numpy as np

from telemetry.model.batch import Values
from telemetry.model.signals import find_signal

_MOST_NAMES = 3
_GREATEST = float(np.finfo(np.float64).max)


class Possible:
    """Makes impossible values unknown wherever rows come in, from a link or from a file.

    Attributes:
        made_unknown: how many values were infinite or physically impossible, by (signal, reason).
    """

    def __init__(self) -> None:
        self.made_unknown: Counter[tuple[str, str]] = Counter()
        self._bounds: dict[tuple[str, ...], tuple[Values, Values]] = {}

    def of(self, signals: tuple[str, ...], values: Values) -> Values:
        """Return ``values``, shape (rows, signals), with NaN for what cannot be; where all can be, without a copy."""
        low, high = self._range_of(signals)
        possible = (values >= low) & (values <= high)
        if possible.all() or not (wrong := ~possible & ~np.isnan(values)).any():
            return values
        for column in np.flatnonzero(wrong.any(axis=0)):
            infinite = int(np.isinf(values[:, column]).sum())
            signal = signals[column]
            if infinite:
                self.made_unknown[signal, "infinite"] += infinite
            if impossible := int(wrong[:, column].sum()) - infinite:
                self.made_unknown[signal, "physically impossible"] += impossible
        return np.where(wrong, np.nan, values)

    def told(self) -> Iterator[str]:
        """Give a sentence for each reason, with the signals that have it."""
        for reason in sorted({reason for _, reason in self.made_unknown}):
            of = {signal: count for (signal, why), count in sorted(self.made_unknown.items()) if why == reason}
            more = f" and {len(of) - _MOST_NAMES} more signals" if len(of) > _MOST_NAMES else ""
            named = ", ".join(f"{count} of {signal}" for signal, count in islice(of.items(), _MOST_NAMES))
            yield f"{reason} values, which count as unknown: {named}{more}"

    def _range_of(self, signals: tuple[str, ...]) -> tuple[Values, Values]:
        if signals not in self._bounds:
            known = [find_signal(signal) for signal in signals]
            bounds = [(s.low, s.high) if s else (-np.inf, np.inf) for s in known]
            low, high = np.clip(np.reshape(bounds, (-1, 2)).T, -_GREATEST, _GREATEST)  # infinite is never possible
            self._bounds[signals] = low, high
        return self._bounds[signals]
