"""The motor controller and the pack: its window, its capacitors, its braking, and who stops first."""

from __future__ import annotations

import math
from itertools import pairwise

from telemetry.machine.fit.circuit import fill_time
from telemetry.machine.fit.findings import Finding, Verdict, absent, amount, judged, unknown, worst
from telemetry.machine.fit.loads import (
    controller_bound,
    lowest_resistance,
    pack_resistance,
    wire_loop_ohm,
)
from telemetry.machine.fit.pulls import braking_pull
from telemetry.machine.limits import limits_for
from telemetry.machine.sections import Machine

_SOURCE = "[machine] converter_min_v and converter_max_v; headroom of 5 % for regen, common practice, from memory"
LONGEST_TIME_CONSTANT_S = 2.0
"""A pre-charge with this time constant takes ten seconds to fill; nobody waits longer (common practice, from "
"memory)."""
HEADROOM = 1.05
"""The controller's highest voltage over that of a full pack which brakes (common practice, from memory)."""
TOLERANCE = 1.01
"""How far apart two cut-offs must be for one to come first: each holds its voltage to about 1 % (common
practice)."""
FOLDBACK_ROUNDING_V = 0.05
_MINIMUM_SOURCE = "BMS cut-off below the controller's; knee of the voltage curve, common practice"
_ORDER_SOURCE = "warning, fold-back, controller, BMS: common practice, from memory"


def lowest_pack_v(machine: Machine) -> tuple[float, str]:
    """Return the voltage at which the BMS stops the discharge, V, and how it is known."""
    pack = machine.pack
    if pack.low_cutoff_v is not None:
        return pack.low_cutoff_v, "BMS cut-off"
    least = pack.cells_in_series * pack.cell.minimum_v
    return least, f"{pack.cells_in_series} cells at {pack.cell.minimum_v:g} V"


def controller_minimum(machine: Machine) -> Finding:
    """Compare the controller's cut-off with the BMS's and with the knee of the cells' curve."""
    minimum = machine.vehicle.minimum_voltage_v
    pack, cell = machine.pack, machine.pack.cell
    source = f"{_MINIMUM_SOURCE} ({cell.known_from.replace(';', ',')})"
    if minimum is None:
        return unknown(("machine", "minimum_voltage_v"), unit="V", source=source)
    cells = pack.cells_in_series
    per_cell = minimum / cells
    own, words = lowest_pack_v(machine)
    said = f"the controller cuts out at {minimum:g} V, {per_cell:.3g} V a cell"
    if minimum < own and not cell.is_lithium:
        why = f"{said}, below {own:.3g} V ({words}): too deep for lead-acid. Stop at the low-voltage warning."
        return judged("caution", why, source, value=minimum, limit=own, unit="V")
    if minimum < own:
        why = (
            f"{said}, below {own:.3g} V ({words}): an empty pack switches everything off at once, drive and "
            "electric brake too. Raise the controller's cut-off."
        )
        return judged("stop", why, source, value=minimum, limit=own, unit="V")
    if cell.is_lithium and minimum < TOLERANCE * own and pack.low_cutoff_v is not None:
        least = math.ceil(10 * max(TOLERANCE * own, cells * cell.low_warn_v) - 1e-6) / 10
        why = (
            f"{said}, within 1 % of the {own:.3g} V at which the BMS trips: either may come first, and if the BMS "
            "does, drive and electric brake are gone at once. Raise the controller's cut-off to "
            f"{least:.1f} V or more."
        )
        return judged("caution", why, source, value=minimum, limit=TOLERANCE * own, unit="V")
    if per_cell > cell.nominal_high_v:
        why = f"{said}, as high as a well-charged pack: the machine will hardly run. Fit more cells."
        return judged("stop", why, source, value=minimum, limit=cells * cell.knee_v, unit="V")
    if cell.is_lithium and per_cell < cell.low_warn_v:
        early = cells * cell.low_warn_v
        why = (
            f"{said}: that is almost empty. There the voltage falls within moments, the weakest cell first. "
            f"Raise it to {early:.1f} V or more, or stop at the low-voltage warning."
        )
        return judged("caution", why, source, value=minimum, limit=early, unit="V")
    if per_cell > cell.knee_v + 1e-9:
        why = (
            f"{said}, above the knee at {cell.knee_v:g} V: it stops with charge left, and on a hard pull "
            "with a lot left."
        )
        return judged("caution", why, source, value=minimum, limit=cells * cell.knee_v, unit="V")
    why = f"{said}: not below {own:.3g} V ({words}), and with little charge left."
    return judged("ok", why, source, value=minimum, limit=own, unit="V")


def controller_maximum(machine: Machine) -> Finding:
    """Compare a full pack with the controller's highest voltage."""
    maximum, full_words = machine.vehicle.maximum_voltage_v, machine.full_voltage
    source = "the controller's highest voltage, [machine] maximum_voltage_v"
    full, words = full_words
    if maximum is None:
        return unknown(
            ("machine", "maximum_voltage_v"), unit="V", source=source, note=f"A full pack reaches {full:.1f} V."
        )
    said = f"a full pack reaches {full:.1f} V ({words}); the controller tolerates at most {maximum:g} V"
    if full <= maximum:
        return judged("ok", f"{said}.", source, value=full, limit=maximum, unit="V")
    charger_v = machine.charger.output_voltage_v
    if charger_v is not None and charger_v <= maximum and machine.vehicle.regenerates is False:
        why = (
            f"{said}. The charger ends at {charger_v:g} V and braking does not charge, so the pack does not "
            "get there in use."
        )
        return judged("caution", why, source, value=full, limit=maximum, unit="V")
    why = f"{said}: it refuses to run, or is destroyed. Use fewer cells or another controller."
    return judged("stop", why, source, value=full, limit=maximum, unit="V")


def precharge(machine: Machine) -> Finding:
    """Check the inrush into the controller's capacitors, and the resistor that should limit it."""
    vehicle = machine.vehicle
    source = "time constant R times C, full within 1 % after five of them, ten seconds at most: from memory"
    full, _ = machine.full_voltage
    bare_ohm = lowest_resistance(machine).ohm + (wire_loop_ohm(machine, 20.0) or 0.0)
    trips = ", and the BMS may take it for a short circuit and trip" if machine.pack.cell.is_lithium else ""
    bare = (
        f"Without pre-charge the inrush reaches {amount(full / bare_ohm, 'A')}: it sparks and pits the "
        f"contacts{trips}."
    )
    if vehicle.controller_capacitance_uf is None or vehicle.precharge_ohm is None:
        keys = [
            ("machine", key)
            for key in ("controller_capacitance_uf", "precharge_ohm")
            if getattr(vehicle, key) is None
        ]
        return unknown(*keys, unit="s", source=source, note="" if machine.bench else bare)
    farad, ohm = vehicle.controller_capacitance_uf / 1e6, vehicle.precharge_ohm
    constant = fill_time(ohm, farad)
    joule = 0.5 * farad * full**2
    said = (
        f"{ohm:g} Ω charges {vehicle.controller_capacitance_uf:g} µF with a time constant of "
        f"{amount(constant, 's', 2)}, so wait {amount(5 * constant, 's', 2)}; the resistor sees "
        f"{amount(full / ohm, 'A', 2)} at first and {amount(joule, 'J', 2)} each time."
    )
    limit_a = machine.pack.peak_discharge_a or machine.pack.continuous_discharge_a
    if limit_a is not None and full / ohm > limit_a:
        why = f"{said} That is above the pack's rated {limit_a:g} A: the BMS may trip. Use a higher resistance."
        return judged("caution", why, source, value=constant, limit=LONGEST_TIME_CONSTANT_S, unit="s")
    if constant > LONGEST_TIME_CONSTANT_S:
        why = f"{said} Nobody waits that long, and a switch closed early sparks. Use a lower resistance."
        return judged("caution", why, source, value=constant, limit=LONGEST_TIME_CONSTANT_S, unit="s")
    return judged("ok", said, source, value=constant, limit=LONGEST_TIME_CONSTANT_S, unit="s")


def regeneration(machine: Machine) -> Finding:
    """Check braking into a full pack: the BMS disables charge, the controller's voltage jumps, braking is lost."""
    source = "pack voltage while braking against the BMS cut-off, headroom of 5 %, common practice, from memory"
    vehicle, pack = machine.vehicle, machine.pack
    if vehicle.regenerates is None:
        return unknown(("machine", "regenerates"), unit="V", source=source)
    if not vehicle.regenerates:
        return judged("ok", "braking does not charge this pack.", source, unit="V")
    if pack.continuous_charge_a is None:
        return unknown(("pack", "continuous_charge_a"), unit="V", source=source, note="Braking charges the pack.")
    open_v, words = machine.full_voltage
    rested = machine.charger.output_voltage_v or pack.cells_in_series * pack.cell.charge_v
    amperes = vehicle.braking_current_a or pack.continuous_charge_a
    braking = rested + amperes * pack_resistance(machine).ohm
    gone = "the BMS disables charge, the controller's voltage jumps and the electric brake is gone"
    advice = "Have a mechanical brake, do not charge fully before a descent, and set a low braking current."
    said = f"braking with {amperes:g} A raises a full pack to {braking:.1f} V"
    found: list[Finding] = []
    verdict: Verdict = "caution" if braking > open_v else "ok"
    why = f"{said}, limit {open_v:.1f} V ({words})"
    why += (
        f": {gone}. {advice}"
        if verdict == "caution"
        else "; below freezing, or with a fuller pack, the BMS still disables charge."
    )
    found.append(judged(verdict, why, source, value=braking, limit=open_v, unit="V"))
    maximum = vehicle.maximum_voltage_v
    if maximum is None:
        found.append(unknown(("machine", "maximum_voltage_v"), unit="V", source=source))
    elif maximum < HEADROOM * open_v:
        left = f"{amount(maximum - open_v, 'V', 2)} of headroom" if maximum > open_v else "no headroom"
        why = (
            "if the BMS disables charge while braking, the controller's voltage jumps. The pack reaches "
            f"{open_v:.1f} V "
            f"and the controller tolerates at most {maximum:g} V: {left}. {advice}"
        )
        found.append(judged("caution", why, source, value=HEADROOM * open_v, limit=maximum, unit="V"))
    if vehicle.braking_current_a is not None:
        found.insert(0, braking_pull(machine, vehicle.braking_current_a))
        return worst(found)
    bound = controller_bound(machine)
    if bound is not None and bound.amperes > pack.continuous_charge_a:
        why = (
            f"{said}, and the controller could brake with {bound.words}: above {pack.continuous_charge_a:g} A "
            f"{gone}. State [machine] braking_current_a and braking_s as set in the controller. {advice}"
        )
        source_a = "[pack] continuous_charge_a"
        found.append(judged("caution", why, source_a, value=bound.amperes, limit=pack.continuous_charge_a, unit="A"))
    return worst(found)


def cut_off_order(machine: Machine) -> Finding:
    """Check that the warning comes first, then the fold-back, then the controller's cut-off, and the BMS last."""
    vehicle, pack, cell = machine.vehicle, machine.pack, machine.pack.cell
    warn = next((limit.warn for limit in limits_for(machine) if limit.name == "pack-voltage-low"), None)
    stated = {
        ("machine", "foldback_voltage_v"): vehicle.foldback_voltage_v,
        ("machine", "minimum_voltage_v"): vehicle.minimum_voltage_v,
        ("pack", "low_cutoff_v"): pack.low_cutoff_v,
    }
    names = {
        "foldback_voltage_v": "fold-back",
        "minimum_voltage_v": "controller cut-off",
        "low_cutoff_v": "BMS cut-off",
    }
    steps = [("warning", warn), *((names[key], volts) for (_, key), volts in stated.items())]
    known = [(name, volts) for name, volts in steps if volts is not None]
    listed = ", ".join(f"{name} {volts:.1f} V" for name, volts in known)
    for (first, above), (second, below) in pairwise(known):
        if above < below:
            why = (
                f"the {second} ({below:.1f} V) comes before the {first} ({above:.1f} V). The right order, from high "
                f"to low: warning, fold-back, controller cut-off, BMS cut-off. Here: {listed}."
            )
            return judged("caution", why, _ORDER_SOURCE, value=below, limit=above, unit="V")
    if warn is None:
        why = f"no low-voltage warning comes before the machine stops. Here: {listed or 'nothing is stated'}."
        return judged("caution", why, _ORDER_SOURCE, unit="V")
    lacking = absent(stated)
    if not cell.is_lithium:  # a lead battery has no electronics that stop it
        lacking = [key for key in lacking if key[0] != "pack"]
    if lacking:
        return unknown(*lacking, unit="V", source=_ORDER_SOURCE)
    return _foldback(machine, vehicle.foldback_voltage_v or 0.0, listed, cell.low_warn_v, cell.knee_v)


def _foldback(machine: Machine, foldback: float, listed: str, low_warn: float, knee: float) -> Finding:
    """Judge where the fold-back lies: between halfway up to the knee of the curve and the knee."""
    cells = machine.pack.cells_in_series
    per_cell, low, high = foldback / cells, (low_warn + knee) / 2, knee
    best = f"{low:.2f} to {high:.2f} V a cell, {cells * low:.1f} to {cells * high:.1f} V"
    if low - FOLDBACK_ROUNDING_V <= per_cell <= high + FOLDBACK_ROUNDING_V:
        stop = machine.vehicle.minimum_voltage_v
        return judged("ok", f"in order: {listed}.", _ORDER_SOURCE, value=foldback, limit=stop, unit="V")
    where = "late" if per_cell < low else "early"
    why = f"in order ({listed}), but the fold-back at {per_cell:.2f} V a cell comes {where}. Set it to about {best}."
    return judged("caution", why, _ORDER_SOURCE, value=foldback, limit=cells * low, unit="V")


def converter_input(machine: Machine) -> Finding | None:
    """Compare the converter's input range with the pack's window; None where the file states no converter."""
    vehicle = machine.vehicle
    low, high = vehicle.converter_min_v, vehicle.converter_max_v
    if low is None and high is None:
        return None
    found = [_at_the_top(machine, high), _at_the_bottom(machine, low)]
    return worst(found)


def _at_the_top(machine: Machine, high: float | None) -> Finding:
    full, words = machine.full_voltage
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
