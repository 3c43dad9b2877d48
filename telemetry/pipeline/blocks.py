"""Rows of one series held until a block of time is over, so that what is made of a block cannot see the cuts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from telemetry.model.batch import Span, Times, Values
from telemetry.pipeline.stage import Chosen, known_values


@dataclass(frozen=True, eq=False)
class Block:
    """All rows of one block.

    Attributes:
        end: time at which the block was over, microseconds; its rows lie before that.
        t: int64 (rows,), at least one.
        values: float64 (rows, columns).
    """

    end: int
    t: Times
    values: Values


class Blocks:
    """Parts one series into blocks of equal length on the data's own clock; a block without rows is not given out.

    Args:
        length: of a block, microseconds.
    """

    def __init__(self, length: int) -> None:
        self._length = length
        self._t: list[Times] = []
        self._values: list[Values] = []
        self._due: int | None = None

    def take(self, t: Times, values: Values, end: int) -> list[Block]:
        """Take rows and return the blocks that are over at ``end``.

        Args:
            t: int64 (rows,), never decreasing, continuing earlier calls.
            values: float64 (rows, columns); the number of columns may grow from call to call, never shrink.
            end: no row at or before this time is still to come.
        """
        if len(t):
            self._t.append(t)
            self._values.append(values)
            if self._due is None:
                self._due = (int(t[0]) // self._length + 1) * self._length
        if self._due is None or end < self._due:
            return []
        held_t, held = _joined(self._t), _joined_values(self._values)
        done = int(np.searchsorted(held_t, end // self._length * self._length, side="left"))
        blocks = self._split(held_t[:done], held[:done])
        rest_t = held_t[done:]
        self._t, self._values = ([rest_t], [held[done:]]) if len(rest_t) else ([], [])
        self._due = (int(rest_t[0]) // self._length + 1) * self._length if len(rest_t) else None
        return blocks

    def _split(self, t: Times, values: Values) -> list[Block]:
        numbers = t // self._length
        starts = [0, *(np.flatnonzero(numbers[1:] != numbers[:-1]) + 1).tolist(), len(t)]
        return [
            Block((int(numbers[first]) + 1) * self._length, t[first:last], values[first:last])
            for first, last in pairwise(starts)
        ]


def known_rows(chosen: Chosen, span: Span) -> tuple[Times, Values]:
    """Return the known rows of a signal in ``span``: times, int64 (rows,), and values, float64 (rows, 1)."""
    t, values = known_values(chosen, span)
    return t, values.reshape(-1, 1)


def _joined(pieces: list[Times]) -> Times:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)


def _joined_values(pieces: list[Values]) -> Values:
    columns = pieces[-1].shape[1]
    if any(piece.shape[1] != columns for piece in pieces):
        pieces = [np.pad(piece, ((0, 0), (0, columns - piece.shape[1])), constant_values=np.nan) for piece in pieces]
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
