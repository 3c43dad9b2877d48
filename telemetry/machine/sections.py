"""What the owner states of a machine: one dataclass a section of the machine file, each field one key.

These classes are the table of keys (see :mod:`telemetry.model.keys`). None means the file does not say; nothing
is filled in, for a figure that nobody knows must not look like one that somebody does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import PurePath
from typing import Any, Literal

from telemetry.machine.chemistry import CHEMISTRIES, OWN_CELL_KEYS, Chemistry, cell_of
from telemetry.machine.kinds import CURVE, TIMES, Check, Checks, Gauge, Keyboard, Signals
from telemetry.machine.publish import Publish
from telemetry.model.errors import printable
from telemetry.model.fault_names import FaultNames
from telemetry.model.keys import LIST_SECTIONS, Key, keys_of, setting
from telemetry.model.kinds import choice, count, number, switch, text

MOST_CELLS = 120
"""Cells in series beyond which no small electric machine goes: some 400 V, and other rules of safety altogether."""

USUAL_DRIVER = "serial-text"
"""The driver that is named where one must be named as an example."""

LEAD_ACID = "lead-acid"
"""What the nameplate of a charger says where it does not tell flooded from absorbed glass mat."""

_PLATE = "the pack's nameplate"
_PACK_SHEET = "the pack maker's sheet"
_CONTROLLER_SHEET = "the motor controller's sheet or settings"
_CELL_SHEET = "the cell maker's sheet"
_BMS_SHEET = "the BMS's settings or sheet"
_CHARGER_PLATE = "the charger's nameplate"


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
        0.5, 5, "voltage of one cell at which the BMS stops the discharge", _BMS_SHEET, 2.6
    )
    cell_high_cutoff_v: float | None = number(
        0.5, 5, "voltage of one cell at which the BMS stops the charge", _BMS_SHEET, 3.65
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
        0.2, 500, "copper cross-section; or give conductor_awg, not both", "print on the cable's jacket", 25.0
    )
    conductor_awg: str | None = setting(
        Gauge(), "wire gauge; or give conductor_mm2, not both", "print on the cable's jacket", 4
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


@dataclass(frozen=True, kw_only=True)
class Vehicle:
    """Section ``[machine]``: the machine, above all its motor controller."""

    name: str | None = text("what you call the machine", "your choice", "orchard machine")
    id: str | None = text(
        "identifies the machine, whatever its name; guided drives belong to it",
        "`shakedown new-machine` writes one; else a word of your own that no other machine uses",
        "7f3a9c21",
        longest=40,
    )
    minimum_voltage_v: float | None = number(
        0.5, 1000, "voltage below which the controller cuts out", _CONTROLLER_SHEET, 42.0
    )
    maximum_voltage_v: float | None = number(
        0.5, 1000, "voltage above which the controller cuts out or is damaged", _CONTROLLER_SHEET, 63.0
    )
    foldback_voltage_v: float | None = number(
        0.5, 1000, "voltage below which the controller starts to fold back", _CONTROLLER_SHEET, 46.0
    )
    motor_type: str | None = choice(
        ("dc", "ac"),
        "kind of motor: dc has brushes and two cables; ac has three cables from an inverter",
        "the motor's nameplate; count its thick cables",
        "dc",
    )
    main_switch: str | None = choice(
        ("key", "contactor", "hand"),
        "what closes the main switch: a key switch that carries the current, a contactor, or your hand",
        "follow the thick cable from the pack",
        "contactor",
    )
    frame_is_return: bool | None = switch(
        "whether the frame carries the return current by design", "the machine's wiring diagram", example=False
    )
    motor_temperature_max_c: float | None = number(
        30, 250, "highest motor temperature allowed where its sensor sits", "the motor maker's sheet", 110.0
    )
    controller_temperature_max_c: float | None = number(
        30, 200, "controller temperature at which it folds back or cuts out", _CONTROLLER_SHEET, 85.0
    )
    continuous_current_a: float | None = number(
        0.1, 5000, "battery current at steady work", "a clamp meter while it works", 60.0
    )
    hill_current_a: float | None = number(
        0.1, 10000, "battery current on the longest hard pull", "a clamp meter or a recorded drive, on the hill", 95.0
    )
    hill_s: float | None = number(0.1, 3600, "how long that pull lasts", "a watch, or a recorded drive", 60.0)
    braking_current_a: float | None = number(
        0.1, 10000, "highest battery current while braking charges the pack", _CONTROLLER_SHEET, 40.0
    )
    braking_s: float | None = number(
        0.1, 3600, "how long the longest such braking lasts", "a watch on the longest descent", 20.0
    )
    controller_current_a: float | None = number(0.1, 5000, "rated current of the controller", "its nameplate", 250.0)
    controller_capacitance_uf: float | None = number(
        1, 1e6, "capacitor across the controller's battery terminals", f"{_CONTROLLER_SHEET}; print on it", 4700.0
    )
    precharge_ohm: float | None = number(
        0.1,
        1e5,
        "resistor that fills that capacitor before the main switch closes",
        "its colour rings or print",
        100.0,
    )
    precharge_w: float | None = number(
        0.1, 5000, "rated power of that resistor", "its print, or its size and sheet", 10.0
    )
    precharge_energy_j: float | None = number(
        0.1, 1e6, "pulse energy that resistor is rated for", "its sheet, for a pulse of the pre-charge's length", 40.0
    )
    converter_min_v: float | None = number(
        0.5, 1000, "lowest input voltage of the 12 V converter", "its print or sheet", 36.0
    )
    converter_max_v: float | None = number(
        0.5, 1000, "highest input voltage of the 12 V converter", "its print or sheet", 75.0
    )
    peak_power_w: float | None = number(20, 1e6, "highest power drawn from the battery", "a recorded drive", 5000.0)
    implement_start_a: float | None = number(
        0.1, 5000, "battery current while deck, spreader or winch starts", "a clamp meter that holds its peak", 90.0
    )
    regenerates: bool | None = switch("whether braking charges the pack", _CONTROLLER_SHEET, example=True)
    standby_current_a: float | None = number(
        0, 5, "battery current with the key off", "a DC clamp meter around one battery cable, key off", 0.02
    )
    previous_chemistry: str | None = choice(
        tuple(CHEMISTRIES), "chemistry of the battery that was taken out", "the old battery's label", "lead-flooded"
    )
    previous_cells_in_series: int | None = count(
        1, MOST_CELLS, "its cells in series", "the old battery: 6 for each 12 V block", 24
    )
    previous_capacity_ah: float | None = number(
        0.05, 5000, "its rated capacity; of a lead battery the figure for 20 hours", "the old battery's label", 200.0
    )
    previous_mass_kg: float | None = number(
        0.01, 5000, "weight of the battery that was taken out", "a scale, or its sheet", 120.0
    )
    speed_limited: bool | None = switch(
        "whether the controller limits the top speed", _CONTROLLER_SHEET, example=True
    )
    blade_length_m: float | None = number(
        0.05, 3, "length of one blade, tip to tip, of a deck that runs from the pack directly", "a tape measure", 0.42
    )
    blade_speed_rpm: float | None = number(
        10,
        30000,
        "speed of that blade without load, on the previous battery, fully charged",
        "the deck's manual, or an optical tachometer",
        3300.0,
    )
    keeps_old_gauge: bool | None = switch(
        "whether the old battery gauge is still in use", "the dashboard", example=True
    )
    working_width_m: float | None = number(0.05, 30, "width worked in one pass", "a tape measure", 1.07)
    mass_kg: float | None = number(1, 20000, "weight of machine and driver", "a weighbridge, or the sheets", 350.0)
    mark_keys: tuple[str, ...] | None = setting(
        Keyboard(),
        "keys that set a mark on the screen, for a button that acts as a keyboard",
        "press the button in a text editor and see what it types",
        ["f5"],
    )


@dataclass(frozen=True, kw_only=True)
class Charger:
    """Section ``[charger]``."""

    made_for_chemistry: str | None = choice(
        (*CHEMISTRIES, LEAD_ACID), "chemistry that it is made for", _CHARGER_PLATE, "lfp"
    )
    made_for_cells: int | None = count(
        1, MOST_CELLS, "cells in series that it is made for; 24 for 48 V lead-acid", _CHARGER_PLATE, 16
    )
    equalise_voltage_v: float | None = number(
        0.5, 600, "voltage of its equalise stage", "its manual; or a meter that holds the maximum of a charge", 62.0
    )
    output_voltage_v: float | None = number(
        0.5, 600, "highest output voltage", f"{_CHARGER_PLATE}, or a meter at the end of a charge", 57.6
    )
    output_current_a: float | None = number(0.05, 2000, "output current", _CHARGER_PLATE, 18.0)
    end_current_a: float | None = number(
        0.01, 1000, "current at which it ends the charge", "its sheet, or a meter just before it stops", 5.0
    )
    input_power_w: float | None = number(
        10, 50000, "highest power at the wall", f"{_CHARGER_PLATE}, or a meter", 1150.0
    )
    mains_voltage_v: float | None = number(
        80, 500, "mains voltage", "the socket's label; 120 or 230 in most homes", 230.0
    )
    mains_circuit_a: float | None = number(
        1, 200, "rating of the mains circuit's breaker", "the breaker's print", 16.0
    )


@dataclass(frozen=True, kw_only=True)
class Work:
    """Section ``[work]``: what the machine does, and what that costs."""

    area_ha: float | None = number(0.0001, 10000, "area of one job", "a map, or a recorded drive around it", 0.5)
    tariff_per_kwh: float | None = number(0, 10000, "price of electricity", "the electricity bill", 0.3)
    currency: str | None = text("money in which prices are given", "your choice", "EUR", longest=12)
    fuel_price_per_l: float | None = number(0, 100000, "price of the fuel it burned before", "the pump", 1.7)
    sessions_per_season: float | None = number(
        0.1, 5000, "how often in a season such a job is done", "your calendar", 26.0
    )
    fuel_l_per_h: float | None = number(
        0.01, 100, "fuel it burned in an hour of work", "fill up before and after", 2.5
    )


@dataclass(frozen=True, kw_only=True)
class Instruments:
    """Section ``[instruments]``: each stated error is a limit, as a sheet gives it (±1 %)."""

    current_gain_percent: float | None = number(
        0.01, 20, "error of the current sensor, ± per cent of the reading", "the sheet of the BMS or shunt", 1.0
    )
    current_offset_a: float | None = number(
        0, 50, "error of the current sensor beyond that, ±", "its sheet; what it shows while no current flows", 0.2
    )
    current_step_a: float | None = number(
        0.0001, 10, "smallest step in which the current is shown", "watch the reading change", 0.1
    )
    current_checks: tuple[Check, ...] = setting(
        Checks("A"),
        "comparisons of the current shown with a meter: date, current shown, current measured",
        "a DC clamp meter around one battery cable at a steady load; half the usual load or more tells most",
        [["2026-05-04", 60.9, 60.2], ["2026-05-04", 0.3, 0.1]],
        default=(),
    )
    current_meter_percent: float | None = number(
        0.01, 10, "error of that meter, ± per cent of the reading", "the meter's manual, DC current", 1.5
    )
    current_meter_a: float | None = number(
        0, 20, "error of that meter beyond that, ±", "the meter's manual: its digits or counts, in A", 0.2
    )
    voltage_gain_percent: float | None = number(
        0.01, 10, "error of the pack voltage, ± per cent of the reading", "the sheet of the BMS or meter", 0.5
    )
    voltage_step_v: float | None = number(
        0.0001, 5, "smallest step in which the pack voltage is shown", "watch the reading change", 0.1
    )
    voltage_checks: tuple[Check, ...] = setting(
        Checks("V"),
        "comparisons of the pack voltage shown with a meter: date, voltage shown, voltage measured",
        "a multimeter at the pack's terminals, rated for that voltage; at rest",
        [["2026-05-04", 53.1, 52.94]],
        default=(),
    )
    voltage_meter_percent: float | None = number(
        0.01, 5, "error of that meter, ± per cent of the reading", "the meter's manual, DC voltage", 0.5
    )
    voltage_meter_v: float | None = number(
        0, 5, "error of that meter beyond that, ±", "the meter's manual: its digits or counts, in V", 0.02
    )
    cell_error_mv: float | None = number(
        0.1, 100, "error of one cell's voltage against another's, ±", _BMS_SHEET, 3.0
    )


@dataclass(frozen=True, kw_only=True)
class SourceSettings:
    """One ``[[source]]`` table: where readings come from.

    ``settings`` holds the driver's own keys as the file gives them; the driver checks them.
    """

    driver: str = text(
        "which driver reads it", "`shakedown sources` lists them", USUAL_DRIVER, longest=40, required=True
    )
    name: str = text("what you call the source; numbered where it would repeat", "your choice", "pack", longest=40)
    sign_of_current: Literal["discharge-positive", "charge-positive"] = choice(
        ("discharge-positive", "charge-positive"),
        "which way the device counts current",
        "drive off: if it then shows minus, it is charge-positive",
        "charge-positive",
        default="discharge-positive",
    )
    isolated: bool | None = switch(
        "whether the link is isolated, so that no current can flow from pack to computer by it",
        "the adapter's sheet; radio links are",
        example=True,
    )
    prefer: tuple[str, ...] = setting(
        Signals(),
        "signals to take from this source where several give them",
        "your judgement of the meters",
        ["pack_current"],
        default=(),
    )
    lag_s: float | None = number(
        -10,
        10,
        "seconds by which its readings come later than they were true; the others are held back to match",
        "`shakedown align` finds it",
        0.4,
    )
    silence_s: float | None = number(
        0.1,
        3600,
        "seconds without a reading after which the link counts as failed",
        "how often the device sends",
        5.0,
    )
    settings: Mapping[str, Any] = field(default_factory=dict)

    @property
    def settings_for_driver(self) -> dict[str, Any]:
        """What the driver sees: its own keys, and the silence limit where the owner set one."""
        return dict(self.settings) | ({} if self.silence_s is None else {"silence_s": self.silence_s})


@dataclass(frozen=True, kw_only=True)
class LimitOverride:
    """One ``[limits.NAME]`` table: what the owner sets in place of our numbers; None keeps ours."""

    name: str
    warn: float | None = number(-1e6, 1e6, "warn beyond it, in the signal's unit", "the maker's sheet", 46.4)
    trip: float | None = number(-1e6, 1e6, "the bound itself, in the signal's unit", "the maker's sheet", 44.8)
    clear_margin: float | None = number(
        0, 1000, "how far back inside the bound counts as over", "how much the value jitters", 0.5
    )
    raise_delay_s: float | None = number(
        0, 600, "how long it must last before the alarm is raised", "how long an ordinary pull-away takes", 2.0
    )
    clear_delay_s: float | None = number(
        0, 3600, "how long it must be back before the alarm clears", "your patience with repeats", 10.0
    )
    enabled: bool = switch("false switches the limit off", "your choice, at your risk", example=False, default=True)
    latched: bool | None = switch(
        "whether its trip stays until it is reset by hand", "whether you must look at the pack after it", example=True
    )


SECTIONS: dict[str, type] = {
    "pack": Pack,
    "wiring": Wiring,
    "charge_wiring": Wiring,
    "machine": Vehicle,
    "charger": Charger,
    "work": Work,
    "instruments": Instruments,
    "source": SourceSettings,
    "publish": Publish,
    "limits": LimitOverride,
}
"""Every section by its name in the file."""

PLAIN_SECTIONS = tuple(name for name in SECTIONS if name not in (*LIST_SECTIONS, "limits"))
"""Those that may stand only once."""

TITLES = {
    "pack": "the battery now in the machine",
    "wiring": "the cable from pack to controller",
    "charge_wiring": "the cable from charger to pack; the same keys",
    "machine": "the machine, above all its motor controller",
    "charger": "the charger",
    "work": "what the machine does, and what that costs",
    "instruments": "how far the readings may be off; every ± in a report follows from it",
    "source": "where readings come from; one for each device",
    "publish": "an MQTT broker that gets live values; nothing is sent without it",
    "limits": "your numbers in place of ours, for one limit",
}
"""What each section is about."""


@cache
def section_keys(section: str) -> tuple[Key, ...]:
    """Return the keys of a section in the order of the documentation; KeyError for a section that is none."""
    return keys_of(SECTIONS[section], section)


@cache
def find_key(section: str, name: str) -> Key:
    """Return one key's description; KeyError where there is none of that name."""
    found = {key.name: key for key in section_keys(section)}
    return found[name]


def missing(section: str, name: str) -> str:
    """Return what to say of a figure that needs a key the file lacks: which one, and where to find it.

    ``unknown: [pack] continuous_discharge_a is not stated; it is the current ...: see the pack maker's sheet``
    """
    key = find_key(section, name)
    unit = f", in {key.unit}" if key.unit else ""
    return f"unknown: {key.place} is not stated ({key.meaning}{unit}); find it: {key.find}"


@dataclass(frozen=True, kw_only=True)
class Machine:
    """All that a machine file states.

    Attributes:
        pack, wiring, charge_wiring, vehicle, charger, work, instruments: the sections; an absent one has nothing but
            None.
        sources, publish: in the order of the file.
        limit_overrides: by the limit's name.
        fault_codes: what the bits and values of a signal mean, by the signal's name.
        text: the file's whole text, kept with a session so that it can be judged again.
        file: its name as the user gave it.

    """

    pack: Pack
    wiring: Wiring = field(default_factory=Wiring)
    charge_wiring: Wiring = field(default_factory=Wiring)
    vehicle: Vehicle = field(default_factory=Vehicle)
    charger: Charger = field(default_factory=Charger)
    work: Work = field(default_factory=Work)
    instruments: Instruments = field(default_factory=Instruments)
    sources: tuple[SourceSettings, ...] = ()
    publish: tuple[Publish, ...] = ()
    limit_overrides: Mapping[str, LimitOverride] = field(default_factory=dict)
    fault_codes: Mapping[str, FaultNames] = field(default_factory=dict)
    text: str = ""
    file: str = ""

    @property
    def name(self) -> str:
        """What to call the machine: its own name, else the pack's, else the file's, as printable text."""
        return printable(self.vehicle.name or self.pack.name or PurePath(self.file).stem or "machine")

    @property
    def bench(self) -> bool:
        """Whether the pack stands by itself: the file says nothing of a machine."""
        return replace(self.vehicle, id=None) == Vehicle()
