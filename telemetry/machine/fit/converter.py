"""The 12 V converter: whether its input range covers the voltages of the pack."""

from __future__ import annotations

from telemetry.machine.fit.controller import HEADROOM, lowest_pack_v
from telemetry.machine.fit.findings import Finding, judged, unknown, worst
from telemetry.machine.pack_voltage import full_voltage
from telemetry.machine.sections import Machine

_SOURCE = "[machine] converter_min_v and converter_max_v; headroom of 5 % for regen, common practice, from memory"


def converter_input(machine: Machine) -> Finding | None:
    """Compare the converter's input range with the pack's window; None where the file states no converter."""
    vehicle = machine.vehicle
    low, high = vehicle.converter_min_v, vehicle.converter_max_v
    if low is None and high is None:
        return None
    found = [_at_the_top(machine, high), _at_the_bottom(machine, low)]
    return worst(found)


def _at_the_top(machine: Machine, high: float | None) -> Finding:
    full, words = full_voltage(machine)
    if high is None:
        note = f"A full pack reaches {full:.1f} V."
        return unknown(("machine", "converter_max_v"), unit="V", source=_SOURCE, note=note)
    said = f"a full pack reaches {full:.1f} V ({words}) and the 12 V converter tolerates at most {high:g} V"
    if full > high:
        why = (
            f"{said}: a full charge destroys it, and with it lights and contactor coil. Fit one rated for a "
            "higher voltage."
        )
        return judged("stop", why, _SOURCE, value=full, limit=high, unit="V")
    if machine.vehicle.regenerates and high < HEADROOM * full:
        why = (
            f"{said}: under 5 % headroom. If the BMS disables charge during regen, the controller's "
            "voltage jumps and may "
            "destroy the converter. Wire it to the pack's side of the main switch, or fit one rated for "
            "a higher voltage."
        )
        return judged("caution", why, _SOURCE, value=HEADROOM * full, limit=high, unit="V")
    return judged("ok", f"{said}.", _SOURCE, value=full, limit=high, unit="V")


def _at_the_bottom(machine: Machine, low: float | None) -> Finding:
    if low is None:
        return unknown(("machine", "converter_min_v"), unit="V", source=_SOURCE)
    least, words = lowest_pack_v(machine)
    minimum = machine.vehicle.minimum_voltage_v
    if minimum is not None and minimum > least:
        least, words = minimum, "controller cut-off"
    said = f"the 12 V converter works from {low:g} V, and the pack runs down to {least:.3g} V ({words})"
    if low > least:
        why = f"{said}: lights and everything else on 12 V, a contactor coil too, go out while it still drives."
        return judged("caution", why, _SOURCE, value=least, limit=low, unit="V")
    return judged("ok", f"{said}.", _SOURCE, value=least, limit=low, unit="V")
