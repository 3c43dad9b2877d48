"""Conductors and connectors: what they carry, what they lose, how warm they get."""

from __future__ import annotations

from telemetry.machine.ampacity import CONDUIT_TABLE, FREE_AIR_TABLE, TERMINATION_RULE, Ampacity, carries_of
from telemetry.machine.conductors import BeyondTable, stated_conductor
from telemetry.machine.fit.cables import (
    CABLE_WORDS,
    Cable,
    current_key,
    current_of,
    judge_conductor,
    size_note,
    wiring_of,
)
from telemetry.machine.fit.circuit import CONNECTOR_RISE_C, temperature_rise
from telemetry.machine.fit.findings import Finding, Verdict, absent, amount, judged, unknown, worst
from telemetry.machine.fit.loads import Current, continuous_current, hot_conductor_c
from telemetry.machine.sections import Machine

DROP_SHARE, DROP_SHARE_TOTAL = 0.03, 0.05
"""Voltage lost in wires, of the nominal: 3 % on a branch, 5 % in all (NEC 210.19(A) and 215.2(A), advisory notes)."""
CONNECTOR_SHARE = 0.8
"""A connector is best loaded to this share of its rating, for crimps and contacts age (common practice, from
memory)."""
DROP_SOURCE = "3 % on a branch, 5 % in all: advisory notes of the NEC"


def conductor_ampacity(machine: Machine) -> Finding:
    """Compare the steady current with what the conductor to the controller carries."""
    return _conductor(machine, "wiring")


def charge_conductor(machine: Machine) -> Finding:
    """Compare the charger's current with what the conductor from the charger carries."""
    return _conductor(machine, "charge_wiring")


def _conductor(machine: Machine, cable: Cable) -> Finding:
    wiring, current = wiring_of(machine, cable), current_of(machine, cable)
    size = [(cable, "conductor_mm2")] if stated_conductor(wiring) is None else []
    keys = [*size, *([] if current is not None else [current_key(cable)])]
    source = f"{FREE_AIR_TABLE}; {CONDUIT_TABLE}"
    try:
        carries = carries_of(wiring)
    except BeyondTable as beyond:
        return judged("unknown", f"unknown: {beyond}", source, unit="A")
    if current is None or carries is None:
        return unknown(*keys, unit="A", source=source, note=size_note(cable) if size else "")

    def judge(carried: Ampacity) -> Finding:
        return _compared(cable, current, carried, carries.assumed)

    return judge_conductor(cable, carries, current.words, judge, current.remark)


def _compared(cable: Cable, current: Current, carried: Ampacity, assumed: str) -> Finding:
    """Judge a current on a conductor and on its ends."""
    why = f"{current.words}; the conductor carries {carried.amperes:.3g} A {carried.where} ({carried.words})"
    source, limit = carried.source, carried.amperes
    verdict = current.against(carried.amperes)
    if verdict != "ok":
        why += f". The insulation {'may overheat' if current.is_bound else 'overheats'}: fit a thicker cable."
        why += current.remark
    elif current.amperes > carried.terminations_a:
        verdict, limit, source = "caution", carried.terminations_a, f"{source}; {TERMINATION_RULE}"
        why += (
            f", but lugs and terminals rated {carried.terminations_c} °C allow only {limit:.3g} A. Fit a "
            "thicker cable, or "
            f"ends rated for more, and state [{cable}] termination_c."
        )
    else:
        why += "."
    return judged(verdict, why + assumed, source, value=current.amperes, limit=limit, unit="A")


def voltage_drop(machine: Machine) -> Finding:
    """Compare the voltage lost in the cable to the controller and back, at steady work, with the usual share."""
    wiring, current = machine.wiring, continuous_current(machine)
    conductor, length = stated_conductor(wiring), wiring.one_way_length_m
    if current is None or conductor is None or length is None:
        keys = {
            current_key("wiring"): current,
            ("wiring", "conductor_mm2"): conductor,
            ("wiring", "one_way_length_m"): length,
        }
        return unknown(*absent(keys), unit="V", source=DROP_SOURCE)
    hot = hot_conductor_c(machine)
    source = f"{DROP_SOURCE}; {conductor.resistance_source}"
    try:
        drop = current.amperes * conductor.loop_ohm(length, hot)
    except BeyondTable as beyond:
        return judged("unknown", f"unknown: {beyond}", source, unit="V")
    nominal = machine.pack.nominal_v
    share = drop / nominal
    why = (
        f"{current.words} through {length:.3g} m of {conductor.label} and back loses {amount(drop, 'V', 2)}, "
        f"{100 * share:.1f} % of {nominal:.1f} V, with the copper at {hot:g} °C."
    )
    verdict: Verdict = "ok" if share <= DROP_SHARE else "caution"
    if share > DROP_SHARE_TOTAL:
        why += (
            " That is wasted as heat and looks to the controller like an empty pack: shorten the cable or "
            "fit a thicker one."
        )
    elif verdict == "caution":
        why += " More than 3 % is wasted: shorten the cable or fit a thicker one."
    if verdict == "caution":
        why += current.remark
    return judged(verdict, why, source, value=drop, limit=DROP_SHARE * nominal, unit="V")


def connector(machine: Machine) -> Finding:
    """Compare the weakest connector, switch or contactor of both cables with the current through it."""
    cables: list[Cable] = ["wiring"]
    if machine.charge_wiring.connector_a is not None:
        cables.append("charge_wiring")
    return worst([_one_connector(machine, cable) for cable in cables])


def _one_connector(machine: Machine, cable: Cable) -> Finding:
    heat = f"heat by the square of the current, {CONNECTOR_RISE_C:g} °C at the rating (UL 1977, from memory)"
    source = f"[{cable}] connector_a; {heat}"
    rated, current = wiring_of(machine, cable).connector_a, current_of(machine, cable)
    if rated is None or current is None:
        keys = {(cable, "connector_a"): rated, current_key(cable): current}
        return unknown(*absent(keys), unit="A", source=source)
    rise = temperature_rise(CONNECTOR_RISE_C, rated, current.amperes)
    where = CABLE_WORDS[cable]
    said = f"{current.words} through a {rated:g} A connector on {where}: it heats up by about {rise:.0f} °C"
    verdict = current.against(rated)
    if verdict != "ok":
        why = f"{said}, and that is above its rating." + current.remark
        return judged(verdict, why, source, value=current.amperes, limit=rated, unit="A")
    if current.amperes > CONNECTOR_SHARE * rated:
        why = f"{said}, within its rating but above 80 % of it. Keep below that: contacts age."
        return judged("caution", why, source, value=current.amperes, limit=rated, unit="A")
    return judged("ok", f"{said}.", source, value=current.amperes, limit=rated, unit="A")
