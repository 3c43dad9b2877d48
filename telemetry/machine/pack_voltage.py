"""How high the voltage of a machine's pack goes, by what the file states."""

from __future__ import annotations

from telemetry.machine.sections import Machine


def full_voltage(machine: Machine) -> tuple[float, str]:
    """Return the highest voltage that the full pack reaches, V, and why: its cut-off, or a charger above that."""
    pack, charger_v = machine.pack, machine.charger.output_voltage_v
    if pack.high_cutoff_v is not None:
        full, words = pack.high_cutoff_v, "BMS cut-off"
    else:
        full = pack.cells_in_series * pack.cell.maximum_v
        words = f"{pack.cells_in_series} cells at {pack.cell.maximum_v:g} V"
    if charger_v is not None and charger_v > full:
        return charger_v, "charger voltage"
    return full, words
