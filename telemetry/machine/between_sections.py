"""What two sections of a machine file cannot both mean: typing errors that each look right alone.

Only what nobody can mean is a contradiction: a charger or controller made for another battery altogether, a current
that melts the pack in a minute, milliampere written as ampere. What is merely wrong for the machine is for the fit
check to judge, which says why and by how much; so these bounds are wide (ours, chosen so that no real mistake of
matching falls beyond them).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from telemetry.machine.chemistry import PackWindow, cell_of, pack_window
from telemetry.machine.sections import find_key

_LEAST_MOTOR_W = 1000  # a traction motor below is likely stated in kW
FAR_ABOVE, FAR_BELOW = 1.6, 0.5
"""A charger or controller beyond these shares of the pack's window is for another battery: the next trade voltage
above 48 V lies at 1.5, and is for the fit check to judge."""
STEADY_CAPACITIES, MOMENT_CAPACITIES = 50.0, 100.0
"""Ampere by Ah of capacity that no pack of these chemistries gives, or takes, steadily and for a moment."""
NAMEPLATE_SLACK = 1.15
"""Nameplates round: output may exceed input by this before one of them must be wrong."""
LEAST_MOHM_AH = 2.0
"""Resistance of one cell times its capacity that no cell of these chemistries reaches."""

Stated = Mapping[str, Mapping[str, Any]]
"""The values that are right by themselves, by section and key."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two things stated of which one must be wrong; ``section`` and ``key`` say where to look first."""

    section: str
    key: str
    what: str
    right: str


def between_sections(stated: Stated) -> Iterator[Contradiction]:
    """Give the contradictions between sections, and between the pack's size and its other figures."""
    pack = stated["pack"]
    if "chemistry" in pack and "cells_in_series" in pack:
        window = pack_window(cell_of(pack), pack["cells_in_series"])
        cells = f"{pack['cells_in_series']} {cell_of(pack).label} cells, {window.low:g} to {window.high:g} V"
        yield from _other_battery(stated, window, cells)
        yield from _a_cell_for_the_pack(pack, window)
        yield from _peak_power(stated, window)
        yield from _resistance(pack)
    if "capacity_ah" in pack:
        yield from _currents(stated, pack["capacity_ah"])
    yield from _charger_power(stated["charger"])
    yield from _breaking(stated)
    yield from _weights(stated)


def _other_battery(stated: Stated, window: PackWindow, cells: str) -> Iterator[Contradiction]:
    """Give a contradiction for a charger or controller whose voltage is for another battery."""
    charger_right = "check it and [pack] cells_in_series; never connect a charger made for another battery"
    controller_right = "check it and [pack] cells_in_series; it is the voltage at the controller's battery terminals"
    for section, key, highest, lowest, right in (
        ("charger", "output_voltage_v", True, True, charger_right),
        ("machine", "minimum_voltage_v", True, False, controller_right),
        ("machine", "foldback_voltage_v", True, False, controller_right),
        ("machine", "maximum_voltage_v", False, True, controller_right),
    ):
        volts = stated[section].get(key)
        if volts is None:
            continue
        if highest and volts > FAR_ABOVE * window.high:
            yield Contradiction(section, key, f"is {volts:g} V, far above a pack of {cells}", right)
        if lowest and volts < FAR_BELOW * window.low:
            yield Contradiction(section, key, f"is {volts:g} V, far below a pack of {cells}", right)


def _a_cell_for_the_pack(pack: Mapping[str, Any], window: PackWindow) -> Iterator[Contradiction]:
    """Give a contradiction for a cut-off that is one cell's voltage, or some other pack's."""
    low, high = pack.get("low_cutoff_v"), pack.get("high_cutoff_v")
    count = pack["cells_in_series"]
    for key, volts, wrong in (
        ("low_cutoff_v", low, low is not None and low < FAR_BELOW * window.low),
        ("high_cutoff_v", high, high is not None and high > FAR_ABOVE * window.high),
    ):
        if not wrong or volts is None:
            continue
        total = count * volts
        hint = f"; {volts:g} V a cell are {total:g} V" if window.low * FAR_BELOW <= total <= window.high else ""
        what = (
            f"is {volts:g} V, and {count} {cell_of(pack).label} cells work from {window.low:g} to {window.high:g} V"
        )
        yield Contradiction("pack", key, what, f"write the voltage of the whole pack{hint}")


def _currents(stated: Stated, capacity_ah: float) -> Iterator[Contradiction]:
    """Give a contradiction for a current that is out of all proportion to the capacity."""
    for section, key, most in (
        ("pack", "continuous_discharge_a", STEADY_CAPACITIES),
        ("pack", "peak_discharge_a", MOMENT_CAPACITIES),
        ("pack", "continuous_charge_a", STEADY_CAPACITIES),
        ("charger", "output_current_a", STEADY_CAPACITIES),
        ("machine", "continuous_current_a", STEADY_CAPACITIES),
        ("machine", "implement_start_a", MOMENT_CAPACITIES),
        ("machine", "hill_current_a", MOMENT_CAPACITIES),
        ("machine", "braking_current_a", MOMENT_CAPACITIES),
        ("pack", "peak_charge_a", MOMENT_CAPACITIES),
    ):
        amperes = stated[section].get(key)
        if amperes is None or amperes <= most * capacity_ah:
            continue
        what = f"is {amperes:g} A, more than {most:g} times what a pack of {capacity_ah:g} Ah can give or take"
        unit = f"; if {amperes:g} are mA, write {amperes / 1000:g}"
        yield Contradiction(section, key, what, f"check it and [pack] capacity_ah{unit}")


def _peak_power(stated: Stated, window: PackWindow) -> Iterator[Contradiction]:
    """Give a contradiction where the peak is below what flows continuously."""
    power, current = stated["machine"].get("peak_power_w"), stated["machine"].get("continuous_current_a")
    if power is None or current is None or power >= current * window.low:
        return
    least = current * window.low
    what = (
        f"is {power:g} W, below the {least:g} W that continuous_current_a of {current:g} A draws from an empty pack"
    )
    unit = f"; if {power:g} are kW, write {1000 * power:g}" if power < _LEAST_MOTOR_W else ""
    yield Contradiction("machine", "peak_power_w", what, f"correct one of the two{unit}")


def _resistance(pack: Mapping[str, Any]) -> Iterator[Contradiction]:
    mohm, capacity = pack.get("internal_resistance_mohm"), pack.get("capacity_ah")
    if mohm is None or capacity is None:
        return
    per_cell = mohm * capacity / pack["cells_in_series"]
    if per_cell < LEAST_MOHM_AH:
        what = f"is {mohm:g} mΩ, less than {pack['cells_in_series']} cells of {capacity:g} Ah have together"
        yield Contradiction(
            "pack", "internal_resistance_mohm", what, f"check it; if {mohm:g} are Ω, write {1000 * mohm:g}"
        )


def _charger_power(charger: Mapping[str, Any]) -> Iterator[Contradiction]:
    """Give a contradiction where more comes out of a charger than goes in."""
    volts, amperes, power = (charger.get(key) for key in ("output_voltage_v", "output_current_a", "input_power_w"))
    if volts is None or amperes is None or power is None or volts * amperes <= NAMEPLATE_SLACK * power:
        return
    output = f"{volts * amperes:.0f} W that its output of {volts:g} V and {amperes:g} A makes"
    what = f"is {power:g} W, less than the {output}"
    unit = find_key("charger", "input_power_w").unit
    yield Contradiction("charger", "input_power_w", what, f"correct one of the three; write the input, in {unit}")


def _breaking(stated: Stated) -> Iterator[Contradiction]:
    """Give a contradiction where a fuse could not even interrupt its own rated current."""
    for section in ("wiring", "charge_wiring"):
        breaks, rated = (stated[section].get(key) for key in ("fuse_interrupting_a", "fuse_a"))
        if breaks is not None and rated is not None and breaks <= rated:
            what = f"is {breaks:g} A, not above fuse_a of {rated:g} A"
            right = f"write the short-circuit current it can interrupt; if {breaks:g} are kA, write {1000 * breaks:g}"
            yield Contradiction(section, "fuse_interrupting_a", what, right)


def _weights(stated: Stated) -> Iterator[Contradiction]:
    """Give a contradiction where the pack outweighs the whole machine."""
    pack, machine = stated["pack"].get("mass_kg"), stated["machine"].get("mass_kg")
    if pack is not None and machine is not None and pack > machine:
        what = f"is {machine:g} kg, below the {pack:g} kg of the pack in it"
        yield Contradiction("machine", "mass_kg", what, "write the weight of machine, pack and driver together")
