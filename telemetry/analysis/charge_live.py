"""The stage that tells the state of charge as the session runs, about once in ten seconds of the data's own time."""

from __future__ import annotations

import itertools
from collections import defaultdict

import numpy as np

from telemetry.analysis.charge_blocks import BLOCK, cut_blocks
from telemetry.analysis.charge_forward import ForwardCharge
from telemetry.analysis.chosen import Chosen
from telemetry.analysis.derive import DERIVED
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.open_circuit import OpenCircuitTable
from telemetry.machine.sections import Pack
from telemetry.model.batch import Batch, Group, Span, Times, Values
from telemetry.model.signals import ON, cell_number, pack_temperature_number

STATE_OF_CHARGE = Group(DERIVED, "state_of_charge", ("soc_estimated", "soc_uncertainty"), "derived")

_USUAL_OFFSET = 0.003  # of a sensor nobody checked, over the capacity in an hour: see current_offset
_Rows = dict[int, list[tuple[Times, Values]]]


class EstimateCharge:
    """Gives ``soc_estimated`` and ``soc_uncertainty`` (one standard deviation), %, after each block of ten seconds.

    A block is looked at when time has passed its end, so the row comes up to ten seconds late; it bears the time of
    the block's last row of current. Without ``pack_current``, or without the pack's voltage or all its cells', it
    gives nothing.
    """

    def __init__(self, pack: Pack, table: OpenCircuitTable | None = None) -> None:
        """``table``: the owner's own open-circuit table, if there is one."""
        self._pack = pack
        self._forward = ForwardCharge(pack, _USUAL_OFFSET * pack.capacity_ah, table)
        self._current, self._voltage = Chosen("pack_current"), Chosen("pack_voltage")
        self._cells_of: tuple[str, str] | None = None
        self._rule = GapRule()
        self._rows: _Rows = defaultdict(list)
        self._bridged: dict[int, list[Values]] = defaultdict(list)
        self._volts: _Rows = defaultdict(list)
        self._cells: _Rows = defaultdict(list)
        self._temperatures: _Rows = defaultdict(list)
        self._voltage_from = 2**62
        self._before: tuple[int, float] | None = None
        self._done_to = -(2**62)

    def advance(self, span: Span) -> Span:
        """Add a row for every block that ended within the span."""
        self._gather(span)
        open_block = span.end // BLOCK if not span.final else 2**62
        ready = sorted(number for number in self._rows if number < open_block)
        t, values = [], []
        for number in ready:
            self._look_at(number)
            share, deviation = self._forward.moments()
            t.append(self._done_to)
            values.append((100.0 * share, 100.0 * min(deviation, 1.0)))
        for waiting in (self._volts, self._cells, self._temperatures):
            for number in [number for number in waiting if number < min(open_block, span.end // BLOCK - 12)]:
                del waiting[number]
        complete = {STATE_OF_CHARGE.key: min(span.end, open_block * BLOCK - 1)}
        return span.adding(batches=[Batch.of_rows(STATE_OF_CHARGE, t, values)], complete=complete)

    def _gather(self, span: Span) -> None:
        found = self._current.find(span)
        if found is not None:
            known = ~np.isnan(found[1])
            t, amperes = found[0].t[known], found[1][known]
            bridged = self._rule.take(t)
            _keep(self._rows, t, amperes)
            for number, flags in _parted(t, bridged.astype(np.float64)):
                self._bridged[number].append(flags)
        voltage = self._voltage.find(span)
        if voltage is not None:
            self._voltage_from = min(self._voltage_from, int(voltage[0].t[0]))
            known = ~np.isnan(voltage[1])
            _keep(self._volts, voltage[0].t[known], voltage[1][known] / self._pack.cells_in_series)
        self._gather_cells(span)
        for batch in span.batches:
            places = [p for p, s in enumerate(batch.group.signals) if pack_temperature_number(s) is not None]
            if batch.group.origin == "measured" and places:
                _keep(self._temperatures, batch.t, batch.values[:, places])

    def _gather_cells(self, span: Span) -> None:
        """Keep the rows of the first group that carries every cell of the pack."""
        for batch in span.batches:
            places = [p for p, s in enumerate(batch.group.signals) if cell_number(s) is not None]
            if batch.group.origin == "measured" and 1 < len(places) == self._pack.cells_in_series:
                if self._cells_of is None:
                    self._cells_of = batch.group.key
                if self._cells_of == batch.group.key:
                    _keep(self._cells, batch.t, batch.values[:, places])

    def _look_at(self, number: int) -> None:
        """Take one block whose rows have all come."""
        t, amperes = _joined(self._rows.pop(number))
        bridged = np.concatenate(self._bridged.pop(number)) > ON
        cells = self._cells.pop(number, None)
        means = None if cells is None else _mean_rows(_joined(cells)[1])
        volts = self._volts.pop(number, None)
        if self._voltage_from >= (number + 1) * BLOCK and means is not None and not np.isnan(means).any():
            volts = [(t[-1:], np.array([means.mean()]))]
        voltage = _joined(volts) if volts is not None else (t[:0], amperes[:0])
        block = cut_blocks((t, amperes, bridged), voltage, self._before)
        self._before = (int(t[-1]), float(amperes[-1]))
        self._done_to = int(t[-1])
        sensors = self._temperatures.pop(number, None)
        celsius = np.nan if sensors is None else float(_mean_rows(np.concatenate([v.ravel() for _, v in sensors])))
        self._forward.take(block, means, None if np.isnan(celsius) else celsius)


def _parted(t: Times, values: Values) -> list[tuple[int, Values]]:
    """Return the rows of each block, in order."""
    if not len(t):
        return []
    numbers = t // BLOCK
    edges = [0, *(np.flatnonzero(np.diff(numbers)) + 1).tolist(), len(t)]
    return [(int(numbers[a]), values[a:b]) for a, b in itertools.pairwise(edges)]


def _keep(into: _Rows, t: Times, values: Values) -> None:
    for (number, times), (_, rows) in zip(_parted(t, t.astype(np.float64)), _parted(t, values), strict=True):
        into[number].append((times.astype(np.int64), rows))


def _joined(pieces: list[tuple[Times, Values]]) -> tuple[Times, Values]:
    return np.concatenate([t for t, _ in pieces]), np.concatenate([values for _, values in pieces])


def _mean_rows(rows: Values) -> Values:
    """Return the mean of each column over the rows in which it is known; NaN where it never is."""
    known = ~np.isnan(rows)
    counts = known.sum(axis=0)
    sums = np.where(known, rows, 0.0).sum(axis=0)
    return np.asarray(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), dtype=np.float64)
