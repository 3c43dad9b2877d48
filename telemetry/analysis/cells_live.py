"""The stage that compares the cells live, in blocks of ten seconds: spreads, resistance and charge, and at the top.

So neither the moment at which a cell is read nor a lag of a second between cells and current matters. How each figure
comes about: :mod:`telemetry.analysis.cells_forward` and :mod:`telemetry.analysis.top_forward`.
"""

from __future__ import annotations

import numpy as np

from telemetry.analysis.all_cells import AllCells
from telemetry.analysis.blocks import Blocks, known_rows
from telemetry.analysis.cell_ledgers import LEAST_CELLS
from telemetry.analysis.cells_forward import BLOCK, CellsForward
from telemetry.analysis.chosen import Chosen
from telemetry.analysis.top_forward import TopForward
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group, Span, Times, Values
from telemetry.model.signals import cell_number

_NO_TIMES: Times = np.empty(0, np.int64)
_SIGNALS = (
    *((f"cell_spread_{state}",) for state in ("rest", "load", "top")),
    ("cell_resistance_ratio", "cell_resistance_ratio_number"),
    ("cell_charge_deficit", "cell_charge_deficit_number"),
    ("cell_imbalance_top",),
)
_GROUPS = {signals[0]: Group("derived", signals[0], signals, "derived") for signals in _SIGNALS}


class CellWatch:
    """Adds the spreads, the highest ratio of cell resistances, the charge the lowest cell lacks, and the imbalance.

    Args:
        machine: its chemistry, its capacity, and its charger, for where full is.
    """

    def __init__(self, machine: Machine) -> None:
        self._current = Chosen("pack_current")
        self._cells = AllCells()
        self._cell_blocks, self._current_blocks = Blocks(BLOCK), Blocks(BLOCK)
        self._compared = CellsForward(machine.pack.cell, machine.pack.capacity_ah)
        self._estimators = (self._compared, TopForward(machine))

    def advance(self, span: Span) -> Span:
        """Add what the blocks tell that are over at the end of ``span``."""
        found = self._cells.find(span.batches)
        rows = (found.t, found.volts) if found is not None else (_NO_TIMES, np.empty((0, len(self._cells.signals))))
        cells = self._cell_blocks.take(*rows, span.end)
        currents = self._current_blocks.take(*known_rows(self._current, span), span.end)
        by_end = {block.end: block for block in currents}
        told: dict[str, list[tuple[int, list[float]]]] = {}
        for block in cells:
            volts = cell_means(block.values) if block.end in by_end else None
            if volts is not None:
                amperes = by_end[block.end].values[:, 0]
                for estimator in self._estimators:
                    for signal, value, place in estimator.take(block.end, volts, amperes):
                        number = [] if place is None else [float(cell_number(self._cells.signals[place]) or 0)]
                        told.setdefault(signal, []).append((block.end, [value, *number]))
        batches = (
            Batch.of_rows(_GROUPS[signal], [t for t, _ in values], [row for _, row in values])
            for signal, values in told.items()
        )
        numbers = [cell_number(signal) or 0 for signal in self._cells.signals]
        return span.adding(batches, cells=self._compared.figures(numbers) if cells else None)


def cell_means(values: Values) -> Values | None:
    """Return each cell's mean over the rows in which all living cells are known; None where fewer than three live."""
    unknown = np.isnan(values)
    if not unknown.any():
        return np.asarray(values.mean(axis=0))
    dead = unknown.all(axis=0)
    whole = ~unknown[:, ~dead].any(axis=1)
    if int((~dead).sum()) < LEAST_CELLS or not whole.any():
        return None
    return np.asarray(values[whole].mean(axis=0))
