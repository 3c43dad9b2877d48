"""Whether pack, wire, fuse, connector, controller and charger suit each other, before any power."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

from telemetry.machine.fit import (
    battery_use,
    charger_match,
    charging,
    controller,
    currents,
    fuses,
    pulls,
    switches,
    wires,
)
from telemetry.machine.fit.controller import converter_input
from telemetry.machine.fit.findings import Finding, Verdict, overall
from telemetry.machine.fit.pack_voltage import blocks_in_series, touch_voltage
from telemetry.machine.fit.precharge_resistor import precharge_resistor
from telemetry.machine.fit.speed import blade_speed, overspeed, temperature_limits
from telemetry.machine.sections import Machine
from telemetry.model.errors import InputError

__all__ = ["CHECKS", "Finding", "Verdict", "fit", "overall", "require_no_stop"]

CHECKS: Mapping[str, Callable[[Machine], Finding | None]] = MappingProxyType(
    {
        "charger-voltage": charging.charger_voltage,
        "charger-match": charger_match.charger_match,
        "charger-current": charging.charger_current,
        "charge-conductor": wires.charge_conductor,
        "charge-fuse": fuses.charge_fuse,
        "controller-minimum": controller.controller_minimum,
        "controller-maximum": controller.controller_maximum,
        "pack-current": currents.pack_current,
        "hill": pulls.hill,
        "sag": currents.sag,
        "conductor-ampacity": wires.conductor_ampacity,
        "voltage-drop": wires.voltage_drop,
        "fuse-size": fuses.fuse_size,
        "fuse-voltage": fuses.fuse_voltage,
        "fuse-interrupting": fuses.fuse_interrupting,
        "connector": wires.connector,
        "contactor": switches.switches,
        "cold-charging": charging.cold_charging,
        "precharge": controller.precharge,
        "regeneration": controller.regeneration,
        "implement-start": currents.implement_start,
        "cut-off-order": controller.cut_off_order,
        "mains-circuit": charging.mains_circuit,
        "storage": battery_use.storage,
        "old-gauge": battery_use.old_gauge,
        "mass": battery_use.mass,
        "energy": battery_use.energy,
        "touch-voltage": touch_voltage,
        "blocks-in-series": blocks_in_series,
        "converter-input": converter_input,
        "precharge-resistor": precharge_resistor,
        "overspeed": overspeed,
        "blade-speed": blade_speed,
        "temperature-limits": temperature_limits,
    }
)
"""Every check by its name, in the order in which they are listed; a check gives None where it does not apply."""


def require_no_stop(machine: Machine, path: Path, what: str) -> None:
    """Refuse to power a machine up where a check says stop; ``what`` is not begun.

    Raises:
        InputError: a check says stop; names them.

    """
    stops = [each.check for each in fit(machine) if each.verdict == "stop"]
    if stops:
        raise InputError(
            f"fit says stop ({', '.join(stops)}), so {what} does not begin; mend that first: shakedown fit {path}"
        )


def fit(machine: Machine) -> tuple[Finding, ...]:
    """Return what every check that applies finds of ``machine``, in the order of :data:`CHECKS`."""
    found = {name: check(machine) for name, check in CHECKS.items()}
    return tuple(replace(each, check=name) for name, each in found.items() if each is not None)
