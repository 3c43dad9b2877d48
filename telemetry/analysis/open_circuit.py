"""Open-circuit voltage of one cell by state of charge: tables with their sources, and how far to trust each.

A table describes a chemistry, not your cells: makers' recipes, ageing and temperature move it. So each chemistry has
several, with a weight each, and a bound on the difference between the best of them and a real cell:

* a smooth error in volts (level and slow wave), and
* an error along the charge axis, which counts where the curve is steep.

On the plateau of lithium iron phosphate sources differ by 29 mV at half charge, where 1 % of charge is worth
less than 1 mV. The bounds keep a figure there from looking more certain than it is.

Sources:
    * lithium types: ``open_circuit.csv``, derived by ``tests/reference/make_open_circuit_tables.py`` from measured
      half-cells of iron phosphate and graphite (BATMODS-lite 0.0.2) and from parameter sets of PyBaMM 26.10.1.1, both
      under the 3-clause BSD licence.
    * lead-acid: Battery Council International, 12 V block at 26.7 degC, by a secondary copy; a sixth for one cell.
    * lithium manganese oxide, lithium titanate, sodium-ion: from memory.
    * hysteresis of iron phosphate: the measured branches of BATMODS-lite's electrode lie 28 mV to either side of the
      middle on the plateau; that includes the over-voltage of a slow test. Cells at rest: 5 to 25 mV between charge
      and discharge, common practice. Taken as 6 +- 8 mV to either side.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path

import numpy as np

from telemetry.model.batch import Values


@dataclass(frozen=True, eq=False)
class OpenCircuitTable:
    """Open-circuit voltage of one cell by state of charge.

    Attributes:
        name: what to call it to the user.
        source: where it comes from.
        share: float64 (n,), 0 (empty) to 1 (full), ascending.
        volts: float64 (n,), V, never falling.
        weight: how likely it is to come nearest to a cell of which nothing but the chemistry is known; relative.

    """

    name: str
    source: str
    share: Values
    volts: Values
    weight: float = 1.0

    def volts_at(self, share: Values | float) -> Values:
        """Return V at each share of charge (0 to 1), straight between points; its end slopes go on for 5 %."""
        return np.asarray(np.interp(share, self._share_beyond, self._volts_beyond), dtype=np.float64)

    def share_at(self, volts: Values | float) -> Values:
        """Return the share of charge at open-circuit ``volts``; beyond the table by its end slopes, -0.05 to 1.05.

        Where several shares have the same voltage, that in their middle: see :meth:`slope_at` before trusting it.
        """
        low, high = (np.interp(volts, edge, self._share_beyond) for edge in self._level_ends)
        return np.asarray(0.5 * (low + high), dtype=np.float64)

    def slope_at(self, share: Values | float) -> Values:
        """Return dV/dshare, V for the whole charge, over 2 % to both sides."""
        middle = np.clip(share, -0.02, 1.02)
        return (self.volts_at(middle + 0.02) - self.volts_at(middle - 0.02)) / 0.04

    def mean_volts(self, low: float, high: float) -> float:
        """Return the mean V between two shares of charge, ``low < high``: the integral over the difference."""
        (from_low, at_low), (from_high, at_high) = (self._area_to(share) for share in (low, high))
        return (from_high + at_high - from_low - at_low) / (high - low)

    def _area_to(self, share: float) -> tuple[float, float]:
        """Return the integral of the voltage from the lowest share to the point before ``share``, and from there."""
        shares, volts = self._share_beyond, self._volts_beyond
        place = min(max(int(np.searchsorted(shares, share, "right")) - 1, 0), len(shares) - 2)
        within = share - float(shares[place])
        slope = float(volts[place + 1] - volts[place]) / float(shares[place + 1] - shares[place])
        return float(self._areas[place]), within * (float(volts[place]) + 0.5 * slope * within)

    @cached_property
    def _areas(self) -> Values:
        steps = np.diff(self._share_beyond) * (self._volts_beyond[1:] + self._volts_beyond[:-1]) / 2.0
        return np.concatenate([[0.0], np.cumsum(steps)])

    @cached_property
    def _share_beyond(self) -> Values:
        return np.concatenate([[-0.05], self.share, [1.05]])

    @cached_property
    def _level_ends(self) -> tuple[Values, Values]:
        """Voltages that rise by a hair where the curve is level, so that either end of that is found."""
        steps = 1e-9 * np.arange(len(self._volts_beyond))
        return self._volts_beyond - steps[::-1], self._volts_beyond + steps

    @cached_property
    def _volts_beyond(self) -> Values:
        first = (self.volts[1] - self.volts[0]) / (self.share[1] - self.share[0])
        last = (self.volts[-1] - self.volts[-2]) / (self.share[-1] - self.share[-2])
        return np.concatenate([[self.volts[0] - 0.05 * first], self.volts, [self.volts[-1] + 0.05 * last]])


@dataclass(frozen=True, slots=True)
class TableTrust:
    """What a chemistry's tables leave open against a real cell; one standard deviation each.

    Attributes:
        level_v: the whole curve higher or lower, V.
        wave_v: slow waves of it, some 15 % of charge long, V.
        along: the curve moved along the axis of charge, share.
        hysteresis_v: usual distance of the charge (or discharge) branch from the middle, V.
        hysteresis_sd_v: its own standard deviation, V.
        steep_v: slope (V for the whole charge) below which voltage tells nothing by itself.

    """

    level_v: float
    wave_v: float
    along: float
    hysteresis_v: float
    hysteresis_sd_v: float
    steep_v: float


@cache
def stated_table(points: tuple[tuple[float, float], ...] | None) -> OpenCircuitTable | None:
    """Return the table of a pack's ``open_circuit``, percent and volts a cell; None where its owner states none."""
    if points is None:
        return None
    percent, volts = np.array(points, dtype=np.float64).T
    return OpenCircuitTable("the owner's table", "given by the owner", percent / 100.0, volts)


def open_circuit_tables(chemistry: str) -> tuple[OpenCircuitTable, ...]:
    """Return the tables of a chemistry as the machine file names it, the one to use alone first; KeyError else."""
    return _tables()[chemistry]


def table_trust(chemistry: str, own: bool = False) -> TableTrust:
    """Return how far a chemistry's tables may be trusted, or the owner's ``own``; KeyError for none of them."""
    trust = _TRUST[chemistry]
    if not own:
        return trust
    level, wave, along = (min(pair) for pair in ((trust.level_v, 0.006), (trust.wave_v, 0.007), (trust.along, 0.009)))
    return replace(trust, level_v=level, wave_v=wave, along=along)


def voltage_uncertainty(chemistry: str, share: Values | float, own: OpenCircuitTable | None = None) -> Values:
    """Return one standard deviation of a cell's open-circuit voltage, V, by share of charge.

    From the chemistry's first table, or from the owner's ``own``.
    """
    tables = open_circuit_tables(chemistry) if own is None else (own,)
    trust = table_trust(chemistry, own is not None)
    weights = np.array([table.weight for table in tables])
    volts = np.stack([table.volts_at(share) for table in tables])
    spread = np.tensordot(weights / weights.sum(), (volts - volts[0]) ** 2, axes=1)
    along = trust.along * tables[0].slope_at(share)
    return np.asarray(
        np.sqrt(spread + trust.level_v**2 + trust.wave_v**2 + along**2 + trust.hysteresis_sd_v**2), dtype=np.float64
    )


def mean_voltage_uncertainty(chemistry: str, low: float, high: float, own: OpenCircuitTable | None = None) -> float:
    """Return the mean of :func:`voltage_uncertainty` between two shares of charge, V."""
    return float(np.interp(low + (high - low) * _TWENTIETHS, *_uncertainty_curve(chemistry, own)).mean())


_TWENTIETHS = np.linspace(0.0, 1.0, 21)


@cache
def _uncertainty_curve(chemistry: str, own: OpenCircuitTable | None) -> tuple[Values, Values]:
    """Return shares of charge and the uncertainty at each, close enough for straight lines between."""
    shares = np.linspace(-0.05, 1.05, 2201)
    return shares, voltage_uncertainty(chemistry, shares, own)


def charge_uncertainty(chemistry: str, share: Values | float, own: OpenCircuitTable | None = None) -> Values:
    """Return one standard deviation of a state of charge by open-circuit voltage, share (not %), at most 0.3."""
    slope = (open_circuit_tables(chemistry)[0] if own is None else own).slope_at(share)
    return np.asarray(np.minimum(voltage_uncertainty(chemistry, share, own) / np.maximum(slope, 1e-6), 0.3))


_TRUST = {
    "lfp": TableTrust(
        level_v=0.006, wave_v=0.004, along=0.015, hysteresis_v=0.006, hysteresis_sd_v=0.008, steep_v=0.30
    ),
    # Recipes of nickel cells lie 30 to 100 mV apart between 10 and 80 % of charge: Chen2020, Mohtat2020, Ecker2015
    # and NCA_Kim2011 of PyBaMM.
    "nmc": TableTrust(
        level_v=0.015, wave_v=0.040, along=0.009, hysteresis_v=0.002, hysteresis_sd_v=0.002, steep_v=0.30
    ),
    "nca": TableTrust(
        level_v=0.008, wave_v=0.010, along=0.012, hysteresis_v=0.004, hysteresis_sd_v=0.004, steep_v=0.30
    ),
    "lmo": TableTrust(
        level_v=0.030, wave_v=0.030, along=0.040, hysteresis_v=0.005, hysteresis_sd_v=0.005, steep_v=0.30
    ),
    "lto": TableTrust(
        level_v=0.015, wave_v=0.015, along=0.030, hysteresis_v=0.005, hysteresis_sd_v=0.005, steep_v=0.30
    ),
    # Sodium-ion cells differ from maker to maker by more than any other kind here.
    "sodium-ion": TableTrust(
        level_v=0.080, wave_v=0.050, along=0.060, hysteresis_v=0.020, hysteresis_sd_v=0.020, steep_v=0.30
    ),
    "lead-flooded": TableTrust(
        level_v=0.010, wave_v=0.005, along=0.030, hysteresis_v=0.010, hysteresis_sd_v=0.010, steep_v=0.05
    ),
    "lead-agm": TableTrust(
        level_v=0.015, wave_v=0.008, along=0.040, hysteresis_v=0.010, hysteresis_sd_v=0.010, steep_v=0.05
    ),
}


def _table(
    name: str, source: str, share: Sequence[float], volts: Sequence[float], weight: float = 1.0
) -> OpenCircuitTable:
    return OpenCircuitTable(name, source, np.array(share, dtype=np.float64), np.array(volts), weight)


@cache
def _derived() -> dict[str, Values]:
    """Return the columns of the derived tables: share of charge, and V by source."""
    with Path(__file__).with_suffix(".csv").open(encoding="utf-8", newline="") as stream:
        head, *rows = csv.reader(stream)
    return dict(zip(head, np.array(rows, dtype=np.float64).T, strict=True))


def _lithium_table(column: str, name: str, source: str, weight: float) -> OpenCircuitTable:
    return OpenCircuitTable(name, source, _derived()["share"], _derived()[column], weight)


def _half_cells(match: str, name: str, weight: float) -> OpenCircuitTable:
    source = "measured half-cells, BATMODS-lite 0.0.2"
    return _lithium_table(f"iron_phosphate_half_cells{match}", name, source, weight)


def _model(name: str, weight: float) -> OpenCircuitTable:
    return _lithium_table(name, name, f"model, PyBaMM 26.10.1.1, parameter set {name}", weight)


@cache
def _tables() -> dict[str, tuple[OpenCircuitTable, ...]]:
    lead_flooded = _table(
        "lead-acid table",
        "Battery Council International, 12 V block at 26.7 degC, secondary copy",
        (0.0, 0.25, 0.5, 0.75, 1.0),
        [volts / 6 for volts in (11.89, 12.06, 12.24, 12.45, 12.65)],
    )
    lead_agm = _table(
        "lead-acid table, lifted for absorbed glass mat",
        "the flooded table plus 0.03 V a cell, from memory",
        lead_flooded.share.tolist(),
        (lead_flooded.volts + 0.03).tolist(),
    )
    lto = _table(
        "titanate table",
        "from memory",
        (0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1),
        (1.5, 1.9, 2.03, 2.10, 2.16, 2.20, 2.23, 2.26, 2.31, 2.36, 2.42, 2.50, 2.58, 2.75),
    )
    lmo = _table(
        "manganese oxide table",
        "from memory",
        (0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1),
        (3.0, 3.3, 3.45, 3.58, 3.70, 3.76, 3.81, 3.87, 3.94, 4.00, 4.05, 4.11, 4.18),
    )
    sodium_ion = _table(
        "sodium-ion table",
        "from memory, layered oxide and hard carbon",
        (0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1),
        (2.0, 2.38, 2.55, 2.75, 2.90, 3.02, 3.12, 3.22, 3.34, 3.48, 3.65, 3.90),
    )
    return {
        # Measured half-cells count for more than the model, whose plateau lies 29 mV lower.
        "lfp": (
            _half_cells("", "iron phosphate and graphite", 0.45),
            _half_cells("_less_graphite", "the same with less graphite", 0.2),
            _half_cells("_more_graphite", "the same with more graphite", 0.2),
            _model("Prada2013", 0.15),
        ),
        "nmc": (_model("Chen2020", 0.4), _model("NCA_Kim2011", 0.3), _model("Mohtat2020", 0.3)),
        "nca": (_model("NCA_Kim2011", 0.6), _model("Chen2020", 0.4)),
        "lmo": (lmo,),
        "lto": (lto,),
        "sodium-ion": (sodium_ion,),
        "lead-flooded": (lead_flooded,),
        "lead-agm": (lead_agm,),
    }
