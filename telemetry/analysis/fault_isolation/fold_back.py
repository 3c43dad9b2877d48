"""Whether the controller gives less and less for the same pedal and speed: its output folds back.

A controller that heats, or whose output stage ages, gives a smaller share of what the pedal asks for, for seconds to
minutes. A hill, high grass or a dragging part changes the speed, not the current for a pedal and a speed; so what was
learnt of the two (``response``) is learnt once more with a share that is lost from some time on:

    current = asked - lost * what is beyond the limit + others

The limit comes down from the output at a full pedal from one time to another; a little pedal does not reach it. Times
and limits are tried on a grid, ``lost`` follows from least squares.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.fault_isolation.drive import Flags, Floats, Indices
from telemetry.analysis.fault_isolation.response import Response, other_consumers, thinned

_ROWS = 1000
_BEGINS = (0.05, 0.18, 0.32, 0.45, 0.6, 0.75)
_LASTS = (0.15, 0.4, 0.8)
_LIMITS = (0.3, 0.5, 0.7)
_TURNS = 3
_KNOT_S = 12.0
_LEAST_S = 60.0
_INDEPENDENT = 0.15
"""Share of the rows that count as new: what the fit leaves is alike for a second or so."""
_MOST_LOST = 0.95
_WRONG = 0.08
FOLDS, SHRINKS_BY = 4.5, 0.3
"""Evidence, log odds, and share of the output that is gone, from which the controller counts as folding back."""
_OWN_SAG, _SPARING_SAG = 0.07, 0.1
"""A controller spares a pack that sags by more than that, share of its voltage, by giving less (common practice)."""
_SAGGED = 0.88
"""Limits of controllers lie lower than this share of the voltage at little load; common practice."""


@dataclass(frozen=True, slots=True)
class FoldBack:
    """The output shrinks, or would seem to.

    Attributes:
        start: row from which it does.
        lost: share of the output at a full pedal that is gone at the end; negative where it grows.
        evidence: natural-logarithm odds that it does by the controller's own doing against that it does not.
    """

    start: int
    lost: float
    evidence: float


def fold_back(
    response: Response, t: Floats, current: Floats, supply: Floats | None, usable: Flags
) -> FoldBack | None:
    """Weigh whether the output shrinks in the course of the drive.

    Rows with a deep sag are left aside: what a controller holds back at its low-voltage limit is the pack's.

    Args:
        response: what the pedal asked for.
        t: seconds (n,).
        current: A (n,).
        supply: voltage at the controller (n,), V, or None.
        usable: rows with the supply there and nothing cut.

    Returns:
        What fits best, or None where there is too little to tell.
    """
    own = 1.0
    if supply is not None and usable.any():
        low, high = np.nanquantile(supply[usable], [0.02, 0.98])
        own = float(np.clip((_SPARING_SAG - 1 + low / high) / (_SPARING_SAG - _OWN_SAG), 0.0, 1.0))
        usable = usable & (supply > _SAGGED * high)
    rows = thinned(np.flatnonzero(usable), _ROWS)
    if len(rows) < _ROWS // 4 or t[rows[-1]] - t[rows[0]] < _LEAST_S:
        return None
    fit = _Fit(response, t, current, rows)
    found = [fit.weigh(*ramp, limit) for ramp in _ramps(len(t)) for limit in _LIMITS]
    most = max(found, key=lambda each: each.evidence)
    return replace(most, evidence=own * most.evidence)


def _ramps(count: int) -> Iterator[tuple[int, Floats]]:
    """Yield where each ramp begins, and the ramp (n,)."""
    place = np.arange(count) / count
    for begins in _BEGINS:
        for lasts in _LASTS:
            yield int(begins * count), np.clip((place - begins) / lasts, 0.0, 1.0)


class _Fit:
    """Least squares of the current by the terms of the response, to which one column more is added."""

    def __init__(self, response: Response, t: Floats, current: Floats, rows: Indices) -> None:
        columns = response.terms.columns()
        x = np.hstack([columns, other_consumers(t, response.jumps, _KNOT_S)])[rows]
        self._rows, self._count, self._x, self._current = rows, columns.shape[1], x, current[rows]
        self._terms = response.terms
        rest = self._current - (response.expected + response.base)[rows]
        size = np.abs(response.expected[rows]) + np.abs(response.base[rows])
        wrong = np.sqrt(response.spread**2 + (_WRONG * size) ** 2)
        self._weight = np.minimum(1.0, 2.0 * wrong / np.maximum(np.abs(rest), 1e-12)) / wrong**2
        self._top = max(float(np.quantile(response.expected, 0.98)), 1.0)
        stiff = 1e-6 * np.eye(x.shape[1])
        stiff[: self._count, : self._count] += np.eye(self._count) / (0.5 * self._top) ** 2
        self._inverse = np.linalg.inv((x * self._weight[:, None]).T @ x + stiff)
        self._plain = self._weights(self._current)

    def _weights(self, values: Floats) -> Floats:
        fitted: Floats = self._inverse @ (self._x.T @ (self._weight * values))
        return fitted

    def weigh(self, start: int, ramp: Floats, limit: float) -> FoldBack:
        """Return what is lost along a ramp of what is beyond a limit that comes down."""
        rise, weights, lost, known = ramp[self._rows], self._plain, 0.0, 0.0
        for _ in range(_TURNS):
            asked = self._x[:, : self._count] @ weights[: self._count]
            full = np.clip(self._terms.full(weights[: self._count])[self._rows], 0.3 * self._top, 1.3 * self._top)
            column = -np.maximum(asked - (1 - (1 - limit) * rise) * full, 0.0)
            own = column - self._x @ self._weights(column)  # what the terms cannot describe
            known = float(own @ (self._weight * own)) + 1e-9
            lost = float(np.clip(float(own @ (self._weight * self._current)) / known, -_MOST_LOST, _MOST_LOST))
            weights = self._weights(self._current - lost * column)
        return FoldBack(start, lost * float(ramp[-1]) * (1 - limit), 0.5 * _INDEPENDENT * known * abs(lost) * lost)
