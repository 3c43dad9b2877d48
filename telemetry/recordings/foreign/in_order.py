"""Rows put in the order of time within a window: those of merged sources come late by the slowest link's delay."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import Times, Values

_MOST_ASTRAY = 50
"""Rows that fall back further are left out where time goes on as before within so many; else a new count begins."""


class InOrder:
    """Puts rows in the order of time within a window; one that falls back further is left out, or begins anew."""

    def __init__(self, window: int, counts_from_first: bool) -> None:
        self._window = window
        self._counts_from_first = counts_from_first
        self._shift: int | None = None
        self._carried = 0
        self._last: int | None = None
        self._held: tuple[Times, Values] | None = None
        self.moved = self.left_out = self.restarts = 0

    def take(self, t: Times, values: Values) -> tuple[Times, Values]:
        """Take rows as they stand in the file and return those before which none can come any more."""
        t, kept = self._carried_on(t)
        held, rows = t[kept], values[kept]
        if self._held is not None:
            held, rows = np.concatenate((self._held[0], held)), np.concatenate((self._held[1], rows))
        if not len(held):
            return held, rows
        self.moved += int(np.count_nonzero(np.maximum.accumulate(held) > held))
        order = np.argsort(held, kind="stable")
        held, rows = held[order], rows[order]
        done = int(np.searchsorted(held, held[-1] - self._window, side="right"))
        self._held = held[done:], rows[done:]
        return held[:done], rows[:done]

    def rest(self) -> tuple[Times, Values]:
        """Return the rows that are still held."""
        return (np.empty(0, np.int64), np.empty((0, 0))) if self._held is None else self._held

    def _carried_on(self, t: Times) -> tuple[Times, npt.NDArray[np.bool_]]:
        """Return times carried on where they begin anew, and which rows are kept."""
        kept = np.ones(len(t), dtype=bool)
        if not len(t):
            return t, kept
        if self._shift is None:
            self._shift = -int(t[0]) if self._counts_from_first else 0
        t = t + self._shift
        last = int(t[0]) if self._last is None else self._last
        place = 0
        while True:
            steps = np.diff(t[place:], prepend=last)
            falls = np.flatnonzero(steps < -self._window)
            right = np.flatnonzero(steps >= self._carried) if self._carried else falls[:0]
            # dates that fit again, as after a clock was set
            if len(right) and (not len(falls) or right[0] < falls[0]):
                place += int(right[0])
                t[place:] -= self._carried
                self._shift, self._carried = self._shift - self._carried, 0
                continue
            if not len(falls):
                break
            place += int(falls[0])
            last = int(t[place - 1]) if falls[0] else last
            ahead = np.flatnonzero(t[place : place + _MOST_ASTRAY] >= last)
            if len(ahead):
                kept[place : place + int(ahead[0])] = False
                self.left_out += int(ahead[0])
                place += int(ahead[0])
            else:
                fall = last - int(t[place])
                t[place:] += fall
                self._shift += fall
                self._carried += 0 if self._counts_from_first else fall
                self.restarts += 1
        self._last = int(t[kept][-1]) if kept.any() else last
        return t, kept
