"""What the controller made of the pedal: the current it should have drawn, learnt from the drive itself.

The traction current is taken as a function of the pedal's travel and the speed (``pedal_map``), zero where the pedal
is at rest, behind a dead time and a first-order lag; what other consumers draw is a line that bends every few seconds
and jumps where one is switched. All of it is fitted at once by least squares that forgive outliers (Huber's weights),
for the faults that are looked for are the outliers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.fault_isolation.consumer_jumps import consumer_jumps
from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats, Indices
from telemetry.analysis.fault_isolation.pedal_map import Follows, Terms, terms

_LEAST_USABLE, _LEAST_TOP = 300, 0.05
"""Rows, and share of travel that is reached in them, from which a controller's response can be learnt. Ours."""
_AT_REST = 0.025  # share of the throttle's travel within which it is released; ours
_KNOT_S, _SEARCH_KNOT_S = 4.0, 10.0
"""Other consumers' line bends so often; to tell kinds of answers apart a coarser one will do."""
_LAGS_S = (0.03, 0.1, 0.17, 0.3)
_DEAD_ROWS = (0, 1, 2, 3)
_STEPS = (0.05, 0.025)
_RATIOS = (0.0, 0.5, 0.7, 0.95)
_FIRST = Follows(0.0, 0.1, 1)
_ROWS_LEARNT = 1200
MOST_KNOTS = 100
_STIFFNESS = 0.6
_PRIOR = 0.5
_GIVES = 0.25
"""Share of the highest current by which what other consumers draw may seem to be below nothing. Ours; 0.15 lost
events on drives 4000 and 4100 of tests/benchmarks."""
_HELD_ROUNDS, _HELD = 6, 1e6
_MOST_LEFT = 0.15
"""Share of the highest current from which what is left says no more that the kind of answer is wrong."""


@dataclass(frozen=True, slots=True)
class PedalRange:
    """Pedal signal at rest and pressed down, V, and its noise at rest (one standard deviation)."""

    rest: float
    top: float
    noise: float

    def travel(self, pedal: Floats) -> Floats:
        """Return the share of travel, 0 to 1; NaN stays."""
        return np.clip((pedal - self.rest) / max(self.top - self.rest, 1e-6), 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class Response:
    """The controller's answer to the pedal.

    Attributes:
        travel: share of pedal travel (n,).
        expected: traction current that the pedal asked for, A (n,).
        base: current of everything else, A (n,).
        spread: robust standard deviation of what the fit leaves, A.
        delay_s: from the pedal to half of the current's step.
        explained: share of the current's variance that the fit explains, 0 to 1.
        how: which kind of answer it is.
        terms: what ``expected`` is made of.
        jumps: rows at which another consumer was switched.
    """

    travel: Floats
    expected: Floats
    base: Floats
    spread: float
    delay_s: float
    explained: float
    how: Follows
    terms: Terms
    jumps: tuple[int, ...]


def pedal_range(pedal: Floats) -> PedalRange:
    """Learn where the pedal rests and where it ends, from its readings (V, none NaN, at least 20)."""
    low, high = np.quantile(pedal, 0.02, method="lower"), np.quantile(pedal, 0.998)  # a low one that was read
    near = pedal[np.abs(pedal - low) < _AT_REST * max(high - low, 1e-3)]
    rest = float(np.median(near))
    return PedalRange(rest, float(max(high, rest + 0.05)), float(np.std(near)) + 1e-4)


def hat_functions(t: Floats, knot_s: float) -> Floats:
    """Return the matrix (n, knots) by which values at knots become a line that bends there.

    The knots lie ``knot_s`` apart, or wider on a long drive, so that there are no more than a hundred or so.
    """
    knot_s = max(knot_s, float(t[-1] - t[0]) / MOST_KNOTS)
    count = int((t[-1] - t[0]) / knot_s) + 2
    place = np.minimum(((t - t[0]) / knot_s).astype(int), count - 2)
    share = (t - t[0]) / knot_s - place
    matrix = np.zeros((len(t), count))
    rows = np.arange(len(t))
    matrix[rows, place] = 1 - share
    matrix[rows, place + 1] = share
    return matrix


def robust_fit(
    features: Floats, knots: Floats, y: Floats, stiffness: float, rounds: int = 4
) -> tuple[Floats, Floats, float]:
    """Fit ``y`` by features and a bending line; return coefficients, residuals and their robust deviation."""
    x = np.hstack([features, knots])
    count, first = x.shape[1], features.shape[1]
    ridge = 1e-6 * np.diag((x**2).sum(axis=0) + 1e-9)
    ridge += _stiff(knots.shape[1], first, count, stiffness)
    return _reweighted(x, y, rounds, 1.0, lambda _spread: ridge)


def _stiff(knots: int, first: int, count: int, stiffness: float) -> Floats:
    """Return the matrix (count, count) that holds neighbouring knots, from column ``first`` on, together."""
    bend = np.zeros((count, count))[: knots - 1]
    row = np.arange(len(bend))
    bend[row, first + row], bend[row, first + row + 1] = -stiffness, stiffness
    return np.asarray(bend.T @ bend, dtype=np.float64)


def _reweighted(
    x: Floats, y: Floats, rounds: int, spread: float, ridge: Callable[[float], Floats], positive: int = 0
) -> tuple[Floats, Floats, float]:
    """Fit by least squares that forgive outliers (Huber's weights); ``ridge`` is what steadies it at each spread.

    The first ``positive`` coefficients are not negative.
    """
    weight = np.ones(len(y))
    coefficients: Floats = np.zeros(x.shape[1])
    rest = y.copy()
    for _ in range(rounds):
        weighted = x * weight[:, None]
        coefficients[:] = _solved(weighted.T @ x + ridge(spread), weighted.T @ y, positive)
        rest[:] = y - x @ coefficients
        spread = 1.48 * float(np.median(np.abs(rest))) + 1e-6
        weight = np.minimum(1.0, 1.5 * spread / np.maximum(np.abs(rest), 1e-12))
    return coefficients, rest, spread


def _solved(matrix: Floats, right: Floats, positive: int) -> Floats:
    """Solve with the first ``positive`` unknowns held at 0 where they would be negative."""
    solution: Floats = np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)
    for _ in range(_HELD_ROUNDS):
        negative = np.flatnonzero(solution[:positive] < 0)
        if not len(negative):
            break
        matrix[negative, negative] += _HELD * matrix.diagonal().max()
        solution = np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)
    solution[:positive] = np.maximum(solution[:positive], 0.0)
    return solution


def thinned(rows: Indices, most: int) -> Indices:
    """Return every so manieth of ``rows``, so that about ``most`` are left."""
    return rows[:: max(1, round(len(rows) / most))]


def controller_response(
    t: Floats,
    travel: Floats,
    current: Floats,
    speed: Floats | None,
    usable: Flags,
    how: Follows | None = None,
) -> Response | None:
    """Learn how the current follows the pedal.

    Args:
        t: seconds (n,).
        travel: share of pedal travel (n,), none NaN.
        current: A (n,), none NaN.
        speed: m/s (n,), none NaN, or None.
        usable: rows to learn from.
        how: which kind of answer it is, where that is known.

    Returns:
        None where there is too little to learn from.
    """
    if usable.sum() < _LEAST_USABLE or np.quantile(travel[usable], 0.97) < _LEAST_TOP:
        return None
    over_top = None if speed is None else speed / max(float(np.quantile(speed[usable], 0.98)), 0.3)
    how = how or _Learner(t, travel, current, over_top, usable).search()
    return _fitted(travel, terms(travel, over_top, how), how, t, current, usable)


def without(response: Response, t: Floats, current: Floats, usable: Flags) -> Response:
    """Learn once more, of the same kind, from fewer rows: those in which nothing was amiss by the first answer."""
    return _fitted(response.travel, response.terms, response.how, t, current, usable)


class _Learner:
    """Finds the kind of answer that leaves least."""

    def __init__(self, t: Floats, travel: Floats, current: Floats, speed: Floats | None, usable: Flags) -> None:
        self._travel, self._current, self._speed = travel, current, speed
        self._rows = thinned(np.flatnonzero(usable), _ROWS_LEARNT)
        self._knots = hat_functions(t, _SEARCH_KNOT_S)[self._rows]
        self._most = _MOST_LEFT * float(np.quantile(current[usable], 0.98))
        self._tried: dict[Follows, float] = {}

    def search(self) -> Follows:
        """Return the best of what was tried, one figure after the other."""
        best = _FIRST
        if self._speed is not None:
            best = self._best(replace(best, ratio=ratio) for ratio in _RATIOS)
        best = self._best(replace(best, lag_s=lag, dead=dead) for lag in _LAGS_S for dead in _DEAD_ROWS)
        if self._speed is not None:
            best = self._best(replace(best, ratio=ratio) for ratio in _RATIOS)
            for step in _STEPS if best.ratio > 0 else ():  # where it sets a voltage a little matters much
                best = self._best(replace(best, ratio=best.ratio + more) for more in (-step, 0.0, step))
        return best

    def _best(self, kinds: Iterable[Follows]) -> Follows:
        tried = list(kinds)
        for how in tried:
            if how not in self._tried:
                x = terms(self._travel, self._speed, how).columns(self._rows)
                current = self._current[self._rows]
                weights, _ = _forgiving_fit(x, self._knots, current, 3)
                left = np.abs(current - np.hstack([x, self._knots]) @ weights)
                self._tried[how] = float(np.mean(np.minimum(left, self._most)))
        return min(tried, key=self._tried.__getitem__)


def _fitted(travel: Floats, x: Terms, how: Follows, t: Floats, current: Floats, usable: Flags) -> Response:
    rows = thinned(np.flatnonzero(usable), _ROWS_LEARNT)
    knots = hat_functions(t, _KNOT_S)
    columns = x.columns()
    count = columns.shape[1]
    weights, spread = _forgiving_fit(columns[rows], knots[rows], current[rows], 8)
    jumps = consumer_jumps(current - columns @ weights[:count], spread, usable)
    if jumps:
        bends = knots.shape[1]
        knots = other_consumers(t, jumps)
        jumping, left = _forgiving_fit(columns[rows], knots[rows], current[rows], 8, bends)
        if float(np.min(knots @ jumping[count:])) > -_GIVES * float(np.quantile(current[usable], 0.98)):
            weights, spread = jumping, left
        else:  # other consumers draw, they do not give
            knots, jumps = knots[:, :bends], []
    expected = columns @ weights[:count]
    base = knots @ weights[count:]
    used = current[usable]
    explained = 1 - float(np.var((current - expected - base)[usable])) / max(float(np.var(used)), 1e-9)
    delay = how.dead * STEP_S + 0.7 * how.lag_s
    return Response(travel, expected, base, spread, delay, max(explained, 0.0), how, x, tuple(jumps))


def other_consumers(t: Floats, jumps: Sequence[int], knot_s: float = _KNOT_S) -> Floats:
    """Return the columns (n, k) that describe what other consumers draw: a line that bends, and jumps at rows."""
    knots = hat_functions(t, knot_s)
    return np.hstack([knots, (np.arange(len(t))[:, None] >= np.array(jumps, dtype=int)).astype(np.float64)])


def _forgiving_fit(
    columns: Floats, knots: Floats, current: Floats, rounds: int, bends: int | None = None
) -> tuple[Floats, float]:
    """Fit the current by columns and a bending line; return the weights and the robust deviation of what is left.

    More pedal never asks for less, and a piece of its curve of which nothing is known rises by nothing. Other
    consumers draw and do not give, so stops that come every few seconds are not learnt as theirs. Knots beyond
    ``bends`` are jumps.
    """
    x = np.hstack([columns, knots])
    count, first = x.shape[1], columns.shape[1]
    usual = _PRIOR * max(float(np.quantile(current, 0.98)), 1.0)
    stiff = _stiff(bends or knots.shape[1], first, count, _STIFFNESS) + 1e-6 * np.eye(count)  # jumps are free
    known = np.concatenate([np.ones(first), np.zeros(count - first)])
    bends = first + (bends or knots.shape[1])
    least = np.zeros(count)
    least[first:bends] = -_GIVES * usual / _PRIOR
    weights, _, spread = _reweighted(
        x,
        current - x @ least,
        rounds,
        0.05 * usual,
        lambda spread: stiff + np.diag(known * (spread / usual) ** 2),
        bends,
    )
    return weights + least, spread
