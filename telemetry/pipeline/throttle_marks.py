"""When the throttle's signal fails while driving: falls and jumps that no foot makes, and jitter."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from math import log2
from typing import Literal

import numpy as np

from telemetry.analysis.fault_isolation.drive import SLOWEST_PEDAL_S
from telemetry.analysis.fault_isolation.pedal import pedal_trace
from telemetry.analysis.fault_isolation.response import PedalRange
from telemetry.model.batch import MICROSECONDS
from telemetry.pipeline.running_figures import RunningQuantile

Kind = Literal["fall", "rise", "jitter"]
FIRST_AFTER = 30 * MICROSECONDS
LEAST_RANGE_V = 0.3
"""A throttle that moved less was not pressed, or is not connected."""
_KEPT, _WAIT = 4 * MICROSECONDS, 13 * MICROSECONDS // 10
_QUICK, _NOISE_WEIGHT, _FADES = 0.1, 0.02, 0.9995
_PLAIN, _USUAL_S = 4.5, 0.05
"""Evidence, log odds, from which a departure from the foot is plain by itself, and more where half of the readings
lack (by sound drives of both simulators)."""


class ThrottleMarks:
    """Keeps the throttle's range, noise and last seconds.

    Attributes:
        first: time of the first reading, microseconds; None before it.
        high: highest reading so far that came twice on end, V.
        noise: one standard deviation of a reading, V.
        recent: (microseconds, V) of the last four seconds.
    """

    def __init__(self) -> None:
        self.first: int | None = None
        self.high = self._began = 0.0
        self._low = RunningQuantile(0.05)
        self.noise = 0.005
        self.recent: deque[tuple[int, float]] = deque()
        self._fastest = self._before = 0.0
        self._hot: int | None = None
        self._done = 0

    @property
    def low(self) -> float:
        """Reading at rest, V: a machine is switched on with it released, and a lost contact is no rest."""
        return min(self._began, self._low.value) if self.first is not None else 0.0

    @property
    def width(self) -> float:
        """The throttle's travel, V."""
        return self.high - self.low

    def step(self, t: int, volts: float) -> Iterator[tuple[int, Kind]]:
        """Take a reading (NaN: none at this time); yield when the signal failed."""
        if volts == volts:
            self._take(t, volts)
        if self._hot is not None and t - self._hot >= _WAIT:
            hot, self._hot = self._hot, None
            yield from self._judged(hot)

    def between(self, start: int, until: int) -> list[float]:
        """Return the shares of travel from ``start`` to before ``until``."""
        return [(volts - self.low) / max(self.width, 1e-6) for t, volts in self.recent if start <= t < until]

    def _take(self, t: int, volts: float) -> None:
        recent = self.recent
        if self.first is None:
            self.first, self._began, self.high = t, volts, volts
        change = volts - recent[-1][1] if recent else 0.0
        size = abs(change)
        recent.append((t, volts))
        while recent[0][0] < t - _KEPT:
            recent.popleft()
        if size < 6 * self.noise:
            self.noise += _NOISE_WEIGHT * (0.9 * size - self.noise) if size else -_NOISE_WEIGHT * 0.1 * self.noise
            self.high = max(self.high, volts)
        self._low.take(volts, self.high - self._began)
        same_way = change * self._before > 0 and min(size, abs(self._before)) > 0.3 * max(size, abs(self._before))
        self._fastest = max(self._fastest * _FADES, max(size, abs(self._before)) if same_way else 0.0)
        self._before = change
        width = self.width
        known = t - self.first >= FIRST_AFTER and width > LEAST_RANGE_V
        if known and size > _QUICK * width and self._hot is None:
            self._hot = t

    def _judged(self, hot: int) -> Iterator[tuple[int, Kind]]:
        t = np.array([each[0] - hot for each in self.recent]) / MICROSECONDS
        volts = np.array([each[1] for each in self.recent])
        period = float(np.median(np.diff(t))) if len(t) > 4 else 1.0
        if period > SLOWEST_PEDAL_S:
            return
        plain = _PLAIN + max(log2(period / _USUAL_S), 0.0)
        for each in pedal_trace(t, volts, PedalRange(self.low, self.high, self.noise), self._fastest).seen:
            moment = hot + round(0.5 * (t[each.departure.left] + t[each.departure.left + 1]) * MICROSECONDS)
            if each.evidence > plain and moment > self._done and moment - hot < _WAIT:
                self._done = moment
                yield moment, "jitter" if each.kind == "jitter" else "rise" if each.depth > 0 else "fall"
