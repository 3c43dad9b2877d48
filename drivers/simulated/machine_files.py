"""A machine file for each simulated machine. Its numbers are those of the simulation, as sheets would print them."""

from __future__ import annotations

from telemetry.model.errors import InputError, printable

from .scenarios import Scenario
from .varied import SCENARIO_NAMES, varied_scenario

_ORCHARD = """\
# A simulated machine: an orchard mower with a pack of 24 iron phosphate cells. Invented; no real machine.

[pack]
name = "orchard pack"
chemistry = "lfp"
cells_in_series = 24
capacity_ah = 105
continuous_discharge_a = 150
peak_discharge_a = 300
peak_discharge_s = 10
continuous_charge_a = 60
low_cutoff_v = 60.0
high_cutoff_v = 87.6
balance_current_ma = 120
internal_resistance_mohm = 23
mass_kg = 62

[wiring]
conductor_mm2 = 35
insulation_c = 90
installation = "free-air"
one_way_length_m = 1.4
ambient_c = 40
bundled_conductors = 2
fuse_a = 150
fuse_voltage_v = 125
fuse_interrupting_a = 20000
connector_a = 175

[charge_wiring]
conductor_mm2 = 6
insulation_c = 90
one_way_length_m = 1.8
fuse_a = 30
fuse_voltage_v = 125

[machine]
name = "orchard mower"
minimum_voltage_v = 60.0
maximum_voltage_v = 92.0
foldback_voltage_v = 64.0
continuous_current_a = 45
controller_current_a = 140
peak_power_w = 11000
implement_start_a = 130
regenerates = true
standby_current_a = 0.2
working_width_m = 1.1
mass_kg = 430

[charger]
output_voltage_v = 85.2
output_current_a = 18
end_current_a = 3
input_power_w = 1700
mains_voltage_v = 230
mains_circuit_a = 16

[work]
area_ha = 0.6
"""

_MARKET = """\
# A simulated machine: a market cart with a pack of 14 nickel manganese cobalt cells. Invented; no real machine.

[pack]
name = "cart pack"
chemistry = "nmc"
cells_in_series = 14
capacity_ah = 60
continuous_discharge_a = 100
peak_discharge_a = 160
peak_discharge_s = 10
continuous_charge_a = 60
low_cutoff_v = 42.0
high_cutoff_v = 59.5
balance_current_ma = 120
internal_resistance_mohm = 24
mass_kg = 21

[wiring]
conductor_mm2 = 25
insulation_c = 90
installation = "free-air"
one_way_length_m = 1.9
ambient_c = 35
fuse_a = 125
fuse_voltage_v = 80
fuse_interrupting_a = 10000
connector_a = 120

[machine]
name = "market cart"
minimum_voltage_v = 42.0
maximum_voltage_v = 60.0
foldback_voltage_v = 44.5
continuous_current_a = 25
controller_current_a = 90
peak_power_w = 4500
regenerates = true
standby_current_a = 0.2
mass_kg = 310

[charger]
output_voltage_v = 58.4
output_current_a = 12
end_current_a = 2
input_power_w = 770
mains_voltage_v = 230
mains_circuit_a = 16
"""

_TEXTS = {"orchard": _ORCHARD, "market": _MARKET, "orchard-charge": _ORCHARD}


def machine_file(scenario: str, seed: int, fault: str | None = None) -> str:
    """Return the text of the machine file for ``scenario``, with a source that plays it.

    What it states is the machine as it should be, whatever the fault.

    Raises:
        InputError: there is no such scenario.

    """
    if scenario not in SCENARIO_NAMES:
        raise InputError(f"there is no scenario {printable(scenario)!r}; choose one of {', '.join(SCENARIO_NAMES)}")
    source = f'[[source]]\ndriver = "simulated-machine"\nscenario = "{scenario}"\nseed = {seed}\n'
    if fault is not None:
        source += f'fault = "{fault}"\n'
    text = _TEXTS[scenario] if scenario in _TEXTS else _varied_text(varied_scenario(seed), seed)
    return f"{text}\n{source}"


def _varied_text(what: Scenario, seed: int) -> str:
    """What the sheets of a drawn machine's parts would print."""
    cells, pack, controller, vehicle = what.cells, what.electronics, what.controller, what.vehicle
    highest = pack.discharge_current.limit
    deck = what.implement
    start_a = 0.0 if deck is None else deck.start_factor * deck.power_w / controller.minimum_v
    lines = [
        f"# A simulated machine, drawn by the number {seed}. Invented; no real machine.",
        "",
        "[pack]",
        f'name = "pack {seed}"',
        f'chemistry = "{cells.chemistry}"',
        f"cells_in_series = {cells.count}",
        f"capacity_ah = {cells.capacity_ah:g}",
        f"continuous_discharge_a = {0.75 * highest:.0f}",
        f"peak_discharge_a = {highest:.0f}",
        "peak_discharge_s = 10",
        f"continuous_charge_a = {max(pack.charge_current.limit, what.charger.current_a):.0f}",
        f"low_cutoff_v = {pack.cell_low.limit * cells.count:.1f}",
        f"high_cutoff_v = {pack.cell_high.limit * cells.count:.1f}",
        f"internal_resistance_mohm = {1000 * cells.count * cells.resistance_ohm + 1000 * pack.path_ohm:.0f}",
        "",
        "[machine]",
        f'name = "machine {seed}"',
        f"minimum_voltage_v = {controller.minimum_v:.1f}",
        f"maximum_voltage_v = {controller.maximum_v:.1f}",
        f"controller_current_a = {controller.battery_current_a:.0f}",
        f"controller_capacitance_uf = {1e6 * controller.capacitance_f:.0f}",
        f"regenerates = {'true' if controller.brake_current_a else 'false'}",
        f"mass_kg = {vehicle.mass_kg:g}",
        *(
            [f"foldback_voltage_v = {controller.foldback_v:.1f}"]
            if controller.foldback_v > controller.minimum_v
            else []
        ),
        *([f"implement_start_a = {start_a:.0f}"] if deck is not None else []),
        "",
        "[charger]",
        f"output_voltage_v = {what.charger.voltage_v:g}",
        f"output_current_a = {what.charger.current_a:g}",
        f"end_current_a = {what.charger.end_current_a:g}",
        "",
    ]
    return "\n".join(lines)
