"""The pre-charge resistor: whether it survives the pulse that fills the controller's capacitor."""

from __future__ import annotations

from telemetry.machine.fit.findings import Finding, amount, judged, unknown
from telemetry.machine.sections import Machine
from telemetry.model.words import capital

SHORT_PULSE_J_PER_W, LONG_PULSE_J_PER_W = 5.0, 25.0
"""Pulse energy that a wirewound resistor takes for each rated watt. Below about a second all of it stays in the wire:
a maker's note gives 24.5 J for a 5 W part (seen in a secondary copy). Over five seconds the body takes most of it:
five times the rated power for 5 s, the usual overload on sheets (common practice, from memory)."""

_RATED = "½ C V² at full voltage against [machine] precharge_energy_j"
_RULE = (
    f"½ C V² at full voltage against {SHORT_PULSE_J_PER_W:g} J (short pulse) and {LONG_PULSE_J_PER_W:g} J (5 s) for "
    "each rated watt of a wirewound resistor, common practice, from memory"
)


def precharge_resistor(machine: Machine) -> Finding | None:
    """Compare the energy of one pre-charge with what its resistor takes; None where :func:`precharge` asks first."""
    vehicle = machine.vehicle
    if vehicle.controller_capacitance_uf is None or vehicle.precharge_ohm is None:
        return None
    full, _ = machine.full_voltage
    joule = pulse_energy(full, vehicle.controller_capacitance_uf / 1e6)
    energy = amount(joule, "J", 2)
    said = f"filling {vehicle.controller_capacitance_uf:g} µF to {full:.1f} V puts {energy} into the resistor"
    rated, watt = vehicle.precharge_energy_j, vehicle.precharge_w
    if rated is not None:
        said += f", which is rated for {rated:g} J a pulse"
        if joule > rated:
            return judged("stop", f"{said}. {_BURNS}", _RATED, value=joule, limit=rated, unit="J")
        return judged("ok", f"{said}.", _RATED, value=joule, limit=rated, unit="J")
    if watt is None:
        note = f"{capital(said)}. Or [machine] precharge_energy_j, where its sheet gives a pulse rating."
        return unknown(("machine", "precharge_w"), unit="J", source=_RULE, note=note)
    short, long = SHORT_PULSE_J_PER_W * watt, LONG_PULSE_J_PER_W * watt
    said += f" of {watt:g} W"
    if joule > long:
        return judged("stop", f"{said}. {_BURNS}", _RULE, value=joule, limit=long, unit="J")
    if joule > short:
        why = (
            f"{said}, above the {short:g} J of a short pulse. State precharge_energy_j from its sheet, or "
            "use one rated for more watts."
        )
        return judged("caution", why, _RULE, value=joule, limit=short, unit="J")
    stuck = full**2 / vehicle.precharge_ohm
    why = f"{said}; a wirewound resistor tolerates that, a film resistor may not."
    if stuck > watt:
        why += (
            f" If the capacitor never fills (a short, a load left on), it dissipates {amount(stuck, 'W', 2)}: abort "
            "after a time-out."
        )
    return judged("ok", why, _RULE, value=joule, limit=short, unit="J")


_BURNS = (
    "It burns open, and the main switch then closes on an empty capacitor and welds. Use one rated for more joules."
)


def pulse_energy(volts: float, farad: float) -> float:
    """Return the energy that a resistor takes while a capacitor fills through it, J: ½ C V², whatever its ohms."""
    return 0.5 * farad * volts**2
