"""A machine file for each simulated machine. Its numbers are those of the simulation, as sheets would print them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from telemetry.model.errors import InputError, printable
from telemetry.model.toml_text import table_text

from .scenarios import Scenario
from .varied import (
    CURRENT_GAIN_PERCENT,
    CURRENT_OFFSET_A,
    SCENARIO_NAMES,
    VOLTAGE_GAIN_PERCENT,
    varied_scenario,
)

_FOLDER = Path(__file__).parent
_FILES = {"orchard": "orchard.toml", "market": "market.toml", "orchard-charge": "orchard.toml"}
"""Beside this file, by scenario."""


def machine_file(scenario: str, seed: int, fault: str | None = None) -> str:
    """Return the text of the machine file for ``scenario``, with a source that plays it.

    What it states is the machine as it should be, whatever the fault.

    Raises:
        InputError: there is no such scenario.

    """
    if scenario not in SCENARIO_NAMES:
        raise InputError(f"there is no scenario {printable(scenario)!r}; choose one of {', '.join(SCENARIO_NAMES)}")
    source = {"driver": "simulated-machine", "scenario": scenario, "seed": seed}
    source |= {} if fault is None else {"fault": fault}
    drawn = scenario not in _FILES
    text = _varied_text(varied_scenario(seed), seed) if drawn else (_FOLDER / _FILES[scenario]).read_text("utf-8")
    return f"{text}\n{table_text('[[source]]', source)}"


def _varied_text(what: Scenario, seed: int) -> str:
    """What the sheets of a drawn machine's parts would print."""
    cells, pack, controller, vehicle = what.cells, what.electronics, what.controller, what.vehicle
    highest = pack.discharge_current.limit
    deck = what.implement
    folds = controller.foldback_v > controller.minimum_v
    start_a = 0.0 if deck is None else deck.start_factor * deck.power_w / controller.minimum_v
    tables: dict[str, dict[str, Any]] = {
        "[pack]": {
            "name": f"pack {seed}",
            "chemistry": cells.chemistry,
            "cells_in_series": cells.count,
            "capacity_ah": cells.capacity_ah,
            "continuous_discharge_a": round(0.75 * highest),
            "peak_discharge_a": round(highest),
            "peak_discharge_s": 10,
            "continuous_charge_a": round(max(pack.charge_current.limit, what.charger.current_a)),
            "low_cutoff_v": round(pack.cell_low.limit * cells.count, 1),
            "high_cutoff_v": round(pack.cell_high.limit * cells.count, 1),
            "internal_resistance_mohm": round(1000 * cells.count * cells.resistance_ohm + 1000 * pack.path_ohm),
        },
        "[machine]": {
            "name": f"machine {seed}",
            "minimum_voltage_v": round(controller.minimum_v, 1),
            "maximum_voltage_v": round(controller.maximum_v, 1),
            "controller_current_a": round(controller.battery_current_a),
            "controller_capacitance_uf": round(1e6 * controller.capacitance_f),
            "regenerates": bool(controller.brake_current_a),
            "mass_kg": vehicle.mass_kg,
            **({"foldback_voltage_v": round(controller.foldback_v, 1)} if folds else {}),
            **({} if deck is None else {"implement_start_a": round(start_a)}),
        },
        "[charger]": {
            "output_voltage_v": what.charger.voltage_v,
            "output_current_a": what.charger.current_a,
            "end_current_a": what.charger.end_current_a,
        },
        "[instruments]": {
            "current_gain_percent": CURRENT_GAIN_PERCENT,
            "current_offset_a": CURRENT_OFFSET_A,
            "voltage_gain_percent": VOLTAGE_GAIN_PERCENT,
        },
    }
    head = f"# A simulated machine, drawn by the number {seed}. Invented; no real machine.\n"
    return "\n".join([head, *(table_text(header, table) for header, table in tables.items())])
