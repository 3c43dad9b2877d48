"""The energy left as the session runs: the report's estimator, fed with the load and the resistance seen so far."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.charge_voltage import fast_ohm
from telemetry.analysis.energy_left import Load, capacity_range, find_energy_left
from telemetry.analysis.ranges import Range
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.pipeline.blocks import Blocks, known_rows
from telemetry.pipeline.stage import Chosen

BLOCK = 10 * MICROSECONDS
_OHM_SHARE = 0.05
"""Live resistance is given out where it is known to a standard deviation of 5 %, so twice that is a safe bound."""


class EnergyAhead:
    """Keeps what energy left needs, block by block of ten seconds, in the order of the data's own time."""

    def __init__(self, pack: Pack) -> None:
        self._pack = pack
        self._capacity_ah = capacity_range(pack)
        self._current, self._ohm = Chosen("pack_current"), Chosen("pack_resistance", measured_only=False)
        self._current_blocks, self._ohm_blocks = Blocks(BLOCK), Blocks(BLOCK)
        self._waiting: list[tuple[int, np.ndarray, bool]] = []
        self._load = Load()
        self._measured: Range | None = None
        self._highest_pct = 0.0

    def take(self, span: Span, end: int) -> None:
        """Take what ``span`` brings up to ``end``; nothing is used before :meth:`upto` reaches it."""
        for chosen, blocks in ((self._current, self._current_blocks), (self._ohm, self._ohm_blocks)):
            of_current = chosen is self._current
            for block in blocks.take(*known_rows(chosen, span), end):
                self._waiting.append((block.end, block.values[:, 0], of_current))

    def at(self, t: int, soc_pct: Range) -> Range:
        """Return the energy left at ``t``, Wh, by what was known by then; ``t`` never decreases."""
        self._waiting.sort(key=lambda each: each[0])
        while self._waiting and self._waiting[0][0] <= t:
            _, values, of_current = self._waiting.pop(0)
            if of_current:
                self._load.take(values)
            else:
                self._measured = Range.around(float(values[-1]), 2.0 * _OHM_SHARE * float(values[-1]))
        self._highest_pct = max(self._highest_pct, soc_pct.mid)
        ohm = fast_ohm(self._pack, self._measured)
        return find_energy_left(soc_pct, self._pack, self._capacity_ah, self._load, ohm, self._highest_pct)
