"""The cautions that every list, check and report shares, and which of them a machine's voltage calls for."""

from __future__ import annotations

from typing import Final

from telemetry.machine.sections import Machine

SHOCK_V: Final = 60.0
"""Above this DC voltage a touch can kill. The bound of UN Regulation No. 100 and of IEC 60364-4-41 for dry skin, both
from memory."""
LICENSED_V: Final = 120.0
"""Extra-low voltage ends here: 120 V ripple-free DC (IEC Electropedia, "safety extra-low voltage", after IEC 61558-1,
seen; IEC 60364-4-41 has the same bound, from memory)."""

STORED_ENERGY: Final = (
    "A pack cannot be switched off inside. Take off rings, watch and necklace, wear eye protection, use insulated"
    " tools, and lay no tool across the terminals."
)
WHEELS_UP: Final = "Driven wheels off the ground on stands, the others chocked, nobody near wheels or implement."
MAINS: Final = "Mains sockets and circuits: by local code and a licensed electrician."
JOINT_WORK: Final = (
    "Key off, pack disconnected. Cell joints stay live all the same.",
    "Use insulated tools only, cover the terminals beside the joint, and split the string into parts below 60 V.",
    "Where you cannot do all of that, torquing a joint is licensed work.",
)
JOINT_HEAT: Final = (
    "Look for a hot joint with an infrared thermometer on matt tape (bare metal misreads) or with temperature labels,"
    " never by hand."
)
JOINT_DROP: Final = (
    "Measure millivolts across a joint only at a known current, with the leads clipped on beforehand, key off, and"
    " nobody touching them. Never move a joint under load."
)
SHOCK: Final = "Above 60 V DC a touch can kill."
GENERAL: Final = "Caution: a pack can burn, weld and kill. Disconnect it before you work on it."


def shock_caution(machine: Machine) -> str:
    """Return the caution against electric shock that this machine's voltage calls for; empty up to 60 V."""
    volts, _ = machine.full_voltage
    if volts <= SHOCK_V:
        return ""
    caution = f"This pack reaches {volts:.0f} V at full charge. {SHOCK}"
    if is_licensed_work(machine):
        return f"{caution} Above 120 V DC live measurements and work on live parts are licensed work."
    return f"{caution} Use insulated probes, one hand where you can, and have a second person beside you."


def is_licensed_work(machine: Machine) -> bool:
    """Return whether live work on this machine is beyond extra-low voltage, so for licensed people only."""
    return machine.full_voltage[0] > LICENSED_V


def caution_line(machine: Machine | None) -> str:
    """Return the caution of one line, at most 80 characters; the general one where the machine is not known."""
    if machine is None or machine.full_voltage[0] <= SHOCK_V:
        return GENERAL
    volts, _ = machine.full_voltage
    then = "Live work is licensed work." if is_licensed_work(machine) else "Disconnect it before you work on it."
    return f"Caution: {volts:.0f} V DC at full charge can kill. {then}"
