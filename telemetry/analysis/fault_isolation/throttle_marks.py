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
from telemetry.analysis.recent import RunningQuantile, between
from telemetry.model.batch import MICROSECONDS

_LEAST_READINGS = 5  # for a period


Kind = Literal["fall", "rise", "jitter"]
NEVER = 2**62
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
        due: from when on something can be judged, microseconds.
    """

    def __init__(self) -> None:
        self.first: int | None = None
        self.high = self._began = 0.0
        self._low = RunningQuantile(0.05)
        self.noise = 0.005
        self.recent: deque[tuple[int, float]] = deque()
        self._fastest = self._before = 0.0
        self._hot: int | None = None
        self.due = NEVER
        self._done = 0

    @property
    def low(self) -> float:
        """Reading at rest, V: a machine is switched on with it released, and a lost contact is no rest."""
        return min(self._began, self._low.value) if self.first is not None else 0.0

    @property
    def width(self) -> float:
        """The throttle's travel, V."""
        return self.high - self.low

    def between(self, start: int, until: int) -> list[float]:
        """Return the shares of travel from ``start`` to before ``until``."""
        low, width = self.low, max(self.width, 1e-6)
        return [(volts - low) / width for volts in between(self.recent, start, until)]

    def take(self, t: int, volts: float) -> None:
        """Take a reading, V."""
        recent = self.recent
        if self.first is None:
            self.first, self._began, self.high, self._low.value = t, volts, volts, volts
        change = volts - recent[-1][1] if recent else 0.0
        size = abs(change)
        recent.append((t, volts))
        while recent[0][0] < t - _KEPT:
            recent.popleft()
        if size < 6 * self.noise:
            self.noise += _NOISE_WEIGHT * (0.9 * size - self.noise) if size else -_NOISE_WEIGHT * 0.1 * self.noise
            self.high = max(self.high, volts)
        self._low.take(volts, self.high - self._began)
        before, self._before = self._before, change
        self._fastest *= _FADES
        if change * before > 0:
            smaller, larger = sorted((size, abs(before)))
            if smaller > 0.3 * larger and larger > self._fastest:
                self._fastest = larger
        if size > _QUICK * LEAST_RANGE_V and self._hot is None and t - self.first >= FIRST_AFTER:
            width = self.width
            if width > LEAST_RANGE_V and size > _QUICK * width:
                self._hot, self.due = t, t + _WAIT

    def judged(self) -> Iterator[tuple[int, Kind]]:
        """Yield when the signal failed, from :attr:`due` on."""
        hot, self._hot, self.due = self._hot, None, NEVER
        assert hot is not None
        t = np.array([each[0] - hot for each in self.recent]) / MICROSECONDS
        volts = np.array([each[1] for each in self.recent])
        period = float(np.median(np.diff(t))) if len(t) >= _LEAST_READINGS else 1.0
        if period > SLOWEST_PEDAL_S:
            return
        plain = _PLAIN + max(log2(period / _USUAL_S), 0.0)
        for each in pedal_trace(t, volts, PedalRange(self.low, self.high, self.noise), self._fastest).seen:
            moment = hot + round(0.5 * (t[each.departure.left] + t[each.departure.left + 1]) * MICROSECONDS)
            if each.evidence > plain and moment > self._done and moment - hot < _WAIT:
                self._done = moment
                yield moment, "jitter" if each.kind == "jitter" else "rise" if each.depth > 0 else "fall"
