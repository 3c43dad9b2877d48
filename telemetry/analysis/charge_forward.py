"""The forward estimate of charge: what can be said at each moment from what came before, live and after alike.

Blocks of ten seconds go in one by one. A hole in the current is a hole in the count: what was known before it is
carried over it, widened by what may have flowed. A full charge that ends sets the charge anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from telemetry.analysis.charge_blocks import Blocks
from telemetry.analysis.charge_filter import (
    Belief,
    ChargeFilter,
    FilterSettings,
    Hypotheses,
    even_shares,
    starting_with,
    thermal_factor,
)
from telemetry.analysis.full_charge import FullCharge, find_full_charges
from telemetry.analysis.open_circuit import OpenCircuitTable, open_circuit_tables, table_trust
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import Values

_A_PIECE = 360
LONGEST_CHARGE = 24 * _A_PIECE
"""Blocks kept to look back along a charge: a day of blocks of 10 s."""

_Cells = Sequence[Values | None] | Values
_REST_SEEN = ((12, 1), (120, 6), (2**62, 60))
"""Up to so many blocks of rest, and one in how many is looked at: all of two minutes, then one a minute, then one in
ten minutes. Ours."""
LONGEST_BRIDGED_S = 60.0
"""A hole in the current up to this long is one in the count, but too small to widen what is known by more."""

_RESTING_C = 0.01
_AFTER_END = 14  # blocks after the last charging one by which a full charge is judged
_DISCOUNT_OF_LINES = 0.006  # a count from a full charge is surer than the model that would correct it
_IN_A_HOLE = 0.3  # share of the capacity that may flow in an hour of which nothing is known


@dataclass(eq=False)
class Stretch:
    """Blocks without a hole between them, and the filter that looked at them.

    Attributes:
        first: number of blocks before it.
        filter: as it stood at its end, or at the full charge that ended it.
        counted, hours: share that went out and hours since the stretch began, at each block's end.

    """

    first: int
    filter: ChargeFilter
    counted: list[float] = field(default_factory=list)
    hours: list[float] = field(default_factory=list)


def settings_for(chemistry: str, own_table: bool = False) -> FilterSettings:
    """Return what the filter believes of its errors for a chemistry, or with a table of the cells themselves."""
    if chemistry == "lfp":
        return FilterSettings(step=0.02, discount=0.1, unmodelled=0.03)
    if own_table:
        return FilterSettings(step=0.01, unmodelled=0.006)
    # published recipes lie far apart: what is off in one minute is off for the drive, so evidence counts little
    return FilterSettings(step=0.01, discount=0.03, unmodelled=0.015)


def _bounded(belief: Belief) -> Belief:
    """Return ``belief`` between empty and full: what is counted beyond either is there, and no surer for it."""
    mean = np.clip(belief.mean, 0.0, 1.0)
    low, high = (np.clip(each + mean - belief.mean, 0.0, 1.0) for each in (belief.low, belief.high))
    return Belief(mean, belief.deviation, low, high)


class ForwardCharge:
    """Takes blocks in order and tells the charge after each.

    Attributes:
        stretches: so far, the last one still open.
        full_charges: found so far; ``block`` counts from the first block of all.

    """

    def __init__(self, pack: Pack, offset_uncertainty_a: float = 0.0, table: OpenCircuitTable | None = None) -> None:
        """``table``: the owner's own open-circuit table, which then stands alone."""
        self._pack = pack
        self._offset = offset_uncertainty_a / pack.capacity_ah
        self._tables = (table,) if table is not None else open_circuit_tables(pack.chemistry)
        self._trust = table_trust(pack.chemistry, table is not None)
        self._settings = settings_for(pack.chemistry, table is not None)
        self._counting = replace(self._settings, unmodelled=0.0)  # from a full charge on voltage hardly counts
        self.stretches: list[Stretch] = []
        self.full_charges: list[FullCharge] = []
        self._kept = KeptBlocks()
        self._celsius: float | None = None
        self._hours, self._resting, self._since_charge = 0.0, 0, _AFTER_END + 1

    def take(self, block: Blocks, cells: Values | None = None, celsius: float | None = None) -> None:
        """Take one block (its own offset taken out) and, where known, each cell's mean voltage and degC."""
        self._celsius = celsius if celsius is not None else self._celsius
        missing = float(block.missing_s[0])
        if not self.stretches:
            self._begin(None)
        elif missing > LONGEST_BRIDGED_S:
            self._begin(self._carried(missing / 3600.0))
        self._kept.add(block, cells)
        rates = block.current[0] / self._pack.capacity_ah
        share = float(block.charge_ah[0]) / self._pack.capacity_ah
        stretch = self.stretches[-1]
        stretch.filter.count(share, rates, thermal_factor(self._celsius))
        stretch.counted.append(stretch.filter.counted)
        stretch.hours.append(stretch.filter.hours)
        self._hours += 10.0 / 3600.0 + missing / 3600.0
        if self._worth_seeing(rates) and not np.isnan(block.volts[0]):
            stretch.filter.see(float(block.volts[0]))
        self._watch_charge(float(rates.mean()))

    def belief(self) -> Belief:
        """Return the share of charge now, as arrays of one; all NaN before the first block."""
        if not self.stretches:
            unknown = np.array([np.nan])
            return Belief(unknown, unknown, unknown, unknown)
        return self.widened(self.stretches[-1].filter.belief(), np.array([self._hours]))

    def moments(self) -> tuple[float, float]:
        """Return mean and one standard deviation of the share of charge now, as :meth:`belief` has them."""
        mean, deviation = self.stretches[-1].filter.moments()
        return min(max(mean, 0.0), 1.0), float(np.hypot(deviation, self._offset * self._hours))

    def widened(self, belief: Belief, hours: Values) -> Belief:
        """Return ``belief`` with what an unknown offset may have added over ``hours`` of counting."""
        more = self._offset * hours
        deviation = np.hypot(belief.deviation, more)
        stretched = deviation / np.maximum(belief.deviation, 1e-9)
        low = belief.mean - (belief.mean - belief.low) * stretched
        high = belief.mean + (belief.high - belief.mean) * stretched
        return _bounded(Belief(belief.mean, deviation, low, high))

    def weigh_lines(self, lines: Hypotheses, blocks: Blocks, part: tuple[int, int]) -> Belief:
        """Return the charge at each block of ``part`` (first, behind the last): lines weighed by the voltage."""
        careful = replace(self._counting, discount=_DISCOUNT_OF_LINES, first_whole=False)
        weighing = ChargeFilter(self._tables, self._trust, careful, lines)
        counted, hours = [], []
        for place in range(*part):
            rates = blocks.current[place] / self._pack.capacity_ah
            weighing.count(float(blocks.charge_ah[place]) / self._pack.capacity_ah, rates)
            counted.append(weighing.counted)
            hours.append(weighing.hours)
            if self._worth_seeing(rates) and not np.isnan(blocks.volts[place]):
                weighing.see(float(blocks.volts[place]))
        return _bounded(weighing.belief(np.array(counted), np.array(hours)))

    def _begin(self, start: Hypotheses | None, settings: FilterSettings | None = None) -> None:
        count = self._kept.forgotten + len(self._kept)
        self.stretches.append(
            Stretch(count, ChargeFilter(self._tables, self._trust, settings or self._settings, start))
        )
        self._hours = 0.0

    def _carried(self, hours: float) -> Hypotheses:
        """Return what is known after a hole of ``hours``."""
        before = self.belief()
        spread = float(np.hypot(before.deviation[0], 0.01 + _IN_A_HOLE * hours))
        shares, _ = even_shares(self._settings.step)
        weights = np.exp(-0.5 * ((shares - before.mean[0]) / spread) ** 2) + 0.02
        return starting_with(shares, weights / weights.sum(), self._settings.factor)

    def _worth_seeing(self, rates: Values) -> bool:
        """Whether the voltage says anything new: a long rest repeats itself."""
        self._resting = self._resting + 1 if float(np.abs(rates).max()) < _RESTING_C else 0
        every = next(every for until, every in _REST_SEEN if self._resting < until)
        return self._resting % every == 0

    def _watch_charge(self, rate: float) -> None:
        if rate < -_RESTING_C:
            self._since_charge = 0
        elif self._since_charge <= _AFTER_END:
            self._since_charge += 1
            if self._since_charge == _AFTER_END:
                self._judge_charge()
        self._kept.forget()

    def finish(self) -> None:
        """Judge a charge that the last block still belonged to, or that ended just before it."""
        if self._since_charge < _AFTER_END:
            self._judge_charge()

    def _judge_charge(self) -> None:
        blocks = self._kept.joined()
        cells = self._kept.cells(known_in=_AFTER_END + 30)
        celsius = None if self._celsius is None else np.full(len(blocks), self._celsius)
        found = find_full_charges(blocks, cells, self._pack.capacity_ah, self._pack.cell, self._tables[0], celsius)
        if found and found[-1].block >= len(blocks) - _AFTER_END - 2:
            self._set_anew(found[-1], blocks)

    def _set_anew(self, full: FullCharge, blocks: Blocks) -> None:
        after = sum(blocks.charge_ah[full.block + 1 :].tolist()) / self._pack.capacity_ah
        kept = FullCharge(
            full.block + self._kept.forgotten,
            full.t,
            full.share,
            full.uncertainty,
            full.behind,
            full.first_full,
            full.end_c,
        )
        self.full_charges.append(kept)
        nodes = np.linspace(-2.5, 2.5, 9)
        weights = np.exp(-0.5 * nodes**2)
        shares = full.share - after + full.uncertainty * nodes
        before = self.stretches[-1].filter
        self._begin(starting_with(shares, weights / weights.sum(), self._settings.factor), self._counting)
        self.stretches[-1].filter.take_over(before)


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
