"""The stage that compares the cells live, in blocks of ten seconds: spreads, resistance and charge, and at the top.

So neither the moment at which a cell is read nor a lag of a second between cells and current matters. How each figure
comes about: :mod:`telemetry.analysis.cells_forward` and :class:`TopForward`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from telemetry.analysis.all_cells import AllCells
from telemetry.analysis.blocks import Blocks, known_rows
from telemetry.analysis.cell_ledgers import LEAST_CELLS
from telemetry.analysis.cells_forward import BLOCK, CellsForward
from telemetry.analysis.chosen import Chosen
from telemetry.analysis.full_charge import BESIDE, cells_behind, without_own_resistance
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, NO_TIMES, Batch, Group, Span, Values
from telemetry.model.signals import cell_number

FULL_BELOW_V = 0.05
"""A cell is full this far below where its charge ends, by the chemistry or a stated charger: some tenths of a percent
of charge. Ours."""
CHARGE_C = 0.02
"""A charge flows at more than this share of the capacity per hour. Ours."""
LIKE_CURRENT = 0.2
"""Only what was charged at a current within this share of the last one is compared: the rest lies elsewhere on the
resistances."""
LONGEST_GAP = 60 * MICROSECONDS
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
        rows = (found.t, found.volts) if found is not None else (NO_TIMES, np.empty((0, len(self._cells.signals))))
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


class TopForward:
    """``cell_imbalance_top``, %: what the mean cell lacks when the first cell of a charge is full; told once.

    In charge, not in millivolts: at the end of an ordinary charge a healthy iron phosphate pack spreads by 200 mV for
    some seconds. By the estimator of a full charge afterwards, :func:`telemetry.analysis.full_charge.cells_behind`.

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
        self._rows: list[tuple[int, float, Values]] = []
        self._begin: int | None = None
        self._reported = False

    def take(self, end: int, volts: Values, amperes: Values) -> Iterator[tuple[str, float, None]]:
        """Take the means of one block, V, float64 (cells,), and its rows of current, A; give what it tells."""
        current = float(amperes.mean())
        charging = current < -CHARGE_C * self._capacity
        if self._rows and (end - self._rows[-1][0] > LONGEST_GAP or len(self._rows[-1][2]) != len(volts)):
            self._rows, self._begin = [], None
        if not charging and self._begin is not None:
            self._rows, self._begin = self._rows[-BESIDE:], None
        self._rows.append((end, current, volts))
        if not charging:
            self._rows, self._reported = self._rows[-BESIDE:], False
            return
        if self._begin is None:
            self._begin, self._reported = len(self._rows) - 1, False
        if not self._reported and float(np.nanmax(volts)) >= self._full_v:
            self._reported = True
            lacks = self._judge(self._begin)
            if lacks is not None:
                yield "cell_imbalance_top", 100.0 * lacks, None

    def _judge(self, begin: int) -> float | None:
        """Return what the mean cell lacks, as a share."""
        ends, currents = np.array([row[0] for row in self._rows]), np.array([row[1] for row in self._rows])
        volts = np.array([row[2] for row in self._rows])
        volts = volts[:, ~np.isnan(volts).any(axis=0)]
        if volts.shape[1] < LEAST_CELLS:
            return None
        even = without_own_resistance(volts, currents / self._capacity, begin)
        out_ah = np.cumsum(currents * np.diff(ends, prepend=ends[0]) / (3600 * MICROSECONDS))
        like = np.abs(currents - currents[-1]) <= LIKE_CURRENT * abs(currents[-1])
        like[:begin] = False
        found = cells_behind(even[like], out_ah[like], currents[like], self._capacity, int(np.argmax(even[-1])))
        return None if found is None else found[0]
