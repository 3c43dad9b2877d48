"""What the owner states of the battery and its cables: sections of the machine file, see :mod:`.sections`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from telemetry.machine.chemistry import CHEMISTRIES, OWN_CELL_KEYS, Chemistry, cell_of
from telemetry.machine.kinds import CURVE, TIMES, Gauge
from telemetry.model.keys import setting
from telemetry.model.kinds import choice, count, number, text

MOST_CELLS = 120
"""Cells in series beyond which no small electric machine goes: some 400 V, and other rules of safety altogether."""

_PLATE = "the pack's nameplate"
_PACK_SHEET = "the pack maker's sheet"
_CELL_SHEET = "the cell maker's sheet"
BMS_SHEET = "the BMS's settings or sheet"


@dataclass(frozen=True, kw_only=True)
class Pack:
    """Section ``[pack]``: the battery now in the machine."""

    name: str | None = text("what you call the pack", "your choice", "24-cell pack")
    chemistry: str = choice(
        tuple(CHEMISTRIES),
        "what its cells are made of",
        f"{_PLATE} or sheet; print on the cells",
        "lfp",
        required=True,
    )
    cells_in_series: int = count(
        1,
        MOST_CELLS,
        "cells in series; parallel cells count once",
        "the sheet (the 16 of 16S2P), or count them; a 12 V lead block has 6",
        16,
        required=True,
    )
    capacity_ah: float = number(0.05, 5000, "rated capacity of the whole pack", _PLATE, 100.0, required=True)
    capacity_error_percent: float | None = number(
        0.1,
        60,
        "how far the true capacity may be from that, ±; 3 where this is absent",
        "new cells mostly keep within 3; of used ones nobody knows: 20, or a measured capacity and its own ±",
        3.0,
    )
    continuous_discharge_a: float | None = number(
        0.05, 5000, "rated continuous discharge current", f"{_PACK_SHEET}; else the BMS's rating", 100.0
    )
    peak_discharge_a: float | None = number(0.05, 10000, "rated peak discharge current", _PACK_SHEET, 200.0)
    peak_discharge_s: float | None = number(0.01, 600, "how long that peak may last", _PACK_SHEET, 10.0)
    continuous_charge_a: float | None = number(
        0.05, 5000, "rated continuous charge current, regen included", _PACK_SHEET, 50.0
    )
    peak_charge_a: float | None = number(0.05, 10000, "rated peak charge current, for regen", _PACK_SHEET, 100.0)
    peak_charge_s: float | None = number(0.01, 600, "how long that peak may last", _PACK_SHEET, 10.0)
    low_cutoff_v: float | None = number(
        0.5, 600, "voltage of the whole pack at which the BMS stops the discharge", _PACK_SHEET, 44.8
    )
    high_cutoff_v: float | None = number(
        0.5, 600, "voltage of the whole pack at which the BMS stops the charge", _PACK_SHEET, 58.4
    )
    cold_charge_cutoff_c: float | None = number(
        -40, 30, "cell temperature below which the BMS blocks charging", _PACK_SHEET, 0.0
    )
    cell_low_cutoff_v: float | None = number(
        0.5, 5, "voltage of one cell at which the BMS stops the discharge", BMS_SHEET, 2.6
    )
    cell_high_cutoff_v: float | None = number(
        0.5, 5, "voltage of one cell at which the BMS stops the charge", BMS_SHEET, 3.65
    )
    cell_minimum_v: float | None = number(0.5, 5, "lowest voltage allowed for one cell", _CELL_SHEET, 2.5)
    cell_nominal_v: float | None = number(0.5, 5, "nominal voltage of one cell", _CELL_SHEET, 3.2)
    cell_charge_v: float | None = number(
        0.5, 5, "voltage of one cell at which an ordinary charge ends", _CELL_SHEET, 3.6
    )
    cell_maximum_v: float | None = number(0.5, 5, "highest voltage allowed for one cell", _CELL_SHEET, 3.65)
    cell_charge_minimum_c: float | None = number(
        -60, 30, "lowest cell temperature at which it may be charged", _CELL_SHEET, 0.0
    )
    cell_charge_maximum_c: float | None = number(
        20, 90, "highest cell temperature at which it may be charged", _CELL_SHEET, 45.0
    )
    balance_current_ma: float | None = number(5, 20000, "balancing current of the BMS", _PACK_SHEET, 150.0)
    internal_resistance_mohm: float | None = number(
        0.01, 5000, "resistance of the whole pack", f"{_PACK_SHEET}, or measured by a step of load", 25.0
    )
    ohmic_resistance_mohm: float | None = number(
        0.01,
        5000,
        "resistance of the whole pack within 10 ms of a step of load",
        f"{_PACK_SHEET}; else a meter that measures at 1 kHz, plus joints and BMS",
        10.0,
    )
    blocks_in_series: int | None = count(
        1, 40, "drop-in blocks in series, each with a BMS of its own; 1 for a pack with one BMS", "count them", 4
    )
    block_bms_voltage_v: float | None = number(
        1, 1000, "highest voltage that the BMS of one block can switch off", "the block maker's sheet", 60.0
    )
    most_blocks_in_series: int | None = count(
        1, 40, "most blocks that their maker allows in series", "the block maker's sheet", 4
    )
    mass_kg: float | None = number(0.01, 5000, "weight of the pack", "the sheet, or a scale", 45.0)
    open_circuit: tuple[tuple[float, float], ...] | None = setting(
        CURVE,
        "open-circuit voltage of one cell by state of charge in per cent, in place of the chemistry's usual one",
        "the cell maker's sheet, or rests of hours between measured discharges",
        [[0, 2.6], [10, 3.2], [50, 3.29], [95, 3.34], [100, 3.45]],
    )

    @property
    def cell(self) -> Chemistry:
        """Figures of one cell: the owner's own where stated, else the chemistry's."""
        return cell_of({"chemistry": self.chemistry, **{key: getattr(self, key) for key in OWN_CELL_KEYS}})

    @property
    def capacity_spread(self) -> float:
        """One standard deviation of the true capacity against the stated one, as a share of it.

        New cells keep within 3 % (common practice); a limit is taken as uniform (JCGM 100:2008, 4.3.7).
        """
        return (self.capacity_error_percent or 3.0) / 100.0 / math.sqrt(3.0)

    @property
    def nominal_v(self) -> float:
        """Nominal voltage of the pack, V."""
        return self.cells_in_series * self.cell.nominal_v


@dataclass(frozen=True, kw_only=True)
class Wiring:
    """Sections ``[wiring]`` (pack to controller) and ``[charge_wiring]`` (charger to pack)."""

    conductor_mm2: float | None = number(
        0.2,
        500,
        "copper cross-section; of aluminium or copper-clad aluminium (CCA) 0.6 of it; or give conductor_awg",
        "print on the cable's jacket",
        25.0,
    )
    conductor_awg: str | None = setting(
        Gauge(), "wire gauge, if it is copper; or give conductor_mm2", "print on the cable's jacket", 4
    )
    insulation_c: int | None = choice(
        (60, 75, 90, 105, 125),
        "temperature that the insulation is rated for",
        "print on the cable's jacket, or its sheet",
        90,
    )
    installation: Literal["free-air", "bundled", "conduit"] | None = choice(
        ("free-air", "bundled", "conduit"),
        "how the cable lies: free-air with air all around it, alone or plus and minus side by side; bundled with "
        "other cables; conduit inside a tube, loom or closed duct",
        "look along the cable; the worst stretch counts",
        "free-air",
    )
    termination_c: int | None = choice(
        (60, 75, 90, 105),
        "temperature that the lugs and terminals at both ends are rated for",
        "print or sheet of the lugs, fuse holder and controller; the lowest counts",
        90,
    )
    one_way_length_m: float | None = number(
        0.01, 100, "length of one conductor, there but not back", "a tape measure, along the cable", 1.5
    )
    ambient_c: float | None = number(
        -40, 85, "warmest air around the cable", "a thermometer beside it after an hour's work", 40.0
    )
    bundled_conductors: int | None = count(
        1, 40, "current-carrying conductors lying in one bundle", "look along the cable", 2
    )
    fuse_a: float | None = number(0.1, 3000, "rated current of the fuse", "print on the fuse", 125.0)
    fuse_voltage_v: float | None = number(
        1, 2000, "highest DC voltage that the fuse can interrupt", "print on the fuse, its DC figure", 80.0
    )
    fuse_interrupting_a: float | None = number(
        1, 500000, "highest short-circuit current that the fuse can interrupt", "the fuse's sheet", 10000.0
    )
    fuse_curve: tuple[tuple[float, float], ...] | None = setting(
        TIMES,
        "time-current curve of the fuse, its average melting times",
        "points read off the curve on the fuse's sheet",
        [[135, 1800], [200, 20], [600, 0.2]],
    )
    contactor_voltage_v: float | None = number(
        1,
        2000,
        "highest DC voltage that the contactor or main switch can interrupt",
        "its print or sheet, DC figure",
        96.0,
    )
    contactor_breaking_a: float | None = number(
        0.1,
        20000,
        "highest DC current that the contactor or main switch can interrupt",
        "its sheet, at that voltage",
        500.0,
    )
    emergency_switch_voltage_v: float | None = number(
        1,
        2000,
        "highest DC voltage that an emergency switch in this cable can interrupt",
        "its print or sheet, DC figure",
        96.0,
    )
    emergency_switch_breaking_a: float | None = number(
        0.1, 20000, "highest DC current that an emergency switch in this cable can interrupt", "its sheet", 500.0
    )
    connector_a: float | None = number(
        0.1,
        3000,
        "rated current of the weakest connector, switch or contactor in this cable",
        "its print or sheet",
        120.0,
    )
