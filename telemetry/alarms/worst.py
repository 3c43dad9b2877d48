"""The worst value of an excursion, from its first row beyond the bound, whatever the delays and the cut of spans."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.model.batch import Times, Values

_NAN = float("nan")
_EVER = -(2**62)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows between two crossings: in an excursion or not, and the worst value known as the piece begins."""

    since: int
    on: bool
    raised: int
    worst: float
    t: Times
    values: Values


class WorstLog:
    """Follows the innermost bound of one limit on one signal.

    Args:
        side: ``high``: worse is higher; ``low``: worse is lower.
        bound: in the signal's unit.

    """

    def __init__(self, side: Literal["high", "low"], bound: float) -> None:
        self._sign = 1.0 if side == "high" else -1.0
        self._bound = bound
        self._on = False
        self._raised = _EVER
        self._worst = _NAN
        self._run = _NAN
        self._over = _EVER
        self._pieces: list[_Piece] = []

    def take(self, t: Times, values: Values, crossings: list[tuple[int, bool]]) -> None:
        """Take known rows and the crossings among them, as (time, exceeded or left), both in time order."""
        self._pieces = []
        row, since = 0, _EVER
        for at, on in crossings:
            stop = int(np.searchsorted(t, at, side="right"))
            self._piece(since, t[row:stop], values[row:stop])
            if on:
                self._worst, self._raised = self._run, at
            self._on, self._run = on, _NAN
            row, since = stop, at
        self._piece(since, t[row:], values[row:])

    def at(self, t: int, ends: bool = False) -> float:
        """Return the worst value by ``t``, a time of the latest :meth:`take`: of the present or the last excursion.

        Args:
            t: int microseconds.
            ends: whether the alarm is normal again, so that later changes have nothing to do with that excursion.

        """
        piece = next((p for p in reversed(self._pieces) if p.since <= t), None)
        if piece is None or (not piece.on and piece.raised <= self._over):
            return _NAN
        if piece.on:
            return self._worse(piece.worst, piece.values[: int(np.searchsorted(piece.t, t, side="right"))])
        if ends:
            self._over = piece.raised
        return piece.worst

    def _piece(self, since: int, t: Times, values: Values) -> None:
        self._pieces.append(_Piece(since, self._on, self._raised, self._worst, t, values))
        if not len(values):
            return
        if self._on:
            self._worst = self._worse(self._worst, values)
            return
        inside = np.flatnonzero(self._sign * (values - self._bound) <= 0.0)
        start = int(inside[-1]) + 1 if len(inside) else 0
        self._run = self._worse(_NAN if start else self._run, values[start:])

    def _worse(self, known: float, values: Values) -> float:
        if not len(values):
            return known
        extreme = float(values.max() if self._sign > 0 else values.min())
        return extreme if math.isnan(known) or self._sign * extreme > self._sign * known else known
