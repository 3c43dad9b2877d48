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

from telemetry.analysis.cell_alignment import Alignment, Windows, align_cells, together
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
from telemetry.analysis.open_circuit import open_circuit_tables, table_trust
from telemetry.analysis.phases import Phase, find_phases
from telemetry.analysis.ranges import Z90
from telemetry.analysis.resistance import Resistance
from telemetry.analysis.series import CellSeries, SessionSeries
from telemetry.machine.sections import Pack
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


_STRETCH, _STRETCH_FLAT = (1.5, 0.003, 0.08), (3.0, 0.003, 0.08)
_CHARGE_FULL, _CHARGE = (1.5, 0.001, 0.08), (2.4, 0.0015, 0.15)
"""By how much the laying of curves is surer of itself than it is right, what it is off at least, a share of the
capacity, and in any case, a share of what was found. On a flat curve that is not seen from its steep end to the other
a capacity rests on the curve's faint bends, which differ from cell to cell. Chosen on drawn packs, see
tests/calibration."""
_TO_FOOT = 0.72
"""From full, so much of the capacity leads to where a curve with a plateau turns steep again: the slope of all tables
of iron phosphate, see ``open_circuit``."""
_OF_EXCESS = 0.015
"""What is off besides, as a share of the cell's excess of resistance, which changes with charge. Chosen likewise."""
_OF_KNEE = 0.35
"""What a cell lacked at a flat curve's other end by what it lacked at the knee, as a share of that: it may as well
be one of less capacity. Chosen on drawn packs."""
_WIDEST = 0.003
"""Beyond this share of the capacity a window's own width is most of what the fit counts, and is not made wider."""
_KNOWN_STRETCH = 0.015
_TOLD = 0.03
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
    """
    cells = series.cells or _extremes(series)
    if cells is None:
        return CellFindings(unknown=_nothing("no cell voltages were recorded"))
    measured = series.get("pack_current")
    if measured is None or len(measured.t) < 8:
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
    aligned = None if bins is None else align_cells(bins, pack.capacity_ah, ohm, full=full)
    capacity = capacity or (pack.capacity_ah, pack.capacity_ah * pack.capacity_spread)
    view = _View(series.cells.numbers, resistance, aligned, full, _is_flat(pack), capacity)
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
        flat: bool,
        capacity: tuple[float, float],
    ) -> None:
        self.numbers, self._charged_full, self._capacity = numbers, charged_full, capacity
        nothing = np.full(len(numbers), np.nan)
        ratio = {each.cell: each for each in resistance.cells}
        self.excess = np.array([ratio[n].ratio - 1 if n in ratio else np.nan for n in numbers])
        self.excess_sd = np.array([ratio[n].ratio_uncertainty if n in ratio else np.nan for n in numbers])
        self.stretch = self.top = self.bottom = nothing
        self.stretch_sd = self.top_sd = self.bottom_sd = np.full(len(numbers), np.inf)
        self.swing = 0.0
        self._windows: Windows | None = None
        if aligned is not None:
            of = self._windows = aligned.windows
            self.swing = aligned.swing
            use_alone = flat and not charged_full
            faint = flat and (use_alone or self.swing < _TO_FOOT)
            chance, excess = of.chance, np.nan_to_num(self.excess)
            trust = (_CHARGE_FULL if charged_full else _CHARGE), _WIDEST
            stretch_trust = _STRETCH_FLAT if faint else _STRETCH
            self._stretch = _trusted(chance, of.stretch, of.stretch_sd, excess, stretch_trust, np.inf)
            # how likely one window is against another is believed no more than the fit in each
            apart = together(chance, of.stretch, np.zeros_like(chance))[1]
            stretch_sd = np.hypot(self._stretch[1], np.sqrt(stretch_trust[0] ** 2 - 1.0) * apart)
            self._top = _trusted(chance, of.top, of.top_sd, excess, *trust)
            self._bottom = _trusted(chance, of.bottom, of.bottom_sd, excess, _CHARGE, _WIDEST)
            if use_alone:
                unlike = np.minimum(self.swing * stretch_sd, _OF_KNEE * np.abs(self._bottom[0]))
                self._top = self._top[0], np.hypot(self._top[1], unlike)
            self.stretch, self.stretch_sd = together(of.chance, self._stretch[0], stretch_sd)
            self.top, self.top_sd = together(of.chance, *self._top)
            self.bottom, self.bottom_sd = together(of.chance, *self._bottom)

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
        if likely[best] < (_NAMED_JOINT if best == "high-resistance" else _NAMED):
            return OddCell(self.numbers[place], "unknown", round(odd, 2), self._evidence(place, "unknown"))
        share, (pack_ah, pack_sd) = float(1 / (1 + self.stretch[place])), self._capacity
        told = best == "low-capacity" and self.stretch_sd[place] < _KNOWN_STRETCH
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
        missing, missing_sd = (each[:, place] for each in (self._top if full else self._bottom))
        stretch, stretch_sd = (each[:, place] for each in self._stretch)
        # what all cells' figures are off by is in their scatter already; a flat curve's stretch is off for one alone
        every = (self._top if full else self._bottom)[1]
        usual = float(np.median(np.sqrt((self._windows.chance * every**2).sum(axis=0))))
        missing_sd = np.sqrt(np.maximum(0.0, missing_sd**2 - usual**2))
        same = np.ones(len(missing))
        return (
            self._windows.chance[:, place],
            np.column_stack([missing, stretch, excess * same]),
            np.column_stack([missing_sd, stretch_sd, excess_sd * same]),
        )

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


def _trusted(
    chance: Values, found: Values, counted: Values, excess: Values, trust: tuple[float, float, float], widest: float
) -> tuple[Values, Values]:
    """Return what was found in each window against the middle cell, and one standard deviation of it.

    Args:
        chance, found, counted: float64 (windows, cells): how likely, what, and how sure the fit is of itself.
        excess: float64 (cells,): of resistance.
        trust: by how much it is surer than it is right, what it is off at least, and as a share of what was found.
    """
    found = found - np.median((chance * found).sum(axis=0))
    own = np.minimum(trust[0] * counted, np.maximum(counted, widest)) ** 2 + trust[1] ** 2
    return found, np.sqrt(own + (trust[2] * found) ** 2 + (_OF_EXCESS * excess) ** 2)


def _held(lacking: float, doubt: float, capacity_ah: float) -> str:
    """Return how a cell's charge compares with the median cell's, from shares of the capacity."""
    lacks, half = 100 * lacking, Z90 * 100 * doubt
    if abs(lacks) <= half:
        return f"the same charge (± {half:.1f} %) as"
    ampere_hours = abs(lacking) * capacity_ah
    return f"{abs(lacks):.1f} ± {half:.1f} % ({ampere_hours:.2g} Ah) {'less' if lacks > 0 else 'more'} charge than"


def _is_flat(pack: Pack) -> bool:
    """Return whether the open-circuit curve has a plateau on which voltage tells nothing by itself."""
    slopes = open_circuit_tables(pack.chemistry)[0].slope_at(np.linspace(0.2, 0.9, 36))
    return float(np.median(slopes)) < table_trust(pack.chemistry).steep_v


def _against(excess_pct: float) -> str:
    """Return how a value compares with another, from its excess in per cent."""
    if excess_pct >= 100:
        return f"{1 + excess_pct / 100:.1f} times"
    return f"{abs(excess_pct):.0f} % {'above' if excess_pct > 0 else 'below'}"


def _own(doubts: Values) -> Values:
    """Return the part of each cell's doubt that goes beyond the usual cell's."""
    return np.sqrt(np.maximum(0.0, doubts**2 - np.nanmedian(doubts) ** 2)) if np.isfinite(doubts).any() else doubts
