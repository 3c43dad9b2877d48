"""The last two minutes of a signal, block by block: what a stage learns from that knows no future."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.model.batch import MICROSECONDS, Span, Times
from telemetry.pipeline.blocks import Block, Blocks, known_rows
from telemetry.pipeline.stage import Chosen

LENGTH = MICROSECONDS // 2
LEARNT = 120 * MICROSECONDS


class _Held(NamedTuple):
    end: int
    t: Times
    values: Floats
    low: float
    high: float


class Lately:
    """The last two minutes of one signal, taken block by block.

    Attributes:
        first: time of the first reading, microseconds; None before it.
        began: what the signal read in its first half second; NaN before it.
        low, high: lowest and highest reading so far; NaN before any.
    """

    def __init__(self, signal: str) -> None:
        self._chosen, self._blocks = Chosen(signal), Blocks(LENGTH)
        self._waiting: dict[int, Block] = {}
        self._held: deque[_Held] = deque()
        self.first: int | None = None
        self.began = self.low = self.high = float("nan")

    def take(self, span: Span, end: int) -> list[int]:
        """Take rows; return the numbers of the blocks that are over."""
        blocks = {b.end // LENGTH - 1: b for b in self._blocks.take(*known_rows(self._chosen, span), end)}
        self._waiting |= blocks
        return list(blocks)

    def move_on(self, number: int) -> None:
        """Let block ``number`` be the newest."""
        block = self._waiting.pop(number, None)
        if block is not None:
            values = block.values[:, 0]
            low, high = float(values.min()), float(values.max())
            self._held.append(_Held(block.end, block.t, values, low, high))
            if self.first is None:
                self.first, self.began = int(block.t[0]), float(np.median(values))
                self.low, self.high = low, high
            self.low, self.high = min(self.low, low), max(self.high, high)
        while self._held and self._held[0].end <= (number + 1) * LENGTH - LEARNT:
            self._held.popleft()

    def since(self, start: int | None = None) -> tuple[Times, Floats]:
        """Return times and values (n,) from ``start`` on; all that is held where None."""
        blocks = self._blocks_since(start)
        if not blocks:
            return np.empty(0, dtype=np.int64), np.empty(0)
        t = np.concatenate([block.t for block in blocks])
        values = np.concatenate([block.values for block in blocks])
        first = 0 if start is None else int(t.searchsorted(start))
        return t[first:], values[first:]

    def bounds(self, start: int) -> tuple[float, float]:
        """Return the lowest and highest value of the blocks that reach beyond ``start``; NaN where there is none.

        No value that :meth:`since` gives lies outside. Far cheaper than it, and in a sound drive almost always
        enough to see that nothing happened.
        """
        blocks = self._blocks_since(start)
        if not blocks:
            return float("nan"), float("nan")
        return min(block.low for block in blocks), max(block.high for block in blocks)

    def _blocks_since(self, start: int | None) -> list[_Held]:
        blocks = []
        for block in reversed(self._held):
            if start is not None and block.end <= start:
                break
            blocks.append(block)
        blocks.reverse()
        return blocks
