"""The energy that a pack still gives: until the first cell is at its lowest voltage under the drive's own pull.

    energy = (state of charge - reserve) / 100 x capacity x mean voltage under load from there to the reserve

None of the four is known exactly. Their errors are joined by their squares, each way for itself; the reserve's
reaches further up than down, so that the energy errs on the low side. A capacity that is not what one counts on
spoils the state of charge as well, by all that was drawn on it: its error counts from where the counting began. One
estimator live and afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.capacity import UsableCapacity, best_capacity
from telemetry.analysis.charge_voltage import SLOW_OVER_FAST, voltage_over_charge
from telemetry.analysis.open_circuit import open_circuit_tables, owner_table, table_trust
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.session_power import Flow
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Values

LOWEST_CELL_PCT = Range(0.5, 2.5, 10.0)
"""By how much the cell that ends the drive is emptier than the mean one then: a low cell shows only when it is nearly
empty, so allow for one. Common practice; chosen on drawn packs, see docs."""
END_OVER_NOW = Range(0.6, 0.9, 1.5)
"""Sag that ends the drive over that of the hardest pull so far: cells resist more nearly empty, and the hardest pull
may not come again just then. Chosen on drawn packs, see docs."""
HELD_BACK_PCT_PER_V = Range(0.0, 20.0, 200.0)
"""Charge that diffusion keeps from the surface at the end, per volt of a cell's sag at the mean current, %/V: little
in warm cells, a third of the charge in cold iron phosphate. Chosen on drawn packs, see docs."""
LEAST_OF_USED = 0.8
"""Capacity of a used pack over the stated one, at the least: where traction packs are retired. Common practice."""
_BLOCK = 10 * MICROSECONDS
_HELD = 0.9
"""A pull counts as a peak where it fills a tenth of ten seconds."""


@dataclass
class Load:
    """How hard a pack was driven, from blocks of ten seconds.

    Attributes:
        peak_a: the highest pull that lasted a second.
    """

    peak_a: float = 0.0
    _first: float = 0.0
    _second: float = 0.0

    @classmethod
    def of(cls, current: Flow) -> Load:
        """Return that of a whole session."""
        load = cls()
        edges = np.flatnonzero(np.diff(current.t // _BLOCK)) + 1
        load.take_all(np.split(current.values, edges))
        return load

    def take_all(self, blocks: Iterable[Values]) -> None:
        """Take the currents of some blocks, A, positive out."""
        for block in blocks:
            if len(block):
                self.take(block)

    def take(self, amperes: Values) -> None:
        """Take the currents of one block, A, positive out."""
        out = np.sort(np.maximum(amperes, 0.0))
        self.peak_a = max(self.peak_a, float(out[int(_HELD * (len(out) - 1))]))
        self._first += float(out.mean())
        self._second += float((out**2).mean())

    @property
    def mean_a(self) -> float:
        """The current at which the average ampere-hour left the pack, A; 0 where none did."""
        return self._second / self._first if self._first > 0.0 else 0.0


def capacity_range(pack: Pack, measured: UsableCapacity | None = None) -> Range:
    """Return the capacity to count with, as stated and as measured, Ah, 90 % interval.

    Where it is not measured, and the owner does not say how far to trust the plate, the pack may be a used one.
    """
    best, spread = best_capacity(pack, measured)
    found = Range.around(best, Z90 * spread)
    unknown = measured is None or measured.usable_ah is None
    if unknown and pack.capacity_error_percent is None:
        return Range(LEAST_OF_USED * best, best, found.high)
    return found


def find_energy_left(
    soc_pct: Range, pack: Pack, capacity_ah: Range, load: Load, ohm: Range, counted_from_pct: float = 0.0
) -> Range:
    """Return the energy until the first cell is empty under load, Wh, 90 % interval, the low end for planning.

    Args:
        soc_pct: state of charge of the mean cell, %.
        pack: what its owner states.
        capacity_ah: what to count with, see :func:`capacity_range`.
        load: how hard the machine was driven so far.
        ohm: resistance of the pack over seconds, ohm.
        counted_from_pct: the highest state of charge from which charge was counted down to this one, %.
    """
    reserve = reserve_pct(pack, load, ohm)
    usable = max(soc_pct.mid - reserve.mid, 0.0)
    end = reserve.mid / 100.0
    volts = voltage_over_charge(
        pack, load.mean_a, ohm.times(SLOW_OVER_FAST), end, max(soc_pct.mid / 100.0, end + 1e-6)
    )
    a_percent = capacity_ah.mid * volts.mid / 100.0
    energy = usable * a_percent
    counted = max(counted_from_pct, soc_pct.mid) * a_percent

    def off(soc: float, rest: float, capacity: float, volt: float) -> float:
        of_charge = a_percent * math.hypot(soc - soc_pct.mid, rest - reserve.mid)
        return math.hypot(of_charge, counted * (capacity / capacity_ah.mid - 1), energy * (volt / volts.mid - 1))

    low = off(soc_pct.low, reserve.high, capacity_ah.low, volts.low)
    high = off(soc_pct.high, reserve.low, capacity_ah.high, volts.high)
    return Range(energy - low, energy, energy + high).at_least(0.0)


def reserve_pct(pack: Pack, load: Load, ohm: Range) -> Range:
    """Return the charge of the mean cell, %, at which a cell is at its lowest voltage and the drive ends.

    Three parts, their errors joined by their squares: the charge at which the lowest voltage is reached under a peak,
    which tables of one chemistry put at different charges; what diffusion holds back; and the lowest cell's lack.
    """
    own = None if pack.open_circuit is None else owner_table(pack.open_circuit)
    tables = open_circuit_tables(pack.chemistry) if own is None else (own,)
    lowest_v = max(pack.cell.minimum_v, pack.cell_low_cutoff_v or 0.0)
    if pack.low_cutoff_v is not None:
        lowest_v = max(lowest_v, pack.low_cutoff_v / pack.cells_in_series)
    a_cell = ohm.times(1.0 / pack.cells_in_series)
    sag = a_cell.times(END_OVER_NOW).times(load.peak_a)
    empty = Range(*(100.0 * max(0.0, float(tables[0].share_at(lowest_v + each))) for each in sag))
    others = [100.0 * max(0.0, float(table.share_at(lowest_v + sag.mid))) - empty.mid for table in tables]
    spread = np.average(np.square(others), weights=[table.weight for table in tables])
    table_off = Z90 * math.hypot(math.sqrt(spread), 100.0 * table_trust(pack.chemistry).along)
    parts = (
        empty,
        Range.around(0.0, table_off),
        a_cell.times(HELD_BACK_PCT_PER_V).times(load.mean_a),
        LOWEST_CELL_PCT,
    )
    mid = sum(part.mid for part in parts)
    down = math.hypot(*(part.mid - part.low for part in parts))
    up = math.hypot(*(part.high - part.mid for part in parts))
    return Range(mid - down, mid, mid + up).at_least(0.0)
