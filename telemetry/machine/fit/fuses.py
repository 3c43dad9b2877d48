"""Fuses: their size, their voltage and their interrupting rating."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.machine.ampacity import Ampacity, carries_of
from telemetry.machine.conductors import (
    SMALL_FUSE_RULE,
    STANDARD_FUSE_RULE,
    BeyondTable,
    next_standard_fuse,
)
from telemetry.machine.fit.cables import (
    CABLE_WORDS,
    Cable,
    current_key,
    current_of,
    judge_conductor,
    size_note,
    wiring_of,
)
from telemetry.machine.fit.circuit import short_circuit_current
from telemetry.machine.fit.findings import Finding, amount, judged, unknown, worst
from telemetry.machine.fit.loads import loop_ohm, lowest_resistance
from telemetry.machine.sections import Machine
from telemetry.model.words import capital

FUSE_MARGIN = 1.25
"""A fuse is rated for so many times the steady current (NEC 210.20(A) for continuous loads)."""
COLD_WIRE_C = 20.0

_SIZE_SOURCE = (
    f"fuse at least {FUSE_MARGIN:g} times the steady current (NEC 210.20(A)), at most the conductor's ampacity"
)
INTERRUPTING_MARGIN = 1.2
"""The interrupting rating over the short-circuit current (common practice): resistances are known to some 20 %."""
_INTERRUPTING_SOURCE = (
    f"fuse_interrupting_a at least {INTERRUPTING_MARGIN:g} times the short-circuit current through pack and wire"
)


def fuse_size(machine: Machine) -> Finding:
    """Compare the main fuse with the steady current below it and the conductor above it."""
    return _fuse(machine, "wiring")


def charge_fuse(machine: Machine) -> Finding:
    """Compare the fuse in the cable from the charger with the charger's current and that conductor."""
    return _fuse(machine, "charge_wiring")


def _fuse(machine: Machine, cable: Cable) -> Finding:
    """Judge a fuse from below (the current) and above (the conductor); the worse of both counts."""
    fuse = wiring_of(machine, cable).fuse_a
    if fuse is None:
        note = f"Without a fuse {CABLE_WORDS[cable]} burns in a short circuit: if there is none, fit one at the pack."
        return unknown((cable, "fuse_a"), unit="A", source=_SIZE_SOURCE, note=note)
    return worst([_fuse_above_conductor(machine, cable, fuse), _fuse_below_current(machine, cable, fuse)])


def _fuse_below_current(machine: Machine, cable: Cable, fuse: float) -> Finding:
    current = current_of(machine, cable)
    if current is None:
        return unknown(current_key(cable), unit="A", source=_SIZE_SOURCE)
    least = FUSE_MARGIN * current.amperes
    said = f"the {fuse:g} A fuse for {current.words}"
    if fuse >= least:
        why = f"{said}: at least {FUSE_MARGIN:g} times that, so it does not fatigue."
        return judged("ok", why, _SIZE_SOURCE, value=fuse, limit=least, unit="A")
    verdict = current.against(fuse)
    if verdict == "ok":
        verdict = "caution"
        why = (
            f"{said}: less than {FUSE_MARGIN:g} times, {least:.0f} A. It runs hot, fatigues and blows on a long pull."
        )
    else:
        blows = "may blow" if verdict == "caution" else "blows"
        why = f"{said}: it {blows} in the middle of work, and drive and electric brake are gone."
    return judged(verdict, why + current.remark, _SIZE_SOURCE, value=fuse, limit=least, unit="A")


def _fuse_above_conductor(machine: Machine, cable: Cable, fuse: float) -> Finding:
    wiring = wiring_of(machine, cable)
    try:
        carries = carries_of(wiring)
    except BeyondTable as beyond:
        return judged("unknown", f"unknown: {beyond}", _SIZE_SOURCE, value=fuse, unit="A")
    if carries is None:
        return unknown((cable, "conductor_mm2"), unit="A", source=_SIZE_SOURCE, note=size_note(cable))
    return judge_conductor(
        cable, carries, f"the {fuse:g} A fuse", lambda each: _fuse_over(fuse, each, carries.assumed)
    )


def _fuse_over(fuse: float, carried: Ampacity, assumed: str) -> Finding:
    source = f"{_SIZE_SOURCE}; {carried.source}"
    small = carried.most_fuse_a
    if small is not None and fuse > small:
        why = (
            f"the {fuse:g} A fuse on a conductor for which {small:g} A is the highest allowed: the wire burns first."
        )
        return judged("stop", why + assumed, f"{source}; {SMALL_FUSE_RULE}", value=fuse, limit=small, unit="A")
    said = (
        f"the {fuse:g} A fuse on a conductor that carries {carried.amperes:.3g} A {carried.where} ({carried.words})"
    )
    if fuse <= carried.amperes:
        why = f"{said}: it blows before the conductor overheats."
        return judged("ok", why + assumed, source, value=fuse, limit=carried.amperes, unit="A")
    if carried.amperes > 0 and fuse <= next_standard_fuse(carried.amperes):
        why = f"{said}: the next standard size up, which building rules allow; the size below is the safe one."
        source += f"; {STANDARD_FUSE_RULE}; NEC 240.4(B), from memory"
        return judged("caution", why + assumed, source, value=fuse, limit=carried.amperes, unit="A")
    why = f"{said}: the wire burns before the fuse blows. Fit a smaller fuse or a thicker conductor."
    return judged("stop", why + assumed, source, value=fuse, limit=carried.amperes, unit="A")


def fuse_voltage(machine: Machine) -> Finding:
    """Compare the fuses' DC voltage with a full pack."""
    return worst(_both_cables(machine, "fuse_voltage_v", _one_fuse_voltage))


def fuse_interrupting(machine: Machine) -> Finding:
    """Compare the fuses' interrupting rating with the short-circuit current of a full pack, with 20 % margin."""
    return worst(_both_cables(machine, "fuse_interrupting_a", _one_fuse_interrupting))


def _both_cables(machine: Machine, key: str, judge: Callable[[Machine, Cable], Finding]) -> list[Finding]:
    """Judge the main cable, and the charger's where the file says anything of a fuse there."""
    charge = machine.charge_wiring
    cables: list[Cable] = ["wiring"]
    if charge.fuse_a is not None or getattr(charge, key) is not None:
        cables.append("charge_wiring")
    return [judge(machine, cable) for cable in cables]


def _one_fuse_voltage(machine: Machine, cable: Cable) -> Finding:
    full, words = machine.full_voltage
    rated = wiring_of(machine, cable).fuse_voltage_v
    source = "the fuse's DC rating at or above the highest charge voltage (ISO 8820 for blade fuses, from memory)"
    if rated is None:
        note = (
            f"It must be at least {full:.1f} V DC; blade fuses are commonly rated 32 or 58 V, and an AC "
            "rating does not count."
        )
        return unknown((cable, "fuse_voltage_v"), unit="V", source=source, note=note)
    where = CABLE_WORDS[cable]
    said = f"the fuse on {where} can interrupt {rated:g} V DC; a full pack reaches {full:.1f} V ({words})"
    if rated < full:
        why = f"{said}: the arc may burn on after it blows. Fit one with a higher DC rating."
        return judged("stop", why, source, value=full, limit=rated, unit="V")
    return judged("ok", f"{said}.", source, value=full, limit=rated, unit="V")


def _one_fuse_interrupting(machine: Machine, cable: Cable) -> Finding:
    pack, rated = lowest_resistance(machine), wiring_of(machine, cable).fuse_interrupting_a
    wire = loop_ohm(wiring_of(machine, cable), COLD_WIRE_C)
    source = f"{_INTERRUPTING_SOURCE}; {pack.source}"
    full, _ = machine.full_voltage
    at_end, at_pack = (short_circuit_current(full, pack.ohm, ohm) for ohm in (wire or 0.0, 0.0))
    wired = f" and {amount(1000 * wire, 'mΩ', 2)} of wire" if wire is not None else ""
    said = f"a dead short draws about {amount(at_end, 'A')}: {full:.1f} V over the pack ({pack.words}){wired}"
    if rated is None:
        least = amount(INTERRUPTING_MARGIN * max(at_end, at_pack), "A")
        note = f"{capital(said)}. The fuse must interrupt at least {least} DC at the pack's voltage."
        return unknown((cable, "fuse_interrupting_a"), unit="A", source=source, note=note)
    said += f". The fuse can interrupt {rated:g} A"
    if rated < at_end:
        why = f"{said}: it may burst and go on burning. Fit one with a higher interrupting rating."
        return judged("stop", why, source, value=at_end, limit=rated, unit="A")
    if rated < at_pack:
        why = (
            f"{said}, but a short close behind it draws {amount(at_pack, 'A')}. Fit one with a higher "
            "interrupting rating."
        )
        return judged("caution", why, source, value=at_pack, limit=rated, unit="A")
    if rated < INTERRUPTING_MARGIN * at_end:
        why = f"{said}, less than 20 % above that. Fit one with a higher interrupting rating."
        return judged("caution", why, source, value=at_end, limit=rated / INTERRUPTING_MARGIN, unit="A")
    return judged("ok", f"{said}.", source, value=at_end, limit=rated, unit="A")
