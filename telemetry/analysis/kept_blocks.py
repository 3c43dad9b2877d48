"""The latest blocks of a session, as long as a charge can last: kept for whoever looks back along it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from telemetry.analysis.charge_blocks import Blocks
from telemetry.model.batch import Values

_A_PIECE = 360
LONGEST_CHARGE = 24 * _A_PIECE
"""Blocks kept to look back along a charge: a day of blocks of 10 s."""

_Cells = Sequence[Values | None] | Values


class KeptBlocks:
    """Blocks in order, each with the mean voltage of each cell in it, V, where known.

    Single blocks cost a kilobyte each, so they are joined into pieces of an hour: a day then takes 3 MB, not 10.

    Attributes:
        forgotten: how many were dropped from the front; at least a day of blocks stays.

    """

    def __init__(self) -> None:
        self.forgotten = 0
        self._pieces: list[tuple[Blocks, _Cells]] = []
        self._blocks: list[Blocks] = []
        self._cells: list[Values | None] = []

    def __len__(self) -> int:
        return _A_PIECE * len(self._pieces) + len(self._blocks)

    def add(self, block: Blocks, cells: Values | None) -> None:
        """Take one block."""
        self._blocks.append(block)
        self._cells.append(cells)
        if len(self._blocks) == _A_PIECE:
            self._pieces.append((joined_blocks(self._blocks), _packed(self._cells)))
            self._blocks, self._cells = [], []

    def forget(self) -> None:
        """Drop the older half once there are two days of blocks."""
        if len(self) > 2 * LONGEST_CHARGE:
            self.forgotten += LONGEST_CHARGE
            del self._pieces[: LONGEST_CHARGE // _A_PIECE]

    def joined(self) -> Blocks:
        """Return all that is kept as one."""
        return joined_blocks([*(blocks for blocks, _ in self._pieces), *self._blocks])

    def cells(self, known_in: int) -> Values | None:
        """Return the cells' voltages, (blocks, cells), NaN where unknown; None unless the last ``known_in`` are."""
        rows = [row for _, cells in self._pieces for row in cells] + self._cells
        if any(row is None for row in rows[-known_in:]):
            return None
        width = max(len(row) for row in rows if row is not None)
        empty = np.full(width, np.nan)
        return np.stack([empty if row is None or len(row) != width else row for row in rows])


def joined_blocks(blocks: Sequence[Blocks]) -> Blocks:
    """Return several pieces of blocks as one."""
    return Blocks(
        np.concatenate([each.t for each in blocks]),
        np.concatenate([each.number for each in blocks]),
        np.concatenate([each.charge_ah for each in blocks]),
        np.concatenate([each.missing_s for each in blocks]),
        np.concatenate([each.current for each in blocks]),
        np.concatenate([each.volts for each in blocks]),
    )


def _packed(cells: list[Values | None]) -> _Cells:
    """Return rows of one width as one array; others as they are."""
    known = [row for row in cells if row is not None]
    return np.stack(known) if len(known) == len(cells) and len({len(row) for row in known}) == 1 else cells
