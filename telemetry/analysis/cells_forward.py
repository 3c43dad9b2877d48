"""The cells compared live, with the load counted; see :mod:`telemetry.analysis.cell_ledgers` for how.

It gives three spreads, each where it means something: of a pack that rests, under load, and near the top. Between
blocks of ten seconds each is the middle one of the last three, so that one misread block says nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

import numpy as np

from telemetry.analysis.cell_ledgers import (
    BIN_SHARE,
    LEAST_RATIO_ERROR,
    MIDDLE_OF,
    MOST_SPREAD_ERROR_V,
    SLOW_SHARE,
    STEPS_FOR_RATIO,
    ChargeLedger,
    ResistanceLedger,
)
from telemetry.machine.chemistry import Chemistry
from telemetry.model.batch import MICROSECONDS, Values
from telemetry.model.cell_figures import CellFigure, CellFigures

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
_LEAST_BEHIND = 2 * BIN_SHARE
"""From here on a charge behind is told of each cell, as a share: voltages are compared from step to step of charge,
and one step on either side says nothing."""


class CellsForward:
    """The spreads, the highest ratio of cell resistances and the charge that the lowest cell lacks.

    Args:
        cell: the chemistry, for where full and empty begin.
        capacity_ah: of the pack.
    """

    def __init__(self, cell: Chemistry, capacity_ah: float) -> None:
        self._cell = cell
        self._rest_a = max(REST_AT_LEAST_A, REST_C * capacity_ah)
        self._capacity = capacity_ah
        self._resistances = ResistanceLedger(capacity_ah)
        self._charge = ChargeLedger(capacity_ah)
        self._before: int | None = None
        self._rested = 0
        self._recent: dict[str, list[float]] = {}
        self._found: tuple[Values, Values] | None = None

    def take(self, end: int, voltages: Values, amperes: Values) -> Iterator[tuple[str, float, int | None]]:
        """Take one block and give what it tells: signal, value and the place of the cell it is about.

        Args:
            end: of the block, microseconds.
            voltages: means of the cells, V, float64 (cells,); NaN for a dead one.
            amperes: the current's rows, A.
        """
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
        self._found = found or self._found
        beyond, error = found if found is not None else (np.zeros(len(voltages)), None)
        inner = voltages + (1.0 + beyond) * (ohm * current)

        known_to = SLOW_SHARE * np.abs(beyond) if error is None else SLOW_SHARE * np.abs(beyond) + error
        uncertain = ohm * abs(current) * known_to
        state = self._state(inner, current, ohm, error, resting)
        self._recent = {state: [*self._recent.get(state, [])[-2:], _spread(inner, uncertain)]}
        if state != "none" and len(self._recent[state]) == MIDDLE_OF:
            yield f"cell_spread_{state}", median(self._recent[state]), None
        if error is not None and self._resistances.steps >= STEPS_FOR_RATIO and not resting:
            worst = int(np.nanargmax(np.where(np.isnan(voltages), np.nan, beyond)))
            if error[worst] < LEAST_RATIO_ERROR * max(1.0, beyond[worst]):
                yield "cell_resistance_ratio", 1.0 + float(beyond[worst]), worst
        deficit = self._charge.take(voltages, current, elapsed / (3600 * MICROSECONDS), ohm, beyond, error)
        if deficit is not None:
            yield "cell_charge_deficit", 100.0 * deficit.share, deficit.place

    def figures(self, numbers: Sequence[int]) -> CellFigures | None:
        """Return what is known of each cell by now, ``numbers`` in the order of the voltages; None while nothing is.

        A resistance is known once its standard error is below that of a ratio that is told.
        """
        if self._before is None or self._found is None:
            return None
        (beyond, error), ohm, behind = self._found, self._resistances.middle_ohm, self._charge.behind
        if len(numbers) != len(beyond) or self._resistances.steps < STEPS_FOR_RATIO or ohm <= 0.0:
            return None
        told = error < LEAST_RATIO_ERROR * np.maximum(1.0, beyond)
        lacks = behind if len(behind) == len(beyond) else np.zeros(len(beyond))
        cells = {
            number: CellFigure(
                ohm * times if is_told else None,
                times if is_told else None,
                share * self._capacity if share >= _LEAST_BEHIND else None,
            )
            for number, times, is_told, share in zip(
                numbers, (1.0 + beyond).tolist(), told.tolist(), lacks.tolist(), strict=True
            )
        }
        return CellFigures(self._before, self._resistances.steps, cells)

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
