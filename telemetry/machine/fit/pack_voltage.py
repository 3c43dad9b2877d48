"""What the whole pack's voltage asks of the BMS of drop-in blocks in series, and of whoever touches it."""

from __future__ import annotations

from telemetry.machine.cautions import SHOCK_V, shock_caution
from telemetry.machine.fit.findings import Finding, judged, unknown, worst
from telemetry.machine.sections import Machine

_TOUCH_SOURCE = "60 V DC of UN Regulation No. 100 and IEC 60364-4-41, 120 V of IEC 61558-1, from memory"
_SOURCE = "an open BMS switch sees the whole series voltage, common practice; the block maker's sheet"
_BALANCE = (
    "Blocks in series do not balance each other. Charge each one full by itself before you join them, and again "
    "when they drift apart."
)


def blocks_in_series(machine: Machine) -> Finding | None:
    """Compare each block's BMS with the voltage of the whole pack; None for a pack with one BMS.

    When one BMS opens under load, the other blocks and the load put the whole series voltage across its switch.
    """
    pack = machine.pack
    blocks, rated, most = pack.blocks_in_series, pack.block_bms_voltage_v, pack.most_blocks_in_series
    if blocks == 1 or (blocks is None and rated is None and most is None):
        return None
    if blocks is None:
        return unknown(("pack", "blocks_in_series"), unit="V", source=_SOURCE)
    full, words = machine.full_voltage
    if rated is None and most is None:
        note = f"A block's BMS must interrupt {full:.1f} V ({words}) when it trips. One of the two ratings is enough."
        keys = (("pack", "block_bms_voltage_v"), ("pack", "most_blocks_in_series"))
        return unknown(*keys, unit="V", source=_SOURCE, note=note)
    found = []
    if rated is not None:
        found.append(_by_voltage(full, words, rated))
    if most is not None:
        found.append(_by_count(blocks, most))
    return worst(found)


def _by_voltage(full: float, words: str, rated: float) -> Finding:
    said = f"when a block's BMS trips it sees {full:.1f} V ({words}); it can interrupt {rated:g} V"
    if full > rated:
        why = (
            f"{said}: its switch breaks down and stays closed, or burns. Use one pack with one BMS for all its cells."
        )
        return judged("stop", why, _SOURCE, value=full, limit=rated, unit="V")
    return judged("ok", f"{said}. {_BALANCE}", _SOURCE, value=full, limit=rated, unit="V")


def _by_count(blocks: int, most: int) -> Finding:
    said = f"{blocks} blocks in series; their maker allows {most}"
    if blocks > most:
        why = f"{said}: a BMS may fail when it trips. Use one pack with one BMS for all its cells."
        return judged("stop", why, _SOURCE, value=blocks, limit=most, unit="blocks")
    return judged("ok", f"{said}. {_BALANCE}", _SOURCE, value=blocks, limit=most, unit="blocks")


WET_SHOCK_V = 30.0
"""DC voltage that is taken as safe where skin is wet (NEC chapter 9, table 11, from memory)."""


def touch_voltage(machine: Machine) -> Finding:
    """Compare the full pack's voltage with the voltage at which a touch can kill."""
    full, words = machine.full_voltage
    if full <= SHOCK_V:
        wet = " Wet skin is: touch no live part in rain or sweat." if full > WET_SHOCK_V else ""
        why = (
            f"a full pack reaches {full:.1f} V ({words}): dry skin is hardly at risk.{wet} A short circuit burns at "
            "any voltage."
        )
        return judged("ok", why, _TOUCH_SOURCE, value=full, limit=SHOCK_V, unit="V")
    if machine.vehicle.frame_is_return:
        why = (
            f"the frame carries the return current of a pack of {full:.1f} V ({words}): touching one live part and "
            "the frame can kill. Run a return conductor and keep both poles off the frame."
        )
        return judged("stop", why, _TOUCH_SOURCE, value=full, limit=SHOCK_V, unit="V")
    covered = (
        "Cover every live part so that no finger reaches it, keep both poles off the frame, and fit a disconnect in "
        "reach."
    )
    caution = shock_caution(machine)
    why = f"{caution[0].lower()}{caution[1:]} {covered}"
    return judged("caution", why, _TOUCH_SOURCE, value=full, limit=SHOCK_V, unit="V")
