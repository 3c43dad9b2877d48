"""The cell imbalance at the top of a charge, measured once, when its first cell is full.

In charge, not in millivolts: at the end of an ordinary charge a healthy iron phosphate pack spreads by 200 mV for
some seconds. By the same estimator as a full charge afterwards, :func:`telemetry.analysis.full_charge.cells_behind`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from telemetry.analysis.cell_ledgers import LEAST_CELLS
from telemetry.analysis.full_charge import BESIDE, cells_behind, without_own_resistance
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, Values

FULL_BELOW_V = 0.05
"""A cell is full this far below where its charge ends, by the chemistry or a stated charger: some tenths of a percent
of charge. Ours."""
CHARGE_C = 0.02
"""A charge flows at more than this share of the capacity per hour. Ours."""
LIKE_CURRENT = 0.2
"""Only what was charged at a current within this share of the last one is compared: the rest lies elsewhere on the
resistances."""
LONGEST_GAP = 60 * MICROSECONDS


class TopForward:
    """``cell_imbalance_top``, %: what the mean cell lacks when the first cell of a charge is full.

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
