"""The derive stages: cell spread with the lowest and highest cell; power; charge and energy so far."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from telemetry.analysis.all_cells import AllCells
from telemetry.analysis.blocks import Block, Blocks
from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.gaps import GapRule, steps
from telemetry.analysis.integrals import SignedIntegral
from telemetry.analysis.joining import Joiner
from telemetry.model.batch import MICROSECONDS, NO_TIMES, NO_VALUES, Batch, Flags, Group, Span, Times, Values
from telemetry.model.signals import CELL_FIGURES, cell_number

DERIVED = "derived"
LEAST_CELLS = 2
"""Cells that have a lowest and a highest."""
POWER = Group(DERIVED, "power", ("pack_power",), "derived")
CHARGE = Group(DERIVED, "charge", ("charge_out", "charge_in"), "derived")
ENERGY = Group(DERIVED, "energy", ("energy_out", "energy_in"), "derived")


class Cells:
    """Spread, lowest and highest cell of each row after which at least two cells are known.

    The cells of several groups count together, see :class:`~telemetry.analysis.all_cells.AllCells`; their spread only
    where all were read within half a second. A source that sends only its lowest and highest cell voltage gets the
    spread of those.
    """

    def __init__(self) -> None:
        self._cells = AllCells()

    def advance(self, span: Span) -> Span:
        """Add one derived batch for the cells, and one for each batch with extremes only."""
        derived = [self._of_extremes(batch) for batch in span.batches]
        return span.adding(batches=[each for each in (self._of_cells(span), *derived) if each is not None])

    def _of_cells(self, span: Span) -> Batch | None:
        rows = self._cells.find(span.batches)
        if rows is None or self._cells.key is None or len(self._cells.signals) < LEAST_CELLS:
            return None
        t, cells, at_once = rows.t, rows.volts, rows.at_once
        lowest = highest = cells
        unknown = np.isnan(cells)
        if unknown.any():
            known_rows = (~unknown).sum(axis=1) >= LEAST_CELLS
            if not known_rows.any():
                return None
            t, cells, at_once, unknown = t[known_rows], cells[known_rows], at_once[known_rows], unknown[known_rows]
            lowest, highest = np.where(unknown, np.inf, cells), np.where(unknown, -np.inf, cells)
        numbers, group = _numbers(self._cells.signals), _group_of_figures(self._cells.key)
        figures = np.empty((len(t), len(group.signals)))
        low, high = lowest.min(axis=1, out=figures[:, 1]), highest.max(axis=1, out=figures[:, 2])
        figures[:, 0] = np.where(at_once, high - low, np.nan)
        figures[:, 3], figures[:, 4] = numbers[lowest.argmin(axis=1)], numbers[highest.argmax(axis=1)]
        return Batch(group, t, figures)

    def _of_extremes(self, batch: Batch) -> Batch | None:
        group = batch.group
        low, high = batch.column("cell_min_voltage"), batch.column("cell_max_voltage")
        if low is None or high is None or group.origin == "derived" or len(_numbers(group.signals)) >= LEAST_CELLS:
            return None
        known = ~np.isnan(low) & ~np.isnan(high) & (high >= low)
        spread = (high - low)[known].reshape(-1, 1)
        return Batch(
            Group(DERIVED, f"{group.source}_{group.name}", ("cell_spread",), "derived"), batch.t[known], spread
        )


@lru_cache(maxsize=64)
def _group_of_figures(key: tuple[str, str]) -> Group:
    return Group(key[0], f"{key[1]}_cells", CELL_FIGURES, "derived")


@lru_cache(maxsize=64)
def _numbers(signals: tuple[str, ...]) -> Values:
    """Return the numbers of the cells among ``signals``."""
    found = (cell_number(signal) for signal in signals)
    return np.array([number for number in found if number is not None], dtype=np.float64)


class _OncePerSecond:
    """Keeps the first row of each second, and the last row of all, of two running figures."""

    def __init__(self, group: Group) -> None:
        self._group = group
        self._last_second: int | None = None
        self._held: tuple[int, float, float] | None = None

    def take(self, t: Times, out: Values, into: Values, final: bool) -> Batch:
        if not len(t) and not final:
            return Batch(self._group, NO_TIMES, np.empty((0, 2)))
        seconds = t // MICROSECONDS
        before = self._last_second if self._last_second is not None else -1
        keep = steps(seconds, before) != 0
        if len(t):
            self._last_second = int(seconds[-1])
            self._held = None if keep[-1] else (int(t[-1]), float(out[-1]), float(into[-1]))
        t, out, into = t[keep], out[keep], into[keep]
        if final and self._held is not None:
            t = np.append(t, self._held[0])
            out, into = np.append(out, self._held[1]), np.append(into, self._held[2])
            self._held = None
        return Batch(self._group, t.astype(np.int64), np.stack([out, into], axis=1))


class Charge:
    """Charge out of and into the pack since the start, once a second, by the trapezoid on the data's own time."""

    def __init__(self) -> None:
        self._current = Chosen("pack_current")
        self._rule = GapRule()
        self._integral = SignedIntegral()
        self._rows = _OncePerSecond(CHARGE)

    def advance(self, span: Span) -> Span:
        """Add the running totals."""
        t, current = known_values(self._current, span)
        out, into = self._integral.take(t, current, self._rule.take(t))
        return span.adding(batches=[self._rows.take(t, out, into, span.final)])


class Power:
    """Power on the joined time axis of voltage and current, and the energy out and in since the start."""

    def __init__(self) -> None:
        self._voltage, self._current = Chosen("pack_voltage"), Chosen("pack_current")
        self._joiner = Joiner()
        self._seconds = Blocks(MICROSECONDS)
        self._integral = SignedIntegral()
        self._rows = _OncePerSecond(ENERGY)
        self._energy_to = -(2**62)

    def advance(self, span: Span) -> Span:
        """Add ``pack_power`` as far as both signals are decided, and the energies by each second that is over."""
        t, power, bridged = self._joined(span)
        decided = self._joiner.decided_to
        over = self._seconds.take(t, np.array([power, bridged]).T, 2**62 if span.final else decided)
        batches = [Batch(POWER, t, power.reshape(-1, 1))]
        if over or span.final:
            batches.append(self._energy(over, span.final))
            self._energy_to = decided if span.final else decided // MICROSECONDS * MICROSECONDS - 1
        return span.adding(batches=batches, complete={POWER.key: decided, ENERGY.key: self._energy_to})

    def _energy(self, over: list[Block], final: bool) -> Batch:
        t = np.concatenate([NO_TIMES, *(block.t for block in over)])
        values = np.concatenate([np.empty((0, 2)), *(block.values for block in over)])
        out, into = self._integral.take(t, values[:, 0], values[:, 1] > 0.0)
        return self._rows.take(t, out, into, final)

    def _joined(self, span: Span) -> tuple[Times, Values, Flags]:
        sides = []
        for chosen in (self._voltage, self._current):
            found = chosen.find(span)
            sides.append((found[0].t, found[1]) if found is not None else (NO_TIMES, NO_VALUES))
        t, voltage, current, bridged = self._joiner.take(sides[0], sides[1], span.end)
        return t, voltage * current, bridged
