"""Which cells are odd, and why: less capacity, less charge, more resistance, or unknown.

The signatures (common practice, shown on simulated packs in the docs):

* ``low-capacity``: it swings further than the others for the same ampere-hours: it ends lowest when empty but not
  when full, or highest when full. Its resistance reads higher by about as much as its capacity is lower, and is no
  sign of a bad joint.
* ``low-charge``: it lacks about the same charge everywhere, lowest when full too; balancing brings it back.
* ``high-resistance``: shows only while current flows; cell or joint.
* ``unknown``: it stands out, but the session does not hold what would tell the cause.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from telemetry.analysis.cell_alignment import Alignment, align_cells, cut_bins
from telemetry.analysis.cell_lag import Track
from telemetry.analysis.cell_spread import find_spread
from telemetry.analysis.resistance import Resistance
from telemetry.analysis.series import SessionSeries
from telemetry.machine.sections import Pack
from telemetry.model.batch import Values

Cause = Literal["low-capacity", "high-resistance", "low-charge", "unknown"]


@dataclass(frozen=True, slots=True)
class OddCell:
    """A cell that stands out.

    Attributes:
        cell: its number.
        cause: why.
        confidence: 0 to 1, how likely the cause is the right one.
        evidence: one sentence with the numbers.
        capacity_ah, capacity_uncertainty_ah: of a cell of less capacity, where one wide cycle tells: its share of the
            others' times the rated capacity, and one standard deviation.
    """

    cell: int
    cause: Cause
    confidence: float
    evidence: str
    capacity_ah: float | None = None
    capacity_uncertainty_ah: float | None = None


@dataclass(frozen=True, slots=True)
class CellCharge:
    """One cell against the middle one, in percent of a cell's capacity; one standard deviation each.

    Attributes:
        number: of the cell.
        capacity_pct, capacity_uncertainty_pct: its capacity as a share of the middle cell's.
        missing_top_pct, missing_top_uncertainty_pct: what it lacked where the cells were fullest.
        missing_bottom_pct, missing_bottom_uncertainty_pct: and where they were emptiest.
    """

    number: int
    capacity_pct: float
    capacity_uncertainty_pct: float
    missing_top_pct: float
    missing_top_uncertainty_pct: float
    missing_bottom_pct: float
    missing_bottom_uncertainty_pct: float


@dataclass(frozen=True)
class CellFindings:
    """What a session tells of its cells.

    Attributes:
        spread_rest_mv, spread_load_mv, spread_top_mv, spread_bottom_mv: highest less lowest cell, see ``Spread``.
        odd: the cells that stand out, by number.
        charges: how the cells' charge and capacity compare; empty where the session does not tell.
        unknown: by key, why something is missing.
    """

    spread_rest_mv: float | None = None
    spread_load_mv: float | None = None
    spread_top_mv: float | None = None
    spread_bottom_mv: float | None = None
    odd: tuple[OddCell, ...] = ()
    charges: tuple[CellCharge, ...] = ()
    unknown: Mapping[str, str] = field(default_factory=dict)


# How far the cells of a sound pack lie apart, one standard deviation at least; common practice, from memory.
_USUAL_RESISTANCE = 0.02
_USUAL_CAPACITY = 0.006
_USUAL_CHARGE = 0.004
_MODEL_STRETCH, _MODEL_CHARGE = 0.003, 0.004
"""What the laying of curves is off beyond its own count; measured on random packs, see docs."""
_INFLATE = 3.0
_STANDS_OUT = 4.0
_LEAST_STRETCH = 0.03
_LEAST_MISSING = 0.012
_LEAST_EXCESS = 0.12
_KNOWN_STRETCH = 0.02
_KNOWN_MISSING = 0.012


def judge_cells(series: SessionSeries, pack: Pack, resistance: Resistance) -> CellFindings:
    """Return the spreads of the cells and those that stand out.

    Needs cell voltages and ``pack_current``; what only a charge to the end or a deep discharge can tell stays unknown
    without it.
    """
    if series.cells is None:
        return CellFindings(unknown={"cells": "no cell voltages are recorded"})
    measured = series.get("pack_current")
    if measured is None or len(measured.t) < 8:
        reason = "no pack current is recorded, so a cell's load and charge are not known"
        return CellFindings(unknown={"cells": reason})
    current, lag = Track(measured, series.origin), resistance.cell_lag_s or 0.0
    spread = find_spread(series.cells, current, pack, series.origin, lag)
    bins = cut_bins(series.cells, current, series.origin, lag, pack.capacity_ah)
    ohm = (
        float(np.median([each.mohm for each in resistance.cells])) / 1000
        if resistance.cells
        else 0.05 / pack.capacity_ah
    )
    aligned = None if bins is None else align_cells(bins, pack.capacity_ah, ohm)
    view = _View(series.cells.numbers, resistance, aligned)
    odd = tuple(found for place in range(len(view.numbers)) if (found := view.judge(place, pack)) is not None)
    unknown = {} if aligned is not None else {"cells": "too little charge was moved to tell capacities and charges"}
    return CellFindings(spread.rest, spread.load, spread.top, spread.bottom, odd, view.charges(), unknown)


class _View:
    """The cells' resistances, charges and capacities against those of the middle cell, each with its doubt."""

    def __init__(self, numbers: tuple[int, ...], resistance: Resistance, aligned: Alignment | None) -> None:
        self.numbers = numbers
        nothing = np.full(len(numbers), np.nan)
        ratio = {each.number: each for each in resistance.cells}
        self.excess = np.array([ratio[n].ratio - 1 if n in ratio else np.nan for n in numbers])
        self.excess_sd = np.array([ratio[n].ratio_uncertainty if n in ratio else np.nan for n in numbers])
        self.stretch = self.top = self.bottom = nothing
        self.stretch_sd = self.top_sd = self.bottom_sd = np.full(len(numbers), np.inf)
        if aligned is not None:
            self.stretch, self.top, self.bottom = (
                each - np.median(each) for each in (aligned.stretch, aligned.missing_top, aligned.missing_bottom)
            )
            self.stretch_sd = np.hypot(_INFLATE * aligned.stretch_sd, _MODEL_STRETCH)
            self.top_sd, self.bottom_sd = (
                np.hypot(_INFLATE * each, _MODEL_CHARGE)
                for each in (aligned.missing_top_sd, aligned.missing_bottom_sd)
            )

    def charges(self) -> tuple[CellCharge, ...]:
        """Return the cells' charges and capacities where the fit tells them."""
        if np.isnan(self.stretch).any():
            return ()
        rows = zip(
            self.numbers,
            *(100 / (1 + self.stretch), 100 * self.stretch_sd, 100 * self.top, 100 * self.top_sd),
            *(100 * self.bottom, 100 * self.bottom_sd),
            strict=True,
        )
        return tuple(CellCharge(int(row[0]), *(float(value) for value in row[1:])) for row in rows)

    def judge(self, place: int, pack: Pack) -> OddCell | None:
        """Return what is odd about the cell at ``place``, or None."""
        capacity = _beyond(self.stretch, self.stretch_sd, place, _USUAL_CAPACITY)
        missing = _beyond(self.top, self.top_sd, place, _USUAL_CHARGE)
        # what less capacity explains of the resistance is no joint
        explained = float(np.clip(self.stretch[place], 0, 0.3)) if self.stretch_sd[place] < _KNOWN_STRETCH else 0.0
        own = self.excess - np.where(np.arange(len(self.numbers)) == place, explained, 0.0)
        resisting = _beyond(own, self.excess_sd, place, _USUAL_RESISTANCE)
        if resisting > _STANDS_OUT and own[place] > _LEAST_EXCESS:
            return self._odd(place, "high-resistance", resisting, own[place] / _LEAST_EXCESS)
        if (
            capacity > _STANDS_OUT
            and self.stretch[place] > _LEAST_STRETCH
            and self.stretch_sd[place] < _KNOWN_STRETCH
        ):
            found = self._odd(place, "low-capacity", capacity, self.stretch[place] / _LEAST_STRETCH)
            share = 1 / (1 + self.stretch[place])
            return OddCell(
                found.cell,
                found.cause,
                found.confidence,
                found.evidence,
                float(share * pack.capacity_ah),
                float(share * pack.capacity_ah * self.stretch_sd[place] * share),
            )
        if missing > _STANDS_OUT and self.top[place] > _LEAST_MISSING and self.top_sd[place] < _KNOWN_MISSING:
            return self._odd(place, "low-charge", missing, self.top[place] / _LEAST_MISSING)
        return None

    def _odd(self, place: int, cause: Cause, beyond: float, over: float) -> OddCell:
        return OddCell(self.numbers[place], cause, _confidence(beyond, float(over)), self._evidence(place, cause))

    def _evidence(self, place: int, cause: Cause) -> str:
        number, resists = self.numbers[place], f"{100 * self.excess[place]:+.0f} % resistance"
        known = not math.isnan(self.stretch[place]) and math.isfinite(self.stretch_sd[place])
        swing = (
            f"capacity {100 / (1 + self.stretch[place]):.1f} ± {100 * self.stretch_sd[place]:.1f} % of the middle "
            f"cell's, {100 * self.top[place]:+.1f} ± {100 * self.top_sd[place]:.1f} % of charge missing when fullest"
            if known
            else "charge and capacity not known"
        )
        words = {
            "low-capacity": f"cell {number} empties and fills faster than the others: {swing}; it reads {resists}, "
            "as less capacity does",
            "low-charge": f"cell {number} lacks charge at the end of charge too: {swing}",
            "high-resistance": f"cell {number} shows {resists} over the middle cell's in load steps, more than "
            f"capacity explains: the cell or a joint beside it; {swing}",
            "unknown": f"cell {number} stands out with {resists}; {swing}",
        }
        return words[cause]


def _beyond(values: Values, doubts: Values, place: int, usual: float) -> float:
    """Return how many standard deviations a cell lies above the rest, the rest's own spread included."""
    if math.isnan(values[place]):
        return 0.0
    rest = np.delete(values, place)
    middle = float(np.nanmedian(rest))
    scatter = 1.4826 * float(np.nanmedian(np.abs(rest - middle)))
    return float((values[place] - middle) / math.hypot(max(scatter, usual), float(doubts[place])))


def _confidence(beyond: float, over: float) -> float:
    """Return a probability that grows with the distance from the rest and from the threshold of the cause."""
    apart = 0.5 * (1 + math.erf((beyond - 3) / math.sqrt(2)))
    clear = 0.5 * (1 + math.erf((over - 0.7) / 0.5 / math.sqrt(2)))
    return round(min(0.99, apart * clear), 2)
