"""When the throttle's signal fails while driving: falls and jumps that no foot makes, and jitter."""

from __future__ import annotations

from collections.abc import Iterator
from math import log2
from typing import Literal

import numpy as np

from telemetry.analysis.fault_isolation.drive import SLOWEST_PEDAL_S
from telemetry.analysis.fault_isolation.pedal import pedal_trace
from telemetry.analysis.fault_isolation.response import PedalRange
from telemetry.analysis.fault_isolation.trace import NEVER, Trace, first_after
from telemetry.analysis.gaps import steps
from telemetry.analysis.recent import RunningQuantile
from telemetry.model.batch import MICROSECONDS, Times, Values

Kind = Literal["fall", "rise", "jitter"]
FIRST_AFTER = 30 * MICROSECONDS
LEAST_RANGE_V = 0.3
"""A throttle that moved less was not pressed, or is not connected."""
_KEPT, _WAIT = 4 * MICROSECONDS, 13 * MICROSECONDS // 10
_QUICK, _NOISE_WEIGHT, _FADES = 0.1, 0.02, 0.9995
_PLAIN, _USUAL_S = 4.5, 0.05
"""Evidence, log odds, from which a departure from the foot is plain by itself, and more where half of the readings
lack (by sound drives of both simulators)."""
_LEAST_READINGS = 5  # for a period
LOW, HIGH, _NOISE = 1, 2, 3
"""Columns of the trace, after that of the reading."""


class ThrottleMarks:
    """Keeps the throttle's range, noise and last seconds.

    Attributes:
        first: time of the first reading, microseconds; None before it.
        trace: the readings, V, and at each the one at rest, the highest so far that came twice on end, one standard
            deviation of the noise and the furthest move of a foot, V.
    """

    def __init__(self) -> None:
        self.first: int | None = None
        self.trace = Trace(_KEPT, 5)
        self._began = self._high = 0.0
        self._noise = 0.005
        self._low = RunningQuantile(0.05)
        self._fastest = self._before = 0.0
        self._hot: int | None = None
        self._judged_at, self._done = -NEVER, 0

    def take(self, t: Times, volts: Values, times: Times) -> Iterator[tuple[int, int, Kind]]:
        """Take readings; yield when it was noticed that the signal failed, when that was, and how.

        Args:
            t: int64 (rows,); ``volts``: float64 (rows,), V.
            times: of these and all other signals.
        """
        jumps = self._follow(t, volts) if len(t) else []
        while True:
            if self._hot is None:
                self._hot = next((jump for jump in jumps if jump > self._judged_at), None)
                if self._hot is None:
                    return
            noticed = first_after(times, self._hot + _WAIT)
            if noticed == NEVER:
                return
            hot, self._hot, self._judged_at = self._hot, None, noticed
            for moment, kind in self._judged(hot, noticed):
                yield noticed, moment, kind

    def range_at(self, t: int) -> PedalRange | None:
        """Return range and noise as known at ``t``; None before any reading."""
        row = self.trace.at(t)
        return None if row is None else PedalRange(row[LOW], row[HIGH], row[_NOISE])

    def travels(self, start: int, until: int, known: PedalRange) -> list[float]:
        """Return the shares of travel from ``start`` to before ``until``."""
        width = max(known.top - known.rest, 1e-6)
        return [(volts - known.rest) / width for volts in self.trace.between(start, until)]

    def _follow(self, t: Times, volts: Values) -> list[int]:
        """Follow range and noise; return when the signal moved by more than a tenth of the travel at once."""
        last = self.trace.last
        if self.first is None or last is None:
            self.first, last = int(t[0]), float(volts[0])
            self._began = self._high = self._low.value = last
        change = steps(volts, last)
        size = np.abs(change)
        noises, highs = self._noises_and_highs(volts.tolist(), size.tolist())
        lows = np.minimum(self._began, self._low.course(volts, highs - self._began))
        before = np.concatenate([[self._before], change[:-1]])
        self._before = float(change[-1])
        smaller, larger = np.minimum(size, np.abs(before)), np.maximum(size, np.abs(before))
        fastest, furthest = [], self._fastest
        for move in np.where((change * before > 0) & (smaller > 0.3 * larger), larger, 0.0).tolist():
            furthest *= _FADES
            if move > furthest:
                furthest = move
            fastest.append(furthest)
        self._fastest = furthest
        self.trace.add(t, volts, lows, highs, noises, np.array(fastest))
        width = highs - lows
        quick = (size > _QUICK * width) & (width > LEAST_RANGE_V) & (t - self.first >= FIRST_AFTER)
        found: list[int] = t[quick].tolist()
        return found

    def _noises_and_highs(self, volts: list[float], sizes: list[float]) -> tuple[Values, Values]:
        noise, high = self._noise, self._high
        noises, highs = [], []
        for value, size in zip(volts, sizes, strict=True):
            if size < 6 * noise:
                noise += _NOISE_WEIGHT * (0.9 * size - noise) if size else -_NOISE_WEIGHT * 0.1 * noise
                if value > high:
                    high = value
            noises.append(noise)
            highs.append(high)
        self._noise, self._high = noise, high
        return np.array(noises), np.array(highs)

    def _judged(self, hot: int, noticed: int) -> Iterator[tuple[int, Kind]]:
        trace = self.trace
        last = int(np.searchsorted(trace.t, noticed, side="right"))
        first = int(np.searchsorted(trace.t, trace.t[last - 1] - _KEPT))
        t, volts = (trace.t[first:last] - hot) / MICROSECONDS, trace.rows[first:last, 0]
        period = float(np.median(np.diff(t))) if len(t) >= _LEAST_READINGS else 1.0
        if period > SLOWEST_PEDAL_S:
            return
        _, low, high, noise, fastest = trace.rows[last - 1].tolist()
        plain = _PLAIN + max(log2(period / _USUAL_S), 0.0)
        for each in pedal_trace(t, volts, PedalRange(low, high, noise), fastest).seen:
            moment = hot + round(0.5 * (t[each.departure.left] + t[each.departure.left + 1]) * MICROSECONDS)
            if each.evidence > plain and moment > self._done and moment - hot < _WAIT:
                self._done = moment
                yield moment, "jitter" if each.kind == "jitter" else "rise" if each.depth > 0 else "fall"
