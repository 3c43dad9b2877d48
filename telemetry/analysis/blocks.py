"""Rows of one series held until a block of time is over, so that what is made of a block cannot see the cuts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from telemetry.analysis.chosen import Chosen, known_values
from telemetry.model.batch import Batch, Span, Times, Values, merged


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


@dataclass(frozen=True, eq=False)
class Parted:
    """Blocks one after another, for what is made of many at once.

    Attributes:
        ends: int64 (blocks,), when each was over.
        edges: int (blocks + 1,), the first row of each, and the number of rows.
        t: int64 (rows,).
        values: float64 (rows, columns).
    """

    ends: Times
    edges: npt.NDArray[np.intp]
    t: Times
    values: Values

    def sums(self, values: Values) -> Values:
        """Return the sum of ``values``, float64 (rows, ...), over each block."""
        return np.asarray(np.add.reduceat(values, self.edges[:-1])) if len(values) else values

    @property
    def means(self) -> Values:
        """Mean of the first column over each block, float64 (blocks,)."""
        return self.sums(self.values[:, 0]) / np.diff(self.edges)

    @property
    def lasts(self) -> Values:
        """Last value of the first column in each block, float64 (blocks,)."""
        return np.asarray(self.values[self.edges[1:] - 1, 0])


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
        """Take rows and return the blocks that are over at ``end``; see :meth:`parted`."""
        over = self.parted(t, values, end)
        if over is None:
            return []
        return [
            Block(block_end, over.t[first:last], over.values[first:last])
            for block_end, (first, last) in zip(over.ends.tolist(), pairwise(over.edges.tolist()), strict=True)
        ]

    def parted(self, t: Times, values: Values, end: int) -> Parted | None:
        """Take rows and return the blocks that are over at ``end``, None for none.

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
            return None
        held_t, held = _joined(self._t), _joined_values(self._values)
        done = int(np.searchsorted(held_t, end // self._length * self._length, side="left"))
        rest_t = held_t[done:]
        self._t, self._values = ([rest_t], [held[done:]]) if len(rest_t) else ([], [])
        self._due = (int(rest_t[0]) // self._length + 1) * self._length if len(rest_t) else None
        numbers = held_t[:done] // self._length
        edges = np.concatenate([[0], np.flatnonzero(numbers[1:] != numbers[:-1]) + 1, [done]])
        return Parted((numbers[edges[:-1]] + 1) * self._length, edges, held_t[:done], held[:done])


class HeldRows:
    """Batches held until their time is over."""

    def __init__(self) -> None:
        self._held: dict[tuple[str, str], list[Batch]] = {}

    def add(self, batch: Batch) -> None:
        """Hold the rows of ``batch``, which continue those of its group."""
        self._held.setdefault(batch.group.key, []).append(batch)

    def before(self, horizon: int) -> dict[tuple[str, str], Batch]:
        """Take the rows before ``horizon`` out of those held."""
        over = {}
        for key, pieces in list(self._held.items()):
            batch = merged(pieces)
            done = int(np.searchsorted(batch.t, horizon, side="left"))
            self._held[key] = [batch.rows(done, len(batch))]
            if done == len(batch):
                del self._held[key]
            if done:
                over[key] = batch.rows(0, done)
        return over


class BlockFigures:
    """One signal in blocks: the mean of each, or its last value.

    Args:
        signal: its name; ``measured_only`` as for :class:`~telemetry.analysis.chosen.Chosen`.
        length: of a block, microseconds.
        last: give the last value.
    """

    def __init__(self, signal: str, length: int, *, measured_only: bool = True, last: bool = False) -> None:
        self._chosen, self._blocks, self._last = Chosen(signal, measured_only), Blocks(length), last

    def take(self, span: Span, end: int) -> dict[int, float]:
        """Return the figure of each block that is over at ``end``, by the block's end."""
        over = self._blocks.parted(*known_rows(self._chosen, span), end)
        if over is None:
            return {}
        return dict(zip(over.ends.tolist(), (over.lasts if self._last else over.means).tolist(), strict=True))


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
