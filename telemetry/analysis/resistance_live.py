"""The stage that tells the pack's resistance as the session runs, from the load steps of the last quarter hour."""

from __future__ import annotations

from collections import deque

import numpy as np

from telemetry.analysis.blocks import Block, Blocks, known_rows
from telemetry.analysis.chosen import Chosen
from telemetry.analysis.derive import DERIVED
from telemetry.analysis.load_response import fit_response
from telemetry.analysis.resistance import least_current
from telemetry.analysis.series import Series
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span

RESISTANCE = Group(DERIVED, "resistance", ("pack_resistance", "pack_resistance_10s"), "derived")
BLOCK = 60 * MICROSECONDS
KEPT_BLOCKS = 15
AGAIN_AFTER = 3
"""A known resistance is looked for anew when a third of the rows is new: five minutes, at first each minute. Ours."""
_MOST_SCATTER = 0.05


class EstimateResistance:
    """Gives the pack's resistance over 1 s and over 10 s, ohm, from each minute on while load steps tell both to 5 %.

    Both are as :mod:`telemetry.analysis.resistance` defines them and by the same fit, of the rows of the last quarter
    hour. They are looked at when a minute is over, once known only when a third of the rows is new; the row bears
    the time of that minute's last row of voltage.
    """

    def __init__(self, pack: Pack) -> None:
        self._pack = pack
        self._current, self._voltage = Chosen("pack_current"), Chosen("pack_voltage")
        self._blocks = (Blocks(BLOCK), Blocks(BLOCK))
        self._kept: deque[tuple[Block, Block]] = deque()
        self._due = 0

    def advance(self, span: Span) -> Span:
        """Add a row for each minute over within the span after which the resistance is known anew."""
        current, voltage = (
            {block.end: block for block in blocks.take(*known_rows(chosen, span), span.end)}
            for blocks, chosen in zip(self._blocks, (self._current, self._voltage), strict=True)
        )
        t, values = [], []
        for end in sorted(current.keys() & voltage.keys()):
            self._kept.append((voltage[end], current[end]))
            while self._kept[0][0].end <= end - KEPT_BLOCKS * BLOCK:
                self._kept.popleft()
            if end < self._due:
                continue
            found = self._resistance()
            if found is not None:
                self._due = end + len(self._kept) // AGAIN_AFTER * BLOCK
                t.append(int(voltage[end].t[-1]))
                values.append(found)
        complete = {RESISTANCE.key: span.end // BLOCK * BLOCK - 1} if not span.final else None
        return span.adding([Batch.of_rows(RESISTANCE, t, values)], complete=complete)

    def _resistance(self) -> list[float] | None:
        voltage, current = (_joined([pair[side] for pair in self._kept]) for side in (0, 1))
        found = fit_response(voltage, current, int(voltage.t[0]), self._pack.capacity_ah, least_current(self._pack))
        if isinstance(found, str) or bool((found.scatter > _MOST_SCATTER * found.ohm).any()):
            return None
        return [float(each) for each in found.ohm]


def _joined(blocks: list[Block]) -> Series:
    return Series(
        np.concatenate([block.t for block in blocks]), np.concatenate([block.values[:, 0] for block in blocks])
    )
