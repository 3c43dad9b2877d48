"""The stage that compares the cells with the load counted; see :mod:`telemetry.pipeline.cell_comparison` for how.

It tells three spreads, each where it means something: of a pack that rests, under load, and near the top. Between
blocks of ten seconds each is the middle one of the last three, so that one misread block says nothing.
"""

from __future__ import annotations

from statistics import median

import numpy as np

from telemetry.analysis.blocks import Block, Blocks, known_rows
from telemetry.analysis.chosen import Chosen, ChosenGroup
from telemetry.machine.chemistry import Chemistry
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Values
from telemetry.model.signals import cell_number
from telemetry.pipeline.cell_comparison import (
    LEAST_RATIO_ERROR,
    MOST_SPREAD_ERROR_V,
    SLOW_SHARE,
    STEPS_FOR_RATIO,
    ChargeLedger,
    ResistanceLedger,
)

BLOCK = 10 * MICROSECONDS
TOP_BAND_V = 0.2
"""Near the top begins this far below the end of an ordinary charge: 3.40 V for iron phosphate, where balancing of
such packs begins (common practice)."""
REST_C = 0.005
"""A pack rests below this share of its capacity per hour, 0.5 A at least."""
REST_AT_LEAST_A = 0.5
RESTED_BLOCKS = 3
"""Blocks of rest before the spread counts as that of a resting pack: half a minute, in which a cell has given back
most of its sag (time constants of 10 to 30 s, common practice)."""
LONGEST_BRIDGED = 60 * MICROSECONDS
_STATES = ("rest", "load", "top")
SPREADS = {state: Group("derived", f"cell_spread_{state}", (f"cell_spread_{state}",), "derived") for state in _STATES}
RATIO = Group(
    "derived", "cell_resistance_ratio", ("cell_resistance_ratio", "cell_resistance_ratio_number"), "derived"
)
DEFICIT = Group("derived", "cell_charge_deficit", ("cell_charge_deficit", "cell_charge_deficit_number"), "derived")


class Spread:
    """Adds the spreads, the highest ratio of cell resistances and the charge that the lowest cell lacks.

    Args:
        cell: the chemistry, for where full and empty begin.
        capacity_ah: of the pack.
    """

    def __init__(self, cell: Chemistry, capacity_ah: float) -> None:
        self._cell = cell
        self._rest_a = max(REST_AT_LEAST_A, REST_C * capacity_ah)
        self._capacity = capacity_ah
        self._current = Chosen("pack_current")
        self._cells = ChosenGroup(lambda signal: cell_number(signal) is not None, least=3)
        self._cell_blocks, self._current_blocks = Blocks(BLOCK), Blocks(BLOCK)
        self._resistances = ResistanceLedger(capacity_ah)
        self._charge = ChargeLedger(capacity_ah)
        self._before: int | None = None
        self._rested = 0
        self._recent: dict[str, list[float]] = {}

    def advance(self, span: Span) -> Span:
        """Add what the blocks tell that are over at the end of ``span``."""
        cells = self._cell_blocks.take(*self._cells.find(span), span.end)
        currents = self._current_blocks.take(*known_rows(self._current, span), span.end)
        if not (cells and currents):
            return span
        by_end = {block.end: block for block in currents}
        rows: dict[Group, list[tuple[int, tuple[float, ...]]]] = {}
        for block in cells:
            if block.end in by_end:
                self._take(block, by_end[block.end], rows)
        return span.adding(
            Batch.of_rows(group, [t for t, _ in told], [values for _, values in told]) for group, told in rows.items()
        )

    def _take(self, cells: Block, currents: Block, rows: dict[Group, list[tuple[int, tuple[float, ...]]]]) -> None:
        voltages = cell_means(cells.values)
        if voltages is None:
            return
        end, amperes = cells.end, currents.values[:, 0]
        current = float(amperes.mean())
        elapsed = end - self._before if self._before is not None else BLOCK
        self._before = end
        if elapsed > LONGEST_BRIDGED:
            self._charge = ChargeLedger(self._capacity)
        if elapsed != BLOCK:
            self._resistances.skip()
            self._rested, self._recent = 0, {}
        resting = float(np.abs(amperes).max()) <= self._rest_a
        self._rested = self._rested + 1 if resting else 0
        middle = float(np.nanmedian(voltages))
        distance = voltages - middle
        ohm = self._resistances.middle_ohm
        if self._is_flat(middle + ohm * current):
            self._resistances.take(distance, middle, current, elapsed == BLOCK)
            ohm = self._resistances.middle_ohm
        else:
            self._resistances.skip()
        found = self._resistances.ratios()
        beyond, error = found if found is not None else (np.zeros(len(voltages)), None)
        inner = voltages + (1.0 + beyond) * (ohm * current)

        known_to = SLOW_SHARE * np.abs(beyond) if error is None else SLOW_SHARE * np.abs(beyond) + error
        uncertain = ohm * abs(current) * known_to

        def tell(group: Group, *values: float) -> None:
            rows.setdefault(group, []).append((end, values))

        state = self._state(inner, current, ohm, error, resting)
        self._recent = {state: [*self._recent.get(state, [])[-2:], _spread(inner, uncertain)]}
        if state in SPREADS and len(self._recent[state]) == 3:
            tell(SPREADS[state], median(self._recent[state]))
        if error is not None and self._resistances.steps >= STEPS_FOR_RATIO and not resting:
            worst = int(np.nanargmax(np.where(np.isnan(voltages), np.nan, beyond)))
            if error[worst] < LEAST_RATIO_ERROR * max(1.0, beyond[worst]):
                tell(RATIO, 1.0 + float(beyond[worst]), self._number(worst))
        deficit = self._charge.take(voltages, current, elapsed / (3600 * MICROSECONDS), ohm, beyond, error)
        if deficit is not None:
            tell(DEFICIT, 100.0 * deficit.share, self._number(deficit.place))

    def _number(self, place: int) -> float:
        return float(cell_number(self._cells.signals[place]) or 0)

    def _is_flat(self, middle: float) -> bool:
        """Tell whether the middle cell stands where its voltage hardly moves in a block but by the load."""
        cell = self._cell
        return 0.5 * (cell.knee_v + cell.nominal_v) <= middle <= cell.charge_v - 0.5 * TOP_BAND_V

    def _state(self, inner: Values, current: float, ohm: float, error: Values | None, resting: bool) -> str:
        """Return which spread this block may tell of; ``none`` where it would mean nothing."""
        if float(np.nanmax(inner)) >= self._cell.charge_v - TOP_BAND_V:
            return "top" if error is not None or current <= self._rest_a else "none"
        if float(np.nanmin(inner)) < self._cell.nominal_v:
            return "none"
        if resting:
            return "rest" if self._rested > RESTED_BLOCKS else "none"
        if error is None or float(np.max(error)) * ohm * abs(current) > MOST_SPREAD_ERROR_V:
            return "none"
        return "load"


def _spread(inner: Values, uncertain: Values) -> float:
    """Return the highest less the lowest cell, V, as far as what is uncertain of each cell cannot explain it."""
    away = inner - np.nanmedian(inner)
    away = np.sign(away) * np.maximum(np.abs(away) - uncertain, 0.0)
    return float(np.nanmax(away) - np.nanmin(away))


def cell_means(values: Values) -> Values | None:
    """Return each cell's mean over the rows in which all living cells are known; None where fewer than three live."""
    unknown = np.isnan(values)
    if not unknown.any():
        return np.asarray(values.mean(axis=0))
    dead = unknown.all(axis=0)
    whole = ~unknown[:, ~dead].any(axis=1)
    if int((~dead).sum()) < 3 or not whole.any():
        return None
    return np.asarray(values[whole].mean(axis=0))
