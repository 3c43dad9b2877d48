"""What a touch of the pack's voltage does, and what that asks of the machine."""

from __future__ import annotations

from telemetry.machine.cautions import SHOCK_V, shock_caution
from telemetry.machine.fit.findings import Finding, judged
from telemetry.machine.pack_voltage import full_voltage
from telemetry.machine.sections import Machine

_SOURCE = "60 V DC of UN Regulation No. 100 and IEC 60364-4-41, 120 V of IEC 61558-1, from memory"


def touch_voltage(machine: Machine) -> Finding:
    """Compare the full pack's voltage with the voltage at which a touch can kill."""
    full, words = full_voltage(machine)
    if full <= SHOCK_V:
        why = (
            f"a full pack reaches {full:.1f} V ({words}): no shock hazard with dry skin, but a short circuit "
            "still burns."
        )
        return judged("ok", why, _SOURCE, value=full, limit=SHOCK_V, unit="V")
    if machine.vehicle.frame_is_return:
        why = (
            f"the frame carries the return current of a pack of {full:.1f} V ({words}): touching one live part and "
            "the frame can kill. Run a return conductor and keep both poles off the frame."
        )
        return judged("stop", why, _SOURCE, value=full, limit=SHOCK_V, unit="V")
    covered = (
        "Cover every live part so that no finger reaches it, keep both poles off the frame, and fit a disconnect in "
        "reach."
    )
    caution = shock_caution(machine)
    why = f"{caution[0].lower()}{caution[1:]} {covered}"
    return judged("caution", why, _SOURCE, value=full, limit=SHOCK_V, unit="V")
