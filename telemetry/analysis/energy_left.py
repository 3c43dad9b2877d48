"""The energy that a pack still gives: until the first cell is at its lowest voltage under the drive's own pull.

    energy = (state of charge - reserve) / 100 x capacity x mean voltage under load from there to the reserve

None of the four is known exactly, and a pack that is empty cannot be emptier, so all are drawn together and the
interval is read off. A capacity that is not the stated one spoils the state of charge as well, by what was drawn on
it so far. One estimator live and afterwards, and of what a full charge gives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from statistics import NormalDist

import numpy as np

from telemetry.analysis.capacity import UsableCapacity, best_capacity
from telemetry.analysis.charge_voltage import SLOW_OVER_FAST, voltage_over_charge
from telemetry.analysis.open_circuit import open_circuit_tables, stated_table, table_trust
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.session_power import Flow
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Values

COUNT, _MULTIPLIER = 1021, 76
"""A lattice of Korobov's (P. L'Ecuyer and C. Lemieux, Management Science 46 (2000) 1214-1235; numbers from memory),
which the tests hold to even spacing. Its points are fixed, so the same ranges give the same answer to the last bit,
and a bit more charge never looks like less. Errors joined by their squares would need slopes, and there are none
where a curve bends: a pack that is empty cannot be emptier."""
LOWEST_CELL_PCT = Range(0.5, 1.8, 6.0)
"""By how much the cell that ends the drive is emptier than the mean one then: a low cell shows only when it is nearly
empty, so allow for one. Common practice; this and the next two chosen on drawn packs, see docs."""
END_OVER_NOW = Range(0.35, 0.8, 1.6)
"""Sag that ends the drive over that of the hardest pull so far: cells resist more nearly empty, and the hardest pull
may not come again just then."""
HELD_BACK_PCT, HELD_BACK_PER_V = Range(0.05, 0.7, 14.0), 30.0
"""Charge that diffusion keeps from the surface at the end, %, and by how much more of itself per volt of a cell's sag
at the mean current: little in warm cells, a third of the charge in cold iron phosphate."""
WORN = Range(0.72, 0.88, 1.04)
"""Capacity over the stated one of a pack of which nobody says how worn it is: traction packs are retired at 0.8.
Common practice; and plates of cheap packs promise too much."""
FULL_PCT = Range(96.0, 99.0, 100.0)
"""The mean cell's charge after a full charge: the first full cell ends it, and in the cold the taper does before.
Common practice; in drawn packs 99, nickel types at 0 degC 92 to 98."""
_COUNTED = 0.8
"""How much of a wrong capacity the state of charge carries: voltage sets some of it right."""
_DRAWN = 8
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
        for block in np.split(current.values, edges):
            load.take(block)
        return load

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

    Where it is not measured, and the owner does not say how far to trust the plate, the pack may be worn.
    """
    if (measured is None or measured.usable_ah is None) and pack.capacity_error_percent is None:
        return WORN.times(pack.capacity_ah)
    best, spread = best_capacity(pack, measured)
    return Range.around(best, Z90 * spread)


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
    of_capacity, of_charge, of_volts = normals(_DRAWN)[_DRAWN - 3 :]
    capacity = along(capacity_ah, of_capacity)
    counted = max(counted_from_pct - soc_pct.mid, 0.0)
    share = along(soc_pct, of_charge) - _COUNTED * counted * (pack.capacity_ah / capacity - 1.0)
    end = float(np.sort(reserve)[len(reserve) // 2]) / 100.0
    volts = voltage_over_charge(
        pack, load.mean_a, ohm.times(SLOW_OVER_FAST), end, max(soc_pct.mid / 100.0, end + 1e-6)
    )
    return interval(np.maximum(share - reserve, 0.0) / 100.0 * capacity * along(volts, of_volts))


def reserve_pct(pack: Pack, load: Load, ohm: Range) -> Values:
    """Return draws of the mean cell's charge, %, at which a cell is at its lowest voltage and the drive ends.

    Three parts: the charge at which the lowest voltage is reached under a peak, which tables of one chemistry put at
    different charges; what diffusion holds back; and the lowest cell's lack.
    """
    of_held, of_lack = _DRAWN - 5, _DRAWN - 4
    cell_ohm = ohm.mid / pack.cells_in_series
    held_back = times_along(HELD_BACK_PCT, _DRAWN, of_held) * (1.0 + HELD_BACK_PER_V * cell_ohm * load.mean_a)
    lack = times_along(LOWEST_CELL_PCT, _DRAWN, of_lack)
    return np.asarray(np.minimum(_lowest_pct(pack, load.peak_a, ohm) + held_back + lack, 100.0))


@lru_cache(maxsize=8)
def _lowest_pct(pack: Pack, peak_a: float, ohm: Range) -> Values:
    """Return draws of the charge, %, at which a cell is at its lowest voltage under ``peak_a``."""
    of_ohm, of_growth, of_table = range(_DRAWN - 5)
    own = stated_table(pack.open_circuit)
    tables = open_circuit_tables(pack.chemistry) if own is None else (own,)
    lowest_v = max(pack.cell.minimum_v, pack.cell_low_cutoff_v or 0.0)
    if pack.low_cutoff_v is not None:
        lowest_v = max(lowest_v, pack.low_cutoff_v / pack.cells_in_series)
    a_cell = ohm.times(1.0 / pack.cells_in_series)
    sag = along(a_cell, normals(_DRAWN)[of_ohm]) * times_along(END_OVER_NOW, _DRAWN, of_growth) * peak_a
    usual = lowest_v + a_cell.mid * peak_a
    shares = np.array([float(table.share_at(usual)) for table in tables])
    spread = np.average((shares - shares[0]) ** 2, weights=[table.weight for table in tables])
    off = math.hypot(math.sqrt(spread), table_trust(pack.chemistry, own is not None).along)
    found = 100.0 * np.maximum(tables[0].share_at(lowest_v + sag) + off * normals(_DRAWN)[of_table], 0.0)
    found.flags.writeable = False
    return np.asarray(found)


@cache
def normals(dimensions: int) -> Values:
    """Return independent standard normal values, float64 (dimensions, COUNT)."""
    quantiles = np.array([NormalDist().inv_cdf((place + 0.5) / COUNT) for place in range(COUNT)])
    point = np.arange(COUNT)
    found = np.stack([quantiles[point * pow(_MULTIPLIER, each, COUNT) % COUNT] for each in range(dimensions)])
    found.flags.writeable = False
    return found


def along(found: Range, z: Values) -> Values:
    """Return ``found`` at each ``z``: half a normal distribution to either side of its middle, 90 % within."""
    above, below = np.maximum(z, 0.0), np.minimum(z, 0.0)
    return np.asarray(found.mid + (found.high - found.mid) / Z90 * above + (found.mid - found.low) / Z90 * below)


@cache
def times_along(found: Range, dimensions: int, place: int) -> Values:
    """Return ``found``, of positive ends, at each value of one of the ``normals``: the same with its logarithm."""
    drawn = np.exp(along(Range(*np.log(found).tolist()), normals(dimensions)[place]))
    drawn.flags.writeable = False
    return np.asarray(drawn)


def interval(drawn: Values) -> Range:
    """Return median and 90 % interval of what was drawn."""
    drawn = np.sort(drawn)
    place = np.array([0.05, 0.5, 0.95]) * len(drawn) - 0.5  # Hazen's, as a tenth of numpy.quantile's cost
    left = place.astype(np.int64)
    return Range(*(drawn[left] + (place - left) * (drawn[left + 1] - drawn[left])).tolist())
