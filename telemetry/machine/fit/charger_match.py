"""The battery that the charger is made for, by its nameplate, against the pack; and its equalise stage."""

from __future__ import annotations

from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.fit.charging import ROUNDING_V, VOLT_A_CELL
from telemetry.machine.fit.findings import Finding, judged, unknown, worst
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.machine.vehicle_keys import LEAD_ACID

_MATCH_SOURCE = "the charger's nameplate, equalise stage of lead-acid chargers common practice, from memory"
_MEASURE_EQUALISE = (
    "A lead-acid charger may equalise: some hours at a higher voltage, often only at every tenth charge. Look for "
    "that stage in the charger's manual or settings and switch it off. To measure it, charge the old lead battery, "
    "never this pack: put a voltmeter that holds its maximum across the battery until the charger has ended, and "
    "write the highest voltage as [charger] equalise_voltage_v."
)


def charger_match(machine: Machine) -> Finding:
    """Compare the battery that the charger is made for, by its nameplate, with the pack."""
    charger, pack, cell = machine.charger, machine.pack, machine.pack.cell
    made, made_cells, equalise = charger.made_for_chemistry, charger.made_for_cells, charger.equalise_voltage_v
    found: list[Finding] = []
    if made is not None and made_cells is not None:
        found.append(_made_for_cells(made, made_cells, pack, judges=charger.output_voltage_v is None))
    if made is not None and _is_lead(made) and equalise is None and pack.chemistry != "lead-flooded":
        found.append(judged("caution", f"{_made_for(made, pack)} {_MEASURE_EQUALISE}", _MATCH_SOURCE))
    elif made is not None and not _same_chemistry(made, pack.chemistry):
        why = (
            f"{_made_for(made, pack)} Its stages and its end-of-charge voltage are for other cells. Use one "
            f"for {cell.name}."
        )
        found.append(judged("caution", why, _MATCH_SOURCE))
    if equalise is not None:
        found.append(_equalise(equalise, pack))
    lacking = [("charger", key) for key in ("made_for_chemistry", "made_for_cells") if getattr(charger, key) is None]
    if lacking:
        note = "A charger kept from a lead battery may have an equalise stage that overcharges this pack."
        found.append(unknown(*lacking, unit="", source=_MATCH_SOURCE, note=note if cell.is_lithium else ""))
    why = f"the charger is made for {made_cells} {made} cells, and so is the pack."
    return worst([*found, judged("ok", why, _MATCH_SOURCE)])


def _is_lead(chemistry: str) -> bool:
    return chemistry == LEAD_ACID or not CHEMISTRIES[chemistry].is_lithium


def _same_chemistry(made: str, chemistry: str) -> bool:
    return made == chemistry or (made == LEAD_ACID and not CHEMISTRIES[chemistry].is_lithium)


def _made_for(made: str, pack: Pack) -> str:
    if _same_chemistry(made, pack.chemistry):
        return f"the charger is made for {made}."
    return f"the charger is made for {made}, and the pack is {pack.chemistry}."


def _equalise(equalise: float, pack: Pack) -> Finding:
    cell, per_cell = pack.cell, equalise / pack.cells_in_series
    said = f"the charger equalises at {equalise:g} V, {per_cell:.4g} V a cell"
    if per_cell > cell.maximum_v + ROUNDING_V:
        why = (
            f"{said}, above the {cell.maximum_v:g} V that {cell.name} cells tolerate. Switch that stage off, or use "
            "another charger."
        )
        return judged("stop", why, _MATCH_SOURCE, value=per_cell, limit=cell.maximum_v, unit=VOLT_A_CELL)
    if cell.is_lithium:
        why = f"{said}. The cells tolerate it, but a lithium pack needs no such stage. Switch it off."
        return judged("caution", why, _MATCH_SOURCE, value=per_cell, limit=cell.maximum_v, unit=VOLT_A_CELL)
    return judged("ok", f"{said}.", _MATCH_SOURCE, value=per_cell, limit=cell.maximum_v, unit=VOLT_A_CELL)


def _made_for_cells(made: str, made_cells: int, pack: Pack, *, judges: bool) -> Finding:
    """Judge the number of cells; ``judges``: no output voltage is stated, so only this shows the voltage."""
    row, cell = CHEMISTRIES["lead-flooded" if made == LEAD_ACID else made], pack.cell
    per_cell = made_cells * row.charge_least_v / pack.cells_in_series
    has = f"the pack has {pack.cells_in_series} {pack.chemistry} cells"
    said = f"the charger is made for {made_cells} {made} cells and {has}"
    if judges and per_cell > cell.maximum_v + ROUNDING_V:
        why = (
            f"{said}: it charges to {per_cell:.2f} V a cell or more, above the {cell.maximum_v:g} V that they "
            "tolerate. Do not connect it."
        )
        return judged("stop", why, _MATCH_SOURCE, value=per_cell, limit=cell.maximum_v, unit=VOLT_A_CELL)
    if _same_chemistry(made, pack.chemistry) and made_cells != pack.cells_in_series:
        why = f"{said}. Measure its voltage without load before you connect it, or use a charger made for this pack."
        return judged("caution", why, _MATCH_SOURCE)
    return judged("ok", f"{said}.", _MATCH_SOURCE)
