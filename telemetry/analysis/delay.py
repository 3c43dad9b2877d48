"""How far one signal lags another that moves with it: from their changes, or from blips of the throttle.

The measure is the cross-correlation of changes. The slower signal's changes stand as they were read; the faster is
interpolated to the same instants, put back by a supposed delay, and the correlation coefficient r of both changes is
taken on a fine grid of delays. Changes, not values, for a slow drift or an offset must not count.

Under normally distributed errors of equal spread and a gain that is not known, the likelihood of a delay is
(1 - r²)^(-n/2) (least squares with one factor: the share of squares it leaves is 1 - r²). The delay given is the mean
of that distribution over the grid and its uncertainty the standard deviation, so that a flat top or a second peak
widens it. n is the effective number of changes, (sum d²)² / sum d⁴, which counts those that stand out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from telemetry.analysis.pedal_blips import Blip, find_blips
from telemetry.analysis.ranges import Z90
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

_LEAST_READINGS, _LEAST_AROUND = 8, 4
"""Of a signal, and of the current around a blip: fewer tell no delay. Ours."""
SEARCH_S = 5.0
"""How far apart two sources are looked for by a shared signal, seconds either way."""
SEARCH_BLIPS_S = 2.0
"""The same by blips of the pedal: less, for one blip must not be taken for the next."""
LEAST_MATCH = 0.6
LEAST_CHANGES = 4.0
LEAST_SIGNIFICANCE = 4.0
"""r * sqrt(n / (1 - r²)) from which a peak counts as no chance, over the many delays that were tried."""
MOST_UNCERTAIN_S = 0.2
SLOWEST_FAST_S = 0.6
SLOWEST_BLIPS_S = 0.7
BLIPS_NEEDED = 3

_OVER_S = 0.3  # a change is taken over at least so long: between neighbours at 50 Hz there is mostly noise
_STEPS_S = (0.02, 0.002)
_MOST_ROWS = 5_000
_LEAST_UNEXPLAINED = 1e-3  # readings between samples are interpolated, so no match is truer than this


@dataclass(frozen=True, slots=True)
class Delay:
    """How much later the second of two sources comes than the first.

    Attributes:
        seconds: negative where the first comes later.
        uncertainty_s: one standard deviation.
        match: correlation coefficient of the changes, 0 to 1.
        events: changes that decided, or blips of the pedal that were met again.
        way: ``shared signal`` or ``pedal blips``.
    """

    seconds: float
    uncertainty_s: float
    match: float
    events: int
    way: Literal["shared signal", "pedal blips"] = "shared signal"


@dataclass(frozen=True, slots=True)
class _Curve:
    """Correlation ``match`` over supposed ``delays`` (s, ascending), from ``count`` effective changes."""

    delays: Values
    match: Values
    count: float

    def mean_and_deviation(self) -> tuple[float, float]:
        unexplained = np.maximum(1 - np.maximum(self.match, 0) ** 2, _LEAST_UNEXPLAINED)
        weight = (unexplained / unexplained.min()) ** (-self.count / 2)
        weight /= weight.sum()
        mean = float(weight @ self.delays)
        return mean, float(np.sqrt(weight @ (self.delays - mean) ** 2))


def delay_by_changes(first: tuple[Times, Values], second: tuple[Times, Values], sign: int = 1) -> Delay | str:
    """Return how much later ``second`` comes than ``first``, or a sentence why that is not known.

    Args:
        first, second: times int64 (n,) in microseconds, ascending, and known values float64 (n,).
        sign: -1 where one falls when the other rises.
    """
    return _delay(first, second, sign, SEARCH_S, None)


def delay_by_blips(
    pedal: tuple[Times, Values], current: tuple[Times, Values], speed: Sequence[tuple[Times, Values]] = ()
) -> Delay | str:
    """Return how far ``current`` lags ``pedal``, including the controller's own delay, from throttle blips.

    Only the seconds around series of at least three blips at standstill are looked at (see
    :func:`~telemetry.analysis.pedal_blips.find_blips`).
    """
    blips = find_blips(*pedal, speed)
    if len(blips) < BLIPS_NEEDED:
        return "fewer than three throttle blips at standstill"
    interval = max(_interval(pedal[0]), _interval(current[0]))
    if interval > SLOWEST_BLIPS_S:
        return f"sample intervals too long: one of the two is read only every {interval:.2g} s and may miss a blip"
    told = _delay(pedal, current, 1, SEARCH_BLIPS_S, blips)
    if isinstance(told, str):
        return told
    met = sum(_met_again(blip, told.seconds, pedal, current) for blip in blips)
    if met < BLIPS_NEEDED:
        return f"only {met} of {len(blips)} throttle blips show in the current"
    return replace(told, events=met, way="pedal blips")


def _delay(
    first: tuple[Times, Values],
    second: tuple[Times, Values],
    sign: int,
    search_s: float,
    blips: Sequence[Blip] | None,
) -> Delay | str:
    if min(len(first[0]), len(second[0])) < _LEAST_READINGS:
        return "one of them has fewer than eight readings"
    intervals = (_interval(first[0]), _interval(second[0]))
    if min(intervals) > SLOWEST_FAST_S:
        return f"sample intervals too long: the faster of the two is read only every {min(intervals):.2g} s"
    turned = intervals[0] > intervals[1]
    slow, fast = (first, second) if turned else (second, first)
    shape = _Shape(slow, fast, sign, search_s, None if blips is None else (blips, turned))
    curve = shape.curve(np.arange(-search_s, search_s + _STEPS_S[0] / 2, _STEPS_S[0]))
    mean, deviation = curve.mean_and_deviation()
    half = max(5 * deviation, 3 * _STEPS_S[0])
    if half < search_s / 4:
        curve = shape.curve(np.arange(mean - half, mean + half, _STEPS_S[1]))
        mean, deviation = curve.mean_and_deviation()
    match = float(curve.match.max())
    if (why := _doubt(match, curve.count, mean, deviation, search_s)) is not None:
        return why
    uncertainty = float(np.hypot(deviation, 0.3 * min(intervals)))  # 1/sqrt(12) of the interval read between
    return Delay(-mean if turned else mean, uncertainty, match, round(curve.count))


def _doubt(match: float, count: float, mean: float, deviation: float, search_s: float) -> str | None:
    """Return why a peak of the correlation cannot be trusted, or None where it can."""
    if count < LEAST_CHANGES:
        return "too few changes; drive off and stop several times, or blip the throttle"
    significance = match * np.sqrt(count / max(1 - match**2, _LEAST_UNEXPLAINED))
    if match < LEAST_MATCH or significance < LEAST_SIGNIFICANCE:
        return f"their changes do not match (best correlation {max(match, 0):.2f})"
    if abs(mean) > search_s - 0.2:
        return f"they match best at {mean:+.1f} s, the edge of the search, so the lag may be longer"
    if deviation > MOST_UNCERTAIN_S:
        return f"several delays fit equally well (± {Z90 * deviation:.2f} s); it takes more changes, unevenly spaced"
    return None


def _interval(t: Times) -> float:
    """Return the usual time between two readings, seconds; infinite for fewer than two."""
    return float(np.median(np.diff(t))) / MICROSECONDS if len(t) > 1 else float("inf")


class _Shape:
    """The slower signal's changes, and the faster signal to hold against them at any supposed delay."""

    def __init__(
        self,
        slow: tuple[Times, Values],
        fast: tuple[Times, Values],
        sign: int,
        search_s: float,
        around: tuple[Sequence[Blip], bool] | None,
    ) -> None:
        origin = int(fast[0][0])
        interval = _interval(slow[0])
        stride = max(1, round(_OVER_S / max(interval, 1e-3)))
        stride = min(stride, len(slow[0]) - 1)
        t = (slow[0] - origin) / MICROSECONDS
        before, after = np.arange(len(t) - stride), np.arange(stride, len(t))
        keep = t[after] - t[before] <= 2.5 * stride * interval
        if around is not None:
            keep &= _near(around[0], t[after], origin, search_s)
        change = sign * (slow[1][after] - slow[1][before])
        keep &= change != 0 if around is None else np.True_
        places = np.flatnonzero(keep)
        if len(places) > _MOST_ROWS:
            largest = np.argpartition(np.abs(change[places]), -_MOST_ROWS)[-_MOST_ROWS:]
            places = places[np.sort(largest)]
        self._before, self._after = t[before[places]], t[after[places]]
        self._change = change[places]
        self._fast = _with_gaps_open((fast[0] - origin) / MICROSECONDS, fast[1])
        square = self._change**2
        fourth = float((square**2).sum())
        self._count = float(square.sum()) ** 2 / fourth / stride if fourth > 0 else 0.0

    def curve(self, delays: Values) -> _Curve:
        """Return the correlation coefficient of both changes at each supposed delay of the slower signal, seconds."""
        return _Curve(delays, np.array([self._match(delay) for delay in delays]), self._count)

    def _match(self, delay: float) -> float:
        """Return r at one delay; 0 where too little of the faster signal is known there."""
        if self._count == 0:
            return 0.0
        change = self._at(self._after - delay) - self._at(self._before - delay)
        known = ~np.isnan(change)
        own = float((self._change[known] ** 2).sum())
        if own < 0.6 * float((self._change**2).sum()):
            return 0.0
        power = own * float((change[known] ** 2).sum())
        return float(self._change[known] @ change[known]) / power**0.5 if power > 0 else 0.0

    def _at(self, t: Values) -> Values:
        return np.interp(t, *self._fast, left=np.nan, right=np.nan)


def _near(blips: Sequence[Blip], t: Values, origin: int, search_s: float) -> Flags:
    near = np.zeros(len(t), dtype=np.bool_)
    for blip in blips:
        start, end = ((edge - origin) / MICROSECONDS for edge in (blip.start, blip.end))
        near |= (t >= start - search_s) & (t <= end + search_s)
    return near


def _with_gaps_open(t: Values, values: Values) -> tuple[Values, Values]:
    """Return the samples with an unknown one in the middle of every gap, so that nothing is interpolated across."""
    steps = np.diff(t)
    gaps = np.flatnonzero(steps > max(5 * float(np.median(steps)), 0.25))
    middle = (t[gaps] + t[gaps + 1]) / 2
    return np.insert(t, gaps + 1, middle), np.insert(values, gaps + 1, np.nan)


def _met_again(blip: Blip, delay: float, pedal: tuple[Times, Values], current: tuple[Times, Values]) -> bool:
    """Tell whether the current is higher during the blip, put back by ``delay``, than beside it.

    Where no reading fell into the blip the interpolated current stands for it.
    """
    start, end = ((edge - int(pedal[0][0])) / MICROSECONDS + delay for edge in (blip.start, blip.end))
    t = (current[0] - int(pedal[0][0])) / MICROSECONDS
    width = max(end - start, 0.1)
    around = current[1][(t > start - 3 * width - 1) & (t < end + 3 * width + 1)]
    if len(around) < _LEAST_AROUND:
        return False
    idle, top = float(np.quantile(around, 0.25)), float(around.max())
    inside = np.interp(np.linspace(start, end, 9), t, current[1])
    return bool(inside.max() > idle + 0.3 * (top - idle))
