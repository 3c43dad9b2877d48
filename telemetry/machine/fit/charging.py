"""Charger and pack: voltage a cell, current, the wall, and cold."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.machine.cell_practice import CELL_PRACTICE, FULL_CHARGE_ABOVE_C
from telemetry.machine.chemistry import CELLS_APART_V
from telemetry.machine.fit.circuit import charge_time, wall_energy
from telemetry.machine.fit.findings import Finding, Verdict, absent, amount, at_most, judged, unknown, worst
from telemetry.machine.limits_current import cool_charge_a
from telemetry.machine.limits_voltage import HIGH_WARN_SHARE
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine

CHARGER_EFFICIENCY = 0.90
"""Energy out of a small charger over energy in (common practice, from memory)."""
DAILY_SHARE = 0.8
"""A day's work takes the pack from full to a fifth."""
CONTINUOUS_SHARE = 0.8
"""A load of three hours and more may take this share of a circuit (NEC 210.20(A), from memory)."""
VOLT_A_CELL = "V/cell"
ROUNDING_V = 0.0005
_CELL_HEADROOM_V = 0.02
"""From the charger's voltage a cell to the BMS's cut-off of a cell; common practice, from memory."""
_SHEET = "the maker's cell sheet wins"


def charger_voltage(machine: Machine) -> Finding:
    """Compare the charger's highest voltage, a cell, with what the cells' chemistry tolerates."""
    source = _charge_source(machine)
    charger_v = machine.charger.output_voltage_v
    if charger_v is None:
        return unknown(("charger", "output_voltage_v"), unit=VOLT_A_CELL, source=source)
    cells = machine.pack.cells_in_series
    per_cell = charger_v / cells
    said = f"{charger_v:g} V on {cells} cells is {per_cell:.4g} V a cell"
    by_cell = _by_cell(per_cell, said, machine.pack, source)
    if machine.pack.cell.varies and by_cell.verdict != "stop":
        keys = [("pack", key) for key in ("cell_charge_v", "cell_maximum_v") if getattr(machine.pack, key) is None]
        note = f"Cells of {machine.pack.chemistry} differ from maker to maker: only the cell's own sheet says."
        by_cell = unknown(*keys, unit=VOLT_A_CELL, source=source, note=note)
    return worst([by_cell, *_bms_cut_offs(machine, charger_v)])


def _bms_cut_offs(machine: Machine, charger_v: float) -> list[Finding]:
    """Return what is wrong between the charger and the voltages at which the BMS stops a charge."""
    pack, cells = machine.pack, machine.pack.cells_in_series
    per_cell, found = charger_v / cells, []
    high, cell_high = pack.high_cutoff_v, pack.cell_high_cutoff_v
    every = "The BMS would end every charge, and the cells would never be balanced."
    if high is not None and charger_v > (1 - HIGH_WARN_SHARE) * high:
        most = (1 - HIGH_WARN_SHARE) * high
        near = (
            f"{charger_v:g} V is within 1 % of the {high:g} V at which the BMS stops the charge, and a charger holds "
            f"its voltage to about 1 %. The BMS would end some charges. Set the charger to {at_most(most)} V or less."
        )
        above = f"{charger_v:g} V is above the {high:g} V at which the BMS stops the charge. {every}"
        why = above if charger_v > high else near
        found.append(
            judged("caution", why, "[pack] high_cutoff_v", value=per_cell, limit=high / cells, unit=VOLT_A_CELL)
        )
    if cell_high is not None and per_cell > cell_high - _CELL_HEADROOM_V:
        why = (
            f"{per_cell:.4g} V a cell is less than {1000 * _CELL_HEADROOM_V:.0f} mV below the {cell_high:g} V at "
            "which the BMS stops the charge, and cell voltages differ by more than that near full. Set "
            "the charger to "
            f"{at_most(cells * (cell_high - _CELL_HEADROOM_V))} V or less."
        )
        found.append(
            judged("caution", why, "[pack] cell_high_cutoff_v", value=per_cell, limit=cell_high, unit=VOLT_A_CELL)
        )
    most_cell = pack.cell.maximum_v + 2 * CELLS_APART_V
    if pack.cell.is_lithium and cell_high is not None and cell_high > most_cell:
        why = (
            f"the BMS lets a cell reach {cell_high:g} V before it stops the charge; {pack.cell.name} cells tolerate "
            f"{pack.cell.maximum_v:g} V, and a BMS commonly stops within 0.1 V of that. Correct its setting."
        )
        found.append(
            judged("caution", why, "[pack] cell_high_cutoff_v", value=cell_high, limit=most_cell, unit=VOLT_A_CELL)
        )
    return found


def _charge_source(machine: Machine) -> str:
    cell = machine.pack.cell
    plain = cell.known_from.replace(";", ",")
    return f"charge window of {cell.name} cells, common practice, from memory, with {plain}, {_SHEET}"


@dataclass(frozen=True, slots=True)
class _Words:
    """What a charger's voltage a cell means, by where it lies: ``c`` is the cell, behind the voltage said before."""

    above_all: str
    above_ordinary: str
    below_cells: str
    below_ordinary: str
    within: str


_LITHIUM = _Words(
    ", above the {c.maximum_v:g} V that {c.name} cells tolerate; a lead charger's equalise stage, or a charger for "
    "more cells, does this. Do not connect it.",
    ": the cells tolerate it, but an ordinary charge ends at {c.charge_most_v:g} V. They age faster.",
    ", less than the voltage of a nearly empty cell: this charger cannot charge this pack.",
    ", below the {c.charge_least_v:g} V where an ordinary charge ends: a lead charger's float is like this. It never "
    "fills the pack, never balances the cells, and holds them at that voltage indefinitely.",
    ", within the {c.charge_least_v:g} to {c.charge_most_v:g} V where an ordinary charge ends.",
)
_LEAD = _Words(
    ", above the {c.maximum_v:g} V that {c.name} cells tolerate. Do not connect it.",
    ", above the {c.charge_most_v:g} V where an ordinary charge ends: an equalising charge at best: a few hours, "
    "attended, with good ventilation.",
    ", less than the battery's own voltage: this charger cannot charge it.",
    ", a float: it keeps a full lead battery full, but takes far too long to fill an empty one.",
    ", within the {c.charge_least_v:g} to {c.charge_most_v:g} V where an ordinary charge ends at 25 °C.",
)


def _by_cell(per_cell: float, said: str, pack: Pack, source: str) -> Finding:
    """Judge the charger's voltage a cell by the window in which an ordinary charge ends."""
    cell, least, most = pack.cell, pack.cell.charge_least_v, pack.cell.charge_most_v
    words, empty = (_LITHIUM, cell.knee_v) if cell.is_lithium else (_LEAD, cell.nominal_v)
    verdict: Verdict = "ok"
    why, limit, more = words.within, most, _kinder(per_cell, pack)
    if per_cell > cell.maximum_v + ROUNDING_V:
        verdict, why, limit, more = "stop", words.above_all, cell.maximum_v, ""
    elif per_cell > most + ROUNDING_V:
        verdict, why, limit, more = "caution", words.above_ordinary, most, ""
    elif per_cell < empty:
        verdict, why, limit, more = "stop", words.below_cells, least, ""
    elif per_cell < least - ROUNDING_V:
        verdict, why, limit, more = "caution", words.below_ordinary, least, ""
    said = f"{said}{why.format(c=cell)}{more}"
    return judged(verdict, said, source, value=per_cell, limit=limit, unit=VOLT_A_CELL)


def _kinder(per_cell: float, pack: Pack) -> str:
    """Return the voltage that ages the cells less, as sentences; empty where the charger is there already."""
    gentle, cells = CELL_PRACTICE[pack.chemistry].gentle_charge_v, pack.cells_in_series
    if gentle is None or per_cell <= gentle[1] + ROUNDING_V:
        return ""
    low, high = gentle
    words = (
        f" {low:g} to {high:g} V a cell ({cells * low:.1f} to {cells * high:.1f} V) is gentler: nearly as full, and "
        "the cells age less."
    )
    if per_cell > pack.cell.high_warn_v:
        words += " At this voltage the alarm on high cell voltage warns near the end of each charge."
    return words


def charger_current(machine: Machine) -> Finding:
    """Compare the charger's current with what the pack takes, and say how long a charge lasts."""
    charger, pack = machine.charger, machine.pack
    current, limit = charger.output_current_a, pack.continuous_charge_a
    source = "[pack] continuous_charge_a"
    if current is None or limit is None:
        keys = {("charger", "output_current_a"): current, ("pack", "continuous_charge_a"): limit}
        return unknown(*absent(keys), unit="A", source=source)
    hours = charge_time(pack.capacity_ah, current, CELL_PRACTICE[pack.chemistry].charge_acceptance)
    lasts = f"A charge from empty takes about {hours:.1f} h plus the taper at the end."
    if current > limit:
        why = f"the charger gives {current:g} A; the pack is rated {limit:g} A for charging. Use a smaller charger."
        return judged("stop", why, source, value=current, limit=limit, unit="A")
    why = f"the charger gives {current:g} A, within the pack's charge rating of {limit:g} A. {lasts}"
    return judged("ok", why, source, value=current, limit=limit, unit="A")


def cold_charging(machine: Machine) -> Finding:
    """Check whether the pack refuses to be charged below freezing; braking charges too."""
    cell, cutoff = machine.pack.cell, machine.pack.cold_charge_cutoff_c
    least = cell.charge_low_c
    source = f"charge temperatures of {cell.name} cells: none below {least:g} °C (a summary of cell sheets), {_SHEET}"
    if least < 0:
        source = f"charge temperatures of {cell.name} cells, common practice, from memory, {_SHEET}"
        why = f"{cell.name} cells can be charged down to {least:g} °C, below freezing too."
        if not cell.is_lithium:
            why += " A discharged lead battery freezes and bursts: store it charged."
        return judged("ok", why, source, limit=least, unit="°C")
    slow = _cool_words(machine)
    brakes = machine.vehicle.regenerates is not False and not machine.bench
    too = " Regen counts as charging." if brakes else ""
    harm = f"Charging {cell.name} cells below {least:g} °C damages them permanently."
    if cutoff is None:
        note = f"{harm}{too} Until you know: warm the pack before it is charged.{slow}"
        return unknown(("pack", "cold_charge_cutoff_c"), unit="°C", source=source, note=note)
    if cutoff < least:
        why = f"the BMS blocks charging only below {cutoff:g} °C. {harm}{too}"
        return judged("stop", why, source, value=cutoff, limit=least, unit="°C")
    if machine.vehicle.regenerates:
        why = (
            f"the BMS blocks charging below {cutoff:g} °C, regen included: below that, the electric "
            f"brake is gone at once. Warm the pack first, or switch regen off.{slow}"
        )
        return judged("caution", why, source, value=cutoff, limit=least, unit="°C")
    cool_a = cool_charge_a(machine.pack)
    charger_a = machine.charger.output_current_a
    why = f"the BMS blocks charging below {cutoff:g} °C. {harm}{slow}"
    if cool_a is not None and charger_a is not None and charger_a > cool_a and cutoff < FULL_CHARGE_ABOVE_C:
        refuses = f"The BMS blocks charging below {cutoff:g} °C."
        why = f"the charger gives {charger_a:g} A, too much for a cool pack.{slow} {refuses}"
        return judged("caution", why, f"{_COOL_SOURCE}, {_SHEET}", value=charger_a, limit=cool_a, unit="A")
    return judged("ok", why, source, value=cutoff, limit=least, unit="°C")


_COOL_SOURCE = (
    "charge current between 0 and 10 °C, common practice, from memory: cell sheets reduce it to 0.1 to 0.3 A per Ah"
)


def _cool_words(machine: Machine) -> str:
    """Return the derated charge current in the cold, as a sentence; empty where the cells need none."""
    cool_a, low = cool_charge_a(machine.pack), machine.pack.cell.charge_low_c
    if cool_a is None or low >= FULL_CHARGE_ABOVE_C:
        return ""
    return (
        f" Between {low:g} and {FULL_CHARGE_ABOVE_C:g} °C charge with at most {cool_a:.3g} A, or warm the pack first."
    )


def mains_circuit(machine: Machine) -> Finding:
    """Compare what the charger draws at the wall with the circuit."""
    charger = machine.charger
    source = "NEC 210.20(A), 80 % of a circuit for loads of 3 h and more, from memory, your local code decides"
    power, how = charger.input_power_w, "as stated"
    if power is None and charger.output_voltage_v is not None and charger.output_current_a is not None:
        power = charger.output_voltage_v * charger.output_current_a / CHARGER_EFFICIENCY
        how = f"estimated from its output and {100 * CHARGER_EFFICIENCY:.0f} % efficiency"
    volts, circuit = charger.mains_voltage_v, charger.mains_circuit_a
    if power is None or volts is None or circuit is None:
        keys = {"input_power_w": power, "mains_voltage_v": volts, "mains_circuit_a": circuit}
        return unknown(*absent({("charger", key): value for key, value in keys.items()}), unit="A", source=source)
    drawn, lasting = power / volts, CONTINUOUS_SHARE * circuit
    said = f"the charger draws {drawn:.1f} A at {volts:g} V ({amount(power, 'W')} {how}) from a {circuit:g} A circuit"
    if drawn > circuit:
        why = f"{said}: above its rating. Use another circuit, or a smaller charger."
        return judged("stop", why, source, value=drawn, limit=lasting, unit="A")
    if drawn > lasting:
        why = (
            f"{said}, above the {lasting:.3g} A it may carry for hours. Set the charger to a lower current, or have "
            "an electrician give it a larger circuit; until then plug nothing else into this one."
        )
        return judged("caution", why, source, value=drawn, limit=lasting, unit="A")
    why = f"{said}, within the {lasting:.3g} A it may carry for hours. {_wall_words(machine)}"
    return judged("ok", why, source, value=drawn, limit=lasting, unit="A")


def _wall_words(machine: Machine) -> str:
    """Return what a charge takes from the wall, and costs where a tariff is stated."""
    pack, work = machine.pack, machine.work
    battery = CELL_PRACTICE[pack.chemistry].energy_efficiency
    kwh = wall_energy(pack.nominal_v * pack.capacity_ah, DAILY_SHARE, CHARGER_EFFICIENCY, battery) / 1000
    cost = f", {kwh * work.tariff_per_kwh:.2f} {work.currency or ''}".rstrip() if work.tariff_per_kwh else ""
    return f"A charge from 20 % to 100 % takes about {kwh:.3g} kWh from the wall{cost}."
