"""The last two minutes of a signal, block by block: what a stage learns from that knows no future."""

from __future__ import annotations

from collections import deque

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.model.batch import MICROSECONDS, Span, Times
from telemetry.pipeline.blocks import Block, Blocks, known_rows
from telemetry.pipeline.stage import Chosen

LENGTH = MICROSECONDS // 2
LEARNT = 120 * MICROSECONDS


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
        self._held: deque[Block] = deque()
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
            self._held.append(block)
            if self.first is None:
                self.first, self.began = int(block.t[0]), float(np.median(block.values))
            self.low, self.high = (
                float(np.fmin(self.low, block.values.min())),
                float(np.fmax(self.high, block.values.max())),
            )
        while self._held and self._held[0].end <= (number + 1) * LENGTH - LEARNT:
            self._held.popleft()

    def since(self, start: int | None = None) -> tuple[Times, Floats]:
        """Return times and values (n,) from ``start`` on; all that is held where None."""
        blocks = []
        for block in reversed(self._held):
            if start is not None and block.end <= start:
                break
            blocks.append(block)
        if not blocks:
            return np.empty(0, dtype=np.int64), np.empty(0)
        t = np.concatenate([block.t for block in reversed(blocks)])
        values = np.concatenate([block.values[:, 0] for block in reversed(blocks)])
        first = 0 if start is None else int(np.searchsorted(t, start))
        return t[first:], values[first:]
