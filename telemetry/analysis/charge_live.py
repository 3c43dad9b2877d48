"""The stage that tells the state of charge as the session runs, about once in ten seconds of the data's own time."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np

from telemetry.analysis.all_cells import AllCells
from telemetry.analysis.blocks import Blocks, Parted, known_rows
from telemetry.analysis.charge_blocks import BLOCK, cut_blocks
from telemetry.analysis.charge_blocks import Blocks as ChargeBlocks
from telemetry.analysis.charge_forward import ForwardCharge
from telemetry.analysis.chosen import Chosen
from telemetry.analysis.derive import DERIVED
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.open_circuit import OpenCircuitTable
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import Batch, Group, Span, Times, Values
from telemetry.model.signals import pack_temperature_number

STATE_OF_CHARGE = Group(DERIVED, "state_of_charge", ("soc_estimated", "soc_uncertainty"), "derived")

_USUAL_OFFSET = 0.003  # of a sensor nobody checked, over the capacity in an hour: see current_offset
_STRANGE_BLOCKS = 6
"""Blocks that settle whether the stated cells can have such a voltage: a minute. Ours."""
_SWITCHED_OFF_V = 0.2
"""V a cell: below this the BMS has disabled discharge, and the voltage says nothing about the cells. Ours."""


class EstimateCharge:
    """Gives ``soc_estimated`` and ``soc_uncertainty`` (one standard deviation), %, after each block of ten seconds.

    A block is looked at when time has passed its end, so the row comes up to ten seconds late; it bears the time of
    the block's last row of current. Without ``pack_current``, or without the pack's voltage or all its cells', it
    gives nothing; nor from a voltage that the stated cells cannot have.
    """

    def __init__(self, pack: Pack, table: OpenCircuitTable | None = None) -> None:
        """``table``: the owner's own open-circuit table, if there is one."""
        self._pack = pack
        self._forward = ForwardCharge(pack, _USUAL_OFFSET * pack.capacity_ah, table)
        self._current, self._voltage = Chosen("pack_current"), Chosen("pack_voltage")
        self._all_cells = AllCells()
        self._rule = GapRule()
        self._currents, self._volts, self._cells = Blocks(BLOCK), Blocks(BLOCK), Blocks(BLOCK)
        self._temperatures: dict[tuple[str, str], Blocks] = {}
        self._voltage_from = 2**62
        self._before: tuple[int, float] | None = None
        self._strange = 0

    def advance(self, span: Span) -> Span:
        """Add a row for every block that ended within the span."""
        end = 2**62 if span.final else span.end
        currents = self._currents.parted(*known_rows(self._current, span), end)
        volts, cells = self._volts.parted(*self._cell_volts(span), end), self._means_of_cells(span, end)
        celsius = self._means_of_temperatures(span, end)
        t, values = [], []
        if currents is not None:
            blocks = self._cut(currents, volts, cells)
            for place, number in enumerate(blocks.number.tolist()):
                self._forward.take(blocks.one(place), cells.get(number), celsius.get(number))
                if self._is_strange(float(blocks.volts[place])):
                    continue
                share, deviation = self._forward.moments()
                t.append(int(blocks.t[place]))
                values.append((100.0 * share, 100.0 * min(deviation, 1.0)))
        complete = {STATE_OF_CHARGE.key: span.end if span.final else span.end // BLOCK * BLOCK - 1}
        return span.adding(batches=[Batch.of_rows(STATE_OF_CHARGE, t, values)], complete=complete)

    def _is_strange(self, volts: float) -> bool:
        """Take a block's volts a cell; return whether the latest are more than the stated cells can have, or less."""
        if volts > _SWITCHED_OFF_V:
            more = -1 if self._pack.cell.may_show(volts) else 1
            self._strange = min(max(self._strange + more, -_STRANGE_BLOCKS), _STRANGE_BLOCKS)
        return self._strange > 0

    def _cell_volts(self, span: Span) -> tuple[Times, Values]:
        """Return the known rows of the pack's voltage, V a cell, float64 (rows, 1)."""
        found = self._voltage.find(span)
        if found is not None:
            self._voltage_from = min(self._voltage_from, int(found[0].t[0]))
        t, volts = known_rows(self._voltage, span)
        return t, volts / self._pack.cells_in_series

    def _means_of_cells(self, span: Span, end: int) -> dict[int, Values]:
        """Return each cell's mean in each block that is over, by number; of none before every cell has come."""
        t, values = np.empty(0, dtype=np.int64), np.empty((0, self._pack.cells_in_series))
        found = self._all_cells.find(span.batches)
        if found is not None and len(self._all_cells.signals) == self._pack.cells_in_series > 1:
            t, values = found.t, found.volts[:, np.argsort(self._all_cells.signals)]
        over = self._cells.parted(t, values, end)
        return {} if over is None else dict(zip(_numbers(over), _means(*_sums(over)), strict=True))

    def _means_of_temperatures(self, span: Span, end: int) -> dict[int, float]:
        """Return the mean of all sensors in each block that is over, degC, by the block's number."""
        rows = {}
        for batch in span.batches:
            places = [p for p, s in enumerate(batch.group.signals) if pack_temperature_number(s) is not None]
            if batch.group.origin == "measured" and places:
                rows[batch.group.key] = batch.t, batch.values[:, places]
        sums: dict[int, float] = defaultdict(float)
        counts: dict[int, int] = defaultdict(int)
        for key in sorted(rows.keys() | self._temperatures.keys()):
            blocks = self._temperatures.setdefault(key, Blocks(BLOCK))
            over = blocks.parted(*rows.get(key, (np.empty(0, dtype=np.int64), np.empty((0, 0)))), end)
            if over is not None:
                for number, of_block, known in zip(_numbers(over), *_sums(over), strict=True):
                    sums[number] += float(of_block.sum())
                    counts[number] += int(known.sum())
        return {number: sums[number] / count for number, count in counts.items() if count}

    def _cut(self, currents: Parted, volts: Parted | None, cells: dict[int, Values]) -> ChargeBlocks:
        """Return the blocks whose rows have all come."""
        t, amperes = currents.t, currents.values[:, 0]
        voltage = (t[:0], amperes[:0]) if volts is None else (volts.t, volts.values[:, 0])
        blocks = cut_blocks((t, amperes, self._rule.take(t)), voltage, self._before)
        self._before = (int(t[-1]), float(amperes[-1]))
        instead = [
            float(cells[number].mean()) if self._voltage_from >= (number + 1) * BLOCK and number in cells else np.nan
            for number in blocks.number.tolist()
        ]
        return replace(blocks, volts=np.where(np.isnan(instead), blocks.volts, instead))


def _numbers(over: Parted) -> list[int]:
    return [end // BLOCK - 1 for end in over.ends.tolist()]


def _sums(over: Parted) -> tuple[Values, Values]:
    """Return the sum of the known values of each column in each block, and how many they are, (blocks, columns)."""
    known = ~np.isnan(over.values)
    return over.sums(np.where(known, over.values, 0.0)), over.sums(known.astype(np.float64))


def _means(sums: Values, counts: Values) -> Values:
    """Return means; NaN where nothing is known."""
    return np.asarray(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan))
