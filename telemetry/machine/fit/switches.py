"""Contactor, main switch and emergency switch: the voltage and the current that they can interrupt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from telemetry.machine.fit.cables import CABLE_WORDS, Cable, current_of, wiring_of
from telemetry.machine.fit.findings import Finding, judged, unknown, worst
from telemetry.machine.fit.loads import Current, controller_bound, nearly_empty_v, peak
from telemetry.machine.sections import Machine

_SOURCE = "the switch's own DC ratings against full voltage and highest current (IEC 60947-4-1, from memory)"
_NAMES = {"contactor": "contactor or main switch", "emergency_switch": "emergency switch"}
_NEED = "An AC rating does not count: DC has no zero crossing to put the arc out."


def switches(machine: Machine) -> Finding:
    """Compare each switch in the battery cable with full voltage and the highest current while it opens."""
    found = [each for cable in ("wiring", "charge_wiring") for each in _stated(machine, cable)]
    if found:
        decided = worst(found)
        return replace(decided, why=" ".join(each.why for each in found)) if decided.verdict == "ok" else decided
    keys = (("wiring", "contactor_voltage_v"), ("wiring", "contactor_breaking_a"))
    note = (
        f"It must interrupt {machine.full_voltage[0]:.1f} V DC at the highest "
        f"current{_current_words(highest_currents(machine))}. {_NEED}"
    )
    return unknown(*keys, unit="A", source=_SOURCE, note=note)


def highest_currents(machine: Machine) -> list[Current]:
    """Return the highest currents in the cable to the controller, short circuits aside: the known one and the bound.

    The highest of the stated and derived currents is known; the controller's rating is a bound, and so is the pack's
    peak where nothing else is stated. The highest comes first; empty where the file says nothing.
    """
    vehicle, pack = machine.vehicle, machine.pack
    drawn = peak(machine, nearly_empty_v(machine))
    known = [
        Current(amperes, f"{amperes:g} A {words}")
        for amperes, words in (
            (vehicle.continuous_current_a, "continuous"),
            (vehicle.hill_current_a, "on the longest hard pull"),
            (vehicle.implement_start_a, "while the implement starts"),
            (vehicle.braking_current_a, "while braking"),
        )
        if amperes is not None
    ]
    if drawn is not None and not drawn.highest.is_bound:
        known.append(drawn.highest)
    found = sorted(known, key=lambda current: -current.amperes)[:1]
    bound = controller_bound(machine)
    if bound is not None:
        found.append(bound)
    if not found and pack.peak_discharge_a is not None:
        found.append(Current(pack.peak_discharge_a, f"up to the pack's rated {pack.peak_discharge_a:g} A", True))
    return sorted(found, key=lambda current: -current.amperes)


def _stated(machine: Machine, cable: Cable) -> Iterator[Finding]:
    """Judge the switches of which the file states a rating; the main one in the cable to the controller."""
    wiring = wiring_of(machine, cable)
    charging = current_of(machine, cable)
    currents = highest_currents(machine) if cable == "wiring" else [charging] if charging else []
    for name, words in _NAMES.items():
        volts, amperes = getattr(wiring, f"{name}_voltage_v"), getattr(wiring, f"{name}_breaking_a")
        if volts is None and amperes is None:
            main = (cable, name) == ("wiring", "contactor")
            if not main or (wiring.emergency_switch_voltage_v is None and wiring.emergency_switch_breaking_a is None):
                continue
            keys = ((cable, "contactor_voltage_v"), (cable, "contactor_breaking_a"))
            yield unknown(*keys, unit="A", source=_SOURCE, note=_NEED)
            continue
        said = f"The {words} on {CABLE_WORDS[cable]}"
        yield _voltage(machine, (cable, f"{name}_voltage_v"), volts, said)
        yield _breaking(currents, (cable, f"{name}_breaking_a"), amperes, said)


def _voltage(machine: Machine, key: tuple[str, str], rated: float | None, said: str) -> Finding:
    full, words = machine.full_voltage
    if rated is None:
        return unknown(key, unit="V", source=_SOURCE, note=f"It must be at least {full:.1f} V DC. {_NEED}")
    why = f"{said} can interrupt {rated:g} V DC; a full pack reaches {full:.1f} V ({words})."
    if rated < full:
        why += " The arc may burn on after it opens: fit one with a higher DC rating."
        return judged("stop", why, _SOURCE, value=full, limit=rated, unit="V")
    return judged("ok", why, _SOURCE, value=full, limit=rated, unit="V")


def _breaking(currents: list[Current], key: tuple[str, str], rated: float | None, said: str) -> Finding:
    if rated is None:
        note = f"It must interrupt the highest current{_current_words(currents)}. {_NEED}"
        return unknown(key, unit="A", source=_SOURCE, note=note)
    if not currents:
        lacking = ("machine", "controller_current_a") if key[0] == "wiring" else ("charger", "output_current_a")
        return unknown(lacking, unit="A", source=_SOURCE)
    return worst(_one_breaking(current, rated, said) for current in currents)


def _one_breaking(current: Current, rated: float, said: str) -> Finding:
    why = f"{said} can interrupt {rated:g} A; the highest current while it opens is {current.words}."
    verdict = current.against(rated)
    if verdict == "ok":
        why += " Short circuits are the fuse's job."
    else:
        why += (
            " It may weld shut or burn, and then nothing switches the machine off: fit one with a higher "
            "breaking rating."
        )
    return judged(verdict, why, _SOURCE, value=current.amperes, limit=rated, unit="A")


def _current_words(currents: list[Current]) -> str:
    return f", {currents[0].words}" if currents else ""
