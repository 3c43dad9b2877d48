"""The stage that measures the cell imbalance at the top of a charge, once, when its first cell is full.

In charge, not in millivolts: at the end of an ordinary charge a healthy iron phosphate pack spreads by 200 mV for
some seconds. By the same estimator as a full charge afterwards, :func:`telemetry.analysis.full_charge.cells_behind`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from telemetry.analysis.blocks import Blocks, known_rows
from telemetry.analysis.chosen import Chosen, ChosenGroup
from telemetry.analysis.full_charge import cells_behind
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Values
from telemetry.model.signals import cell_number
from telemetry.pipeline.spread import cell_means

IMBALANCE = Group("derived", "cell_imbalance_top", ("cell_imbalance_top",), "derived")
BLOCK = 10 * MICROSECONDS
FULL_BELOW_V = 0.05
"""A cell is full this far below where its charge ends, by the chemistry or a stated charger: some tenths of a percent
of charge. Ours."""
CHARGE_C = 0.02
"""A charge flows at more than this share of the capacity per hour. Ours."""
REST_SHARE = 0.1
"""Before it, the current was less than this share of its own: then its beginning shows each cell's resistance."""
LIKE_CURRENT = 0.2
"""Only what was charged at a current within this share of the last one is compared: the rest lies elsewhere on the
resistances."""
LONGEST_GAP = 60 * MICROSECONDS


class _Row(NamedTuple):
    """Means over one block: current (A), charge so far (Ah), cell voltages (V)."""

    end: int
    current: float
    charge: float
    volts: Values


class TopWatch:
    """Adds ``cell_imbalance_top``, %: what the mean cell lacks when the first cell of a charge is full.

    Args:
        machine: chemistry and charger, for where full is, and the capacity.
    """

    def __init__(self, machine: Machine) -> None:
        pack, charger_v = machine.pack, machine.charger.output_voltage_v
        ends_v = (
            pack.cell.charge_v if charger_v is None else min(pack.cell.charge_v, charger_v / pack.cells_in_series)
        )
        self._full_v = ends_v - FULL_BELOW_V
        self._capacity = pack.capacity_ah
        self._current = Chosen("pack_current")
        self._cells = ChosenGroup(lambda signal: cell_number(signal) is not None, least=3)
        self._cell_blocks, self._current_blocks = Blocks(BLOCK), Blocks(BLOCK)
        self._before: _Row | None = None
        self._rest: _Row | None = None
        self._charge: list[_Row] = []
        self._ohm: Values | float = 0.0
        self._reported = False

    def advance(self, span: Span) -> Span:
        """Add a row where the first cell became full in a block that is over."""
        cells = self._cell_blocks.take(*self._cells.find(span), span.end)
        currents = {b.end: b for b in self._current_blocks.take(*known_rows(self._current, span), span.end)}
        rows = []
        for block in cells:
            volts = cell_means(block.values)
            if block.end in currents and volts is not None:
                lacks = self._take(block.end, volts, float(currents[block.end].values.mean()))
                if lacks is not None:
                    rows.append((block.end, lacks))
        if not rows:
            return span
        return span.adding([Batch.of_rows(IMBALANCE, [t for t, _ in rows], [[lacks] for _, lacks in rows])])

    def _take(self, end: int, volts: Values, current: float) -> float | None:
        before = self._before
        follows = before is not None and end - before.end <= LONGEST_GAP and len(before.volts) == len(volts)
        charging = current < -CHARGE_C * self._capacity
        if not (charging and follows):
            self._charge, self._ohm, self._reported = [], 0.0, False
        hours = (end - before.end) / (3600 * MICROSECONDS) if before is not None and follows else 0.0
        charge = self._charge[-1].charge - current * hours if self._charge else 0.0
        row = _Row(end, current, charge, volts)
        if charging:
            if len(self._charge) == 1:
                self._ohm = self._resistances(row)
            self._charge.append(row)
        if not self._charge:
            self._rest = row
        self._before = row
        if self._reported or not charging or float(np.nanmax(volts)) < self._full_v:
            return None
        self._reported = True
        return self._judge()

    def _resistances(self, row: _Row) -> Values | float:
        """Return each cell's resistance by the step with which the charge began, ohm; 0 where it was not seen."""
        rest = self._rest
        if rest is None or row.end - rest.end > LONGEST_GAP or len(rest.volts) != len(row.volts):
            return 0.0
        if abs(rest.current) > REST_SHARE * abs(row.current):
            return 0.0
        return np.asarray(np.maximum((row.volts - rest.volts) / (rest.current - row.current), 0.0))

    def _judge(self) -> float | None:
        last = self._charge[-1].current
        rows = [row for row in self._charge if abs(row.current - last) <= LIKE_CURRENT * abs(last)]
        volts = np.array([row.volts + self._ohm * row.current for row in rows])
        volts = volts[:, ~np.isnan(volts).any(axis=0)]
        if volts.shape[1] < 3:
            return None
        out_ah, current = np.array([(-row.charge, row.current) for row in rows]).T
        found = cells_behind(volts, out_ah, current, self._capacity, int(np.argmax(volts[-1])))
        return None if found is None else 100.0 * found[0]
