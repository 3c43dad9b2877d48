"""How voltage follows current over about a second: the changes, a robust fit to them, and how late cells are read.

Many pack electronics read the current at once and the cells one after another, up to half a second late. A voltage
that is read late answers to the current of an earlier moment. All changes here are taken between rows about one
second apart, so
that slow polarisation and the slope of the open-circuit curve hardly enter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from telemetry.analysis.series import Series
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

WIDTH_S = 1.0
"""Changes are taken over about so long, as the usual load-step resistance is; common practice."""
SLOWEST_S = 2.5
"""Rows further apart tell of slow polarisation rather than of resistance."""
LONGEST_LAG_S = 1.6
_LEAST_STEPS, _LEAST_ROWS = 8, 30
_DONE_S = 0.002
"""A fit that moves the lag by less is done."""
_BLOCKS = 12
_HUBER = 2.0


class Track:
    """A signal at any moment, by straight lines between rows: the current, or the pack's voltage in its stead.

    Attributes:
        seconds, values: the rows, s since ``origin``.
        interval_s: usual time between rows.
    """

    def __init__(self, series: Series, origin: int) -> None:
        self.seconds = (series.t - origin) / MICROSECONDS
        self.values = series.values
        self.interval_s = series.interval_s
        self._holes = np.concatenate([[0], np.cumsum(np.diff(self.seconds) > max(3 * self.interval_s, 1.0))])

    def at(self, seconds: Values) -> Values:
        """Return the signal at each of ``seconds``."""
        found: Values = np.interp(seconds, self.seconds, self.values)
        return found

    def change(self, first: Values, last: Values) -> Callable[[Values], Values]:
        """Return what gives the change from each ``first`` to ``last`` of any signal with these rows."""
        places = []
        for each in (first, last):
            left = np.clip(np.searchsorted(self.seconds, each, "right") - 1, 0, len(self.seconds) - 2)
            step = np.maximum(self.seconds[left + 1] - self.seconds[left], 1e-9)
            places.append((left, np.clip((each - self.seconds[left]) / step, 0.0, 1.0)))
        (left, part), (right, further) = places

        def change_of(values: Values) -> Values:
            steps = np.diff(values)
            return np.asarray(values[right] + further * steps[right] - values[left] - part * steps[left])

        return change_of

    def known(self, first: Values, last: Values) -> Flags:
        """Tell for each stretch from ``first`` to ``last`` whether rows stand without a hole all along it."""
        inside = (first >= self.seconds[0]) & (last <= self.seconds[-1])
        left = np.searchsorted(self.seconds, first, "right") - 1
        right = np.minimum(np.searchsorted(self.seconds, last, "left"), len(self.seconds) - 1)
        whole: Flags = inside & (self._holes[right] == self._holes[np.maximum(left, 0)])
        return whole


@dataclass(frozen=True, eq=False)
class Pairs:
    """Rows of a voltage and the rows some time before them.

    Attributes:
        before, after: places of the rows.
        seconds: times of all rows, s.
        interval_s: usual time between rows.
    """

    before: npt.NDArray[np.intp]
    after: npt.NDArray[np.intp]
    seconds: Values
    interval_s: float

    @property
    def first_s(self) -> Values:
        """Times of the earlier rows, s."""
        return np.asarray(self.seconds[self.before])

    @property
    def last_s(self) -> Values:
        """Times of the later rows, s."""
        return np.asarray(self.seconds[self.after])

    def where(self, use: Flags) -> Pairs:
        """Return those pairs that ``use`` names."""
        return Pairs(self.before[use], self.after[use], self.seconds, self.interval_s)

    def change(self, track: Track, late_s: float = 0.0) -> Values:
        """Return by how much ``track`` changed over each pair, each row's time taken ``late_s`` earlier."""
        at_rows = track.at(self.seconds - late_s)
        return np.asarray(at_rows[self.after] - at_rows[self.before])


def pairs_of(t: Times, origin: int, width_s: float = WIDTH_S) -> Pairs | None:
    """Return the pairs of rows at ``t`` about ``width_s`` apart, or None where rows are too few or too far apart."""
    if len(t) < _LEAST_STEPS:
        return None
    seconds = (t - origin) / MICROSECONDS
    interval = float(np.median(np.diff(seconds)))
    apart = max(1, round(width_s / interval)) if interval > 0 else 0
    if not 0 < interval <= SLOWEST_S or len(t) <= apart + 2:
        return None
    before = np.arange(1, len(t) - apart - 1)
    after = before + apart
    # a row on either side is needed too, for the slope
    width = seconds[after + 1] - seconds[before - 1]
    fits = np.abs(width - (apart + 2) * interval) < 0.5 * (apart + 2) * interval
    before, after = before[fits], after[fits]
    return Pairs(before, after, seconds, interval)


def changes(pairs: Pairs, track: Track, late_s: float) -> tuple[Values, Flags]:
    """Return what goes with each pair for a voltage that is read ``late_s`` late, and which pairs are known.

    Returns:
        float64 (pairs, 4): the change of ``track``; the time meanwhile, s, for slow drift; the change of the
        track's slope, which takes up what lag is left; and of its bend, for what lies between rows.
    """
    first, last = pairs.first_s - late_s, pairs.last_s - late_s
    reach = max(track.interval_s, pairs.interval_s, 0.2)
    change, early, late = (pairs.change(track, late_s + by) for by in (0.0, -reach, reach))
    slope, bend = (early - late) / (2 * reach), early + late - 2 * change
    return np.stack([change, last - first, slope, bend], axis=1), track.known(first - reach, last + reach)


@dataclass(frozen=True, eq=False)
class Fit:
    """A linear fit of several columns at once.

    Attributes:
        factors: float64 (features, columns).
        without: float64 (blocks, features, columns): the same with one block of rows left out.
    """

    factors: Values
    without: Values

    def uncertainty(self, weights: Values) -> Values:
        """Return one standard deviation of ``weights @ factors`` by the jackknife over blocks, shape (columns,)."""
        told = np.einsum("f,bfc->bc", weights, self.without)
        blocks = len(told)
        spread: Values = ((told - told.mean(axis=0)) ** 2).sum(axis=0)
        return np.sqrt((blocks - 1) / blocks * spread)


def fit_robustly(features: Values, targets: Values, rounds: int = 3) -> Fit:
    """Fit ``targets`` by ``features``, pulling in what lies far off (Huber), and again without each block of rows.

    Args:
        features: float64 (rows, features); targets: float64 (rows, columns), all known.
        rounds: how often strays are pulled in.

    Source: P. J. Huber, Robust Statistics, 1981, the method of modified residuals; B. Efron, the jackknife.
    """
    scale = np.sqrt((features**2).mean(axis=0)) + 1e-12
    x = features / scale
    edges = np.linspace(0, len(x), _BLOCKS + 1).astype(int)
    parts = np.stack([x[a:b].T @ x[a:b] for a, b in pairwise(edges)])
    ridge = 1e-9 * len(x) * np.eye(x.shape[1])
    inverse = np.linalg.inv(parts.sum(axis=0) + ridge)
    pulled = targets
    factors = inverse @ (x.T @ pulled)
    for _ in range(rounds):
        expected = x @ factors
        off = targets - expected
        limit = _HUBER * 1.4826 * np.median(np.abs(off), axis=0) + 1e-9
        pulled = expected + np.clip(off, -limit, limit)
        factors = inverse @ (x.T @ pulled)
    sums = np.stack([x[a:b].T @ pulled[a:b] for a, b in pairwise(edges)])
    total, whole = sums.sum(axis=0), parts.sum(axis=0) + ridge
    without = np.stack([np.linalg.solve(whole - part, total - by) for part, by in zip(parts, sums, strict=True)])
    return Fit(factors / scale[:, None], without / scale[:, None])


def fit_each(features: Values, columns: Iterable[Values]) -> Fit:
    """Do the same for each of ``columns``, float64 (rows,): all cells of a day at once take much memory."""
    fits = [fit_robustly(features, column[:, None]) for column in columns]
    return Fit(
        np.concatenate([fit.factors for fit in fits], axis=1), np.concatenate([fit.without for fit in fits], axis=2)
    )


def find_lag(pairs: Pairs, change: Values, track: Track, least: float) -> float | None:
    """Return how many seconds later than ``track`` a voltage is read, or None where no step tells.

    A coarse search takes the lag at which the change of the track explains most; then the part that goes with the
    track's slope is brought to zero, which finds a lag shorter than the time between rows too.

    Args:
        pairs: rows of the voltage.
        change: float64 (pairs,), V, its change over each pair, NaN where unknown.
        track: the current, or a voltage that was read with it, turned round.
        least: changes of the track below it tell nothing.
    """
    known = ~np.isnan(change)
    steps = known & (np.abs(pairs.change(track)) > least)
    if steps.sum() < _LEAST_STEPS:
        return None
    second = max(1, round(1 / pairs.interval_s))
    near = np.convolve(steps, np.ones(2 * second + 1))[second : second + len(steps)] > 0
    use = near & known
    pairs, change = pairs.where(use), change[use]
    lag = _coarse_lag(pairs, change, track)
    for _ in range(4):
        features, inside = changes(pairs, track, lag)
        if inside.sum() < _LEAST_ROWS:
            return None
        factors = fit_robustly(features[inside, :3], change[inside, None], rounds=1).factors[:, 0]
        if factors[0] >= 0:
            return None
        off = float(np.clip(-factors[2] / factors[0], -0.3, 0.3))
        lag = float(np.clip(lag + off, -0.5, LONGEST_LAG_S + 0.5))
        if abs(off) < _DONE_S:
            break
    return lag


def _coarse_lag(pairs: Pairs, change: Values, track: Track) -> float:
    volt = change - change.mean()
    tried = np.arange(-0.4, LONGEST_LAG_S + 0.05, 0.1)
    explained = []
    for lag in tried:
        moved = pairs.change(track, lag)
        moved = moved - moved.mean()
        explained.append(-float(moved @ volt) / (float(np.sqrt(moved @ moved)) + 1e-12))
    return float(tried[int(np.argmax(explained))])
