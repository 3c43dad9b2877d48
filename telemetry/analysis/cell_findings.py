"""Which cells are odd, and why: less capacity, less charge, more resistance, or unknown.

The signatures (common practice, measured on simulated packs in the docs):

* ``low-capacity``: it swings further than the others for the same ampere-hours: it ends lowest when empty but not
  when full, or highest when full. Its resistance reads higher by about as much as its capacity is lower, and is no
  sign of a bad joint.
* ``low-charge``: it lacks about the same charge everywhere, lowest when full too; balancing brings it back.
* ``high-resistance``: shows only while current flows; cell or joint.
* ``unknown``: it stands out, but this session cannot tell the cause.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Literal

import numpy as np

from telemetry.analysis.cell_alignment import Alignment, Told, Windows, align_cells
from telemetry.analysis.cell_bins import cut_bins
from telemetry.analysis.cell_causes import (
    SOUND,
    USUAL_EXCESS,
    USUAL_MISSING,
    USUAL_STRETCH,
    Figures,
    scatter_of,
    weigh,
)
from telemetry.analysis.cell_lag import Track
from telemetry.analysis.cell_spread import NAMES, TOP_BELOW_V, find_spread
from telemetry.analysis.instruments import USUAL_CELL_V
from telemetry.analysis.open_circuit import open_circuit_tables, stated_table
from telemetry.analysis.phases import Phase, find_phases
from telemetry.analysis.ranges import Z90
from telemetry.analysis.resistance import Resistance
from telemetry.analysis.series import CellSeries, SessionSeries
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import Values
from telemetry.model.figures import HIDDEN, figure_field

Cause = Literal["low-capacity", "high-resistance", "low-charge", "unknown"]
CAUSES: tuple[Cause, ...] = ("low-capacity", "high-resistance", "low-charge")


@dataclass(frozen=True, slots=True)
class OddCell:
    """A cell that stands out.

    Attributes:
        cell: its number.
        cause: why.
        confidence: 0 to 1, how likely the cause is the right one.
        evidence: one sentence with the numbers.
        capacity_ah, capacity_uncertainty_ah: of a cell of less capacity, where one wide cycle tells: its share of the
            others' times the pack's capacity, and one standard deviation.
    """

    digits: ClassVar = 3

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
        capacity_pct, capacity_uncertainty_pct: its capacity as a share of the middle cell's; None where the swing
            does not tell it to 3 %.
        missing_top_pct, missing_top_uncertainty_pct: what it lacked where the cells were fullest.
        missing_bottom_pct, missing_bottom_uncertainty_pct: and where they were emptiest.
    """

    number: int
    capacity_pct: float | None
    capacity_uncertainty_pct: float | None
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
        compared: the figures in which the cells could be compared.
    """

    digits: ClassVar = 2

    spread_rest_mv: float | None = figure_field("cell voltage spread at rest")
    spread_load_mv: float | None = figure_field("cell voltage spread under load")
    spread_top_mv: float | None = figure_field("cell voltage spread near full")
    spread_bottom_mv: float | None = figure_field("cell voltage spread near empty")
    odd: tuple[OddCell, ...] = figure_field("cells that stand out", default=())
    charges: tuple[CellCharge, ...] = field(default=(), metadata=HIDDEN)
    unknown: Mapping[str, str] = field(default_factory=dict)
    compared: tuple[str, ...] = figure_field("figures that compare the cells", default=())


_TOP, _BOTTOM, _STRETCH = 0.85, 1.15, 0.85
_LEAST, _OF_FOUND = 0.001, 0.15
"""By how much the laying of curves is surer of itself than it is right, what it is off at least, and what it is off
besides as a share of what was found. Chosen on drawn packs, seeds 700 to 702, 3000 to 3002 of tests/calibration."""
_START_V, _START_SHARE = 0.005, 0.6
"""What use alone leaves open of the charge that a cell lacks where fullest: polarisation builds up from the start on
in all cells alike, whatever they hold. So many volts of it, on a plateau some per cent, yet no more than a share of
what the cell lacks where emptiest. Less charge and less capacity are then not told apart: of 74 single-particle iron
phosphate cells for which either was named, 32 were named wrongly (drawn packs, seeds 3878 to 3923 of
tests/calibration)."""
_COUNTS = 0.01
"""A window that is less likely than this share of the likeliest does not count when causes are weighed."""
_LEAST_ROWS = 8
_MIDDLE = np.linspace(0.3, 0.9, 13)
_TOLD = 0.03
"""A cell's share of the capacity, and with it its ampere-hours, is told once one standard deviation is below this."""
_TIMES_PCT = 100.0
"""From here on people say how many times."""
_ONLY_EXTREMES = (
    "only the lowest and highest cell voltages were recorded; which cell stands out, and why, takes the voltage of "
    "every cell"
)
_NAMED, _ODD = 0.85, 0.9
_NAMED_JOINT = 0.97
"""Somebody may take a pack apart for a bad joint, so that wants more than the rest."""


def judge_cells(
    series: SessionSeries,
    pack: Pack,
    resistance: Resistance,
    rests: Sequence[Phase] | None = None,
    capacity: tuple[float, float] | None = None,
    reading_v: float = USUAL_CELL_V,
) -> CellFindings:
    """Return the spreads of the cells and those that stand out.

    Needs cell voltages (lowest and highest are enough for the spreads) and ``pack_current``. Some figures need a
    charge to the end or a deep discharge as well.

    Args:
        series: the session.
        pack: its chemistry and capacity.
        resistance: what its load steps show.
        rests: its phases of rest; found here where they are None.
        capacity: of the pack, Ah, and one standard deviation; None: as stated, see ``Pack.capacity_spread``.
        reading_v: V by which one cell's reading is off another's, one standard deviation.
    """
    cells = series.cells or _extremes(series)
    if cells is None:
        return CellFindings(unknown=_nothing("no cell voltages were recorded"))
    measured = series.get("pack_current")
    if measured is None or len(measured.t) < _LEAST_ROWS:
        return CellFindings(unknown=_nothing("no pack current was recorded, so the cells' load is not known"))
    current, lag = Track(measured, series.origin), resistance.cell_lag_s or 0.0
    rests = find_phases(series, capacity_ah=pack.capacity_ah).of("rest") if rests is None else rests
    ohm = (
        float(np.median([each.mohm for each in resistance.cells])) / 1000
        if resistance.cells
        else 0.05 / pack.capacity_ah
    )
    spread = find_spread(cells, current, pack, series.origin, rests, ohm, lag)
    unknown = {f"spread_{name}_mv": why for name, why in spread.unknown.items()}
    if series.cells is None:
        unknown["comparison"] = _ONLY_EXTREMES
        return CellFindings(spread.rest, spread.load, spread.top, spread.bottom, unknown=unknown)
    bins = cut_bins(series.cells, current, series.origin, lag, pack.capacity_ah)
    full = bool(np.nanmax(series.cells.voltages) > pack.cell.charge_v - TOP_BELOW_V)
    aligned = None if bins is None else align_cells(bins, pack.capacity_ah, ohm, reading_v=reading_v)
    capacity = capacity or (pack.capacity_ah, pack.capacity_ah * pack.capacity_spread)
    table = stated_table(pack.open_circuit) or open_circuit_tables(pack.chemistry)[0]
    plateau = max(
        float(np.median(table.slope_at(_MIDDLE))), _START_V
    )  # V for the whole charge; an owner's may be flat
    view = _View(series.cells.numbers, resistance, aligned, full, capacity, 0.0 if full else _START_V / plateau)
    odd = tuple(found for place in range(len(view.numbers)) if (found := view.judge(place)) is not None)
    if aligned is None:
        unknown["comparison"] = "too little charge went in or out to compare the cells' charge and capacity"
    charges = view.charges()
    could = (("internal resistance", bool(resistance.cells)), ("charge and capacity", bool(charges)))
    compared = tuple(what for what, can in could if can)
    return CellFindings(spread.rest, spread.load, spread.top, spread.bottom, odd, charges, unknown, compared)


def _extremes(series: SessionSeries) -> CellSeries | None:
    """Return the lowest and the highest cell as two; None where they were not recorded together."""
    low, high = series.get("cell_min_voltage"), series.get("cell_max_voltage")
    if low is None or high is None:
        return None
    t, of_low, of_high = np.intersect1d(low.t, high.t, return_indices=True)
    return CellSeries(t, np.stack([low.values[of_low], high.values[of_high]], axis=1), (1, 2)) if len(t) else None


def _nothing(why: str) -> dict[str, str]:
    return dict.fromkeys(("cells", *(f"spread_{name}_mv" for name in NAMES)), why)


class _View:
    """The cells' resistances, charges and capacities against those of the middle cell, each with its doubt."""

    def __init__(
        self,
        numbers: tuple[int, ...],
        resistance: Resistance,
        aligned: Alignment | None,
        charged_full: bool,
        capacity: tuple[float, float],
        start_unsure: float,
    ) -> None:
        self.numbers, self._charged_full, self._capacity = numbers, charged_full, capacity
        ratio = {each.cell: each for each in resistance.cells}
        self.excess = np.array([ratio[n].ratio - 1 if n in ratio else np.nan for n in numbers])
        self.excess_sd = np.array([ratio[n].ratio_scatter if n in ratio else np.nan for n in numbers])
        self.stretch = self.top = self.bottom = np.full(len(numbers), np.nan)
        self.stretch_sd = self.top_sd = self.bottom_sd = np.full(len(numbers), np.inf)
        self.swing, self._start_unsure = 0.0, start_unsure
        self._windows: Windows | None = None
        if aligned is not None:
            of = self._windows = aligned.windows
            self.swing = aligned.swing
            (self.top, self.top_sd), self._top = _trusted(aligned.top, of.top, _TOP)
            (self.bottom, self.bottom_sd), self._bottom = _trusted(aligned.bottom, of.bottom, _BOTTOM)
            (self.stretch, self.stretch_sd), self._stretch = _trusted(aligned.stretch, of.stretch, _STRETCH)
            self.top_sd, self.stretch_sd = self._less_sure(start_unsure, self.bottom, self.top_sd, self.stretch_sd)
            top_sd, stretch_sd = self._less_sure(start_unsure, self._bottom[0], self._top[1], self._stretch[1])
            self._top, self._stretch = (self._top[0], top_sd), (self._stretch[0], stretch_sd)

    def _less_sure(self, start: float, bottom: Values, top_sd: Values, stretch_sd: Values) -> tuple[Values, Values]:
        """Return the deviations with what is left open, up to ``start``, of the charge lacked where fullest."""
        more = np.minimum(_START_SHARE * np.abs(bottom), start)
        return np.hypot(top_sd, more), np.hypot(stretch_sd, more / self.swing)

    def charges(self) -> tuple[CellCharge, ...]:
        """Return the cells' charges and capacities where the fit tells them."""
        if np.isnan(self.stretch).any():
            return ()
        told = [doubt < _TOLD for doubt in self.stretch_sd.tolist()]
        shares, doubts = 100 / (1 + self.stretch), 100 * self.stretch_sd
        return tuple(
            CellCharge(
                number,
                float(shares[place]) if told[place] else None,
                float(doubts[place]) if told[place] else None,
                *(float(100 * each[place]) for each in (self.top, self.top_sd, self.bottom, self.bottom_sd)),
            )
            for place, number in enumerate(self.numbers)
        )

    def judge(self, place: int) -> OddCell | None:
        """Return what is odd about the cell at ``place``, or None."""
        full = self._charged_full
        missing = self.top if full else self.bottom
        columns = (missing, self.stretch, self.excess)
        usual = (USUAL_MISSING, USUAL_STRETCH, USUAL_EXCESS)
        rest = [scatter_of(column, place, least) for column, least in zip(columns, usual, strict=True)]
        chance, values, doubts = self._figures(place, full)
        likely = weigh(
            Figures(
                chance,
                values - np.array([middle for middle, _ in rest]),
                doubts,
                tuple(scatter for _, scatter in rest),
                0.0 if full else self.swing,
                self._charged_full,
            ),
            len(self.numbers),
        )
        odd = 1 - likely[SOUND]
        if odd < _ODD:
            return None
        best = max((cause for cause in CAUSES), key=lambda cause: likely[cause])
        open_yet = best != "high-resistance" and self._start_unsure > _TOLD
        if open_yet or likely[best] < (_NAMED_JOINT if best == "high-resistance" else _NAMED):
            return OddCell(self.numbers[place], "unknown", round(odd, 2), self._evidence(place, "unknown"))
        share, (pack_ah, pack_sd) = float(1 / (1 + self.stretch[place])), self._capacity
        told = best == "low-capacity" and self.stretch_sd[place] < _TOLD
        return OddCell(
            self.numbers[place],
            best,
            round(min(0.99, likely[best]), 2),
            self._evidence(place, best),
            share * pack_ah if told else None,
            share * float(np.hypot(pack_sd, share * pack_ah * self.stretch_sd[place])) if told else None,
        )

    def _figures(self, place: int, full: bool) -> tuple[Values, Values, Values]:
        """Return how likely each window of the fit is, and the three figures there with their doubts."""
        excess, excess_sd = self.excess[place], _own(self.excess_sd)[place]
        if self._windows is None:
            return np.ones(1), np.array([[np.nan, np.nan, excess]]), np.array([[np.nan, np.nan, excess_sd]])
        chance = self._windows.chance[:, place]
        counts = chance > _COUNTS * chance.max()
        every = (self._top if full else self._bottom, self._stretch)
        missing, stretch = (np.stack(each)[:, counts, place] for each in every)
        same = np.ones(int(counts.sum()))
        values = np.column_stack([missing[0], stretch[0], excess * same])
        return chance[counts], values, np.column_stack([missing[1], stretch[1], excess_sd * same])

    def _evidence(self, place: int, cause: Cause) -> str:
        excess = self.excess[place]
        resists = (
            "its internal resistance is not known"
            if np.isnan(excess)
            else f"its internal resistance is {_against(100 * excess)} the median cell's"
        )
        parts = []
        if self.stretch_sd[place] < _TOLD:
            ratio = 1 / (1 + self.stretch[place])
            share, half = 100 * ratio, Z90 * 100 * ratio**2 * self.stretch_sd[place]
            parts.append(f"its capacity is {share:.0f} ± {max(half, 1.0):.0f} % of the median cell's")
        ends = (("fullest", self.top, self.top_sd), ("emptiest", self.bottom, self.bottom_sd))
        for when, lacking, doubt in ends if self.top_sd[place] < self.bottom_sd[place] else ends[::-1]:
            if doubt[place] < _TOLD:
                parts.append(
                    f"when {when} it held {_held(lacking[place], doubt[place], self._capacity[0])} the median cell"
                )
                break
        swing = ", ".join(parts) or "its capacity is not known"
        words = {
            "low-capacity": f"it empties and fills faster than the others: {swing}; {resists}, which the lower "
            "capacity explains",
            "low-charge": f"it holds less charge than the others, full or empty: {swing}; balancing brings it back",
            "high-resistance": f"{resists} in load steps, more than its capacity explains: the cell or a joint "
            f"beside it; {swing}",
            "unknown": f"{resists}; {swing}",
        }
        return f"cell {self.numbers[place]}: {words[cause]}"


def _trusted(told: Told, of_windows: Told, trust: float) -> tuple[Told, Told]:
    """Return what was found against the middle cell, and one standard deviation of it; in all and in each window.

    Args:
        told, of_windows: what the fit found, and how sure it is of itself.
        trust: by how much it is surer than it is right.
    """
    middle = float(np.median(told[0]))

    def of(found: Values, counted: Values) -> Told:
        found = found - middle
        return found, np.sqrt((trust * counted) ** 2 + _LEAST**2 + (_OF_FOUND * found) ** 2)

    return of(*told), of(*of_windows)


def _held(lacking: float, doubt: float, capacity_ah: float) -> str:
    """Return how a cell's charge compares with the median cell's, from shares of the capacity."""
    lacks, half = 100 * lacking, Z90 * 100 * doubt
    if abs(lacks) <= half:
        return f"the same charge (± {half:.1f} %) as"
    ampere_hours = abs(lacking) * capacity_ah
    return f"{abs(lacks):.1f} ± {half:.1f} % ({ampere_hours:.2g} Ah) {'less' if lacks > 0 else 'more'} charge than"


def _against(excess_pct: float) -> str:
    """Return how a value compares with another, from its excess in per cent."""
    if excess_pct >= _TIMES_PCT:
        return f"{1 + excess_pct / 100:.1f} times"
    return f"{abs(excess_pct):.0f} % {'above' if excess_pct > 0 else 'below'}"


def _own(doubts: Values) -> Values:
    """Return the part of each cell's doubt that goes beyond the usual cell's."""
    return np.sqrt(np.maximum(0.0, doubts**2 - np.nanmedian(doubts) ** 2)) if np.isfinite(doubts).any() else doubts
