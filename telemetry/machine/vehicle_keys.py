"""What the owner states of machine, charger, work and instruments: sections of the machine file."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.kinds import Check, Checks, Keyboard
from telemetry.machine.pack_keys import BMS_SHEET, MOST_CELLS
from telemetry.model.keys import setting
from telemetry.model.kinds import choice, count, number, switch, text

LEAD_ACID = "lead-acid"
"""What the nameplate of a charger says where it does not tell flooded from absorbed glass mat."""

_CONTROLLER_SHEET = "the motor controller's sheet or settings"
_CHARGER_PLATE = "the charger's nameplate"


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
    peak_power_w: float | None = number(
        20,
        1e6,
        "highest power drawn from the battery",
        "a recorded drive; until then controller_current_a, the controller's nameplate",
        5000.0,
    )
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
    cell_error_mv: float | None = number(0.1, 100, "error of one cell's voltage against another's, ±", BMS_SHEET, 3.0)
