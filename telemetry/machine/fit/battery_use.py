"""What the change of battery means in use: rest, the old gauge, ballast, and energy."""

from __future__ import annotations

from telemetry.machine.cell_practice import CELL_PRACTICE
from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.fit.circuit import peukert_capacity, usable_energy
from telemetry.machine.fit.findings import Finding, amount, judged, unknown
from telemetry.machine.fit.loads import estimated_mohm, mean_pack_v, pack_resistance
from telemetry.machine.sections import Machine

WINTER_DAYS = 150.0
"""Five months without use; a pack should outlast them from where it is stored."""
STORED_SHARE = 0.5
"""Lithium cells age least near half full; a lead battery is stored full."""
LEAD_WH_PER_KG = 40.0
LITHIUM_WH_PER_KG = 110.0
"""Rated energy over weight of whole batteries (common practice, from memory), good to a quarter."""
BALLAST_SHARE = 0.05
"""A change of weight by this share of the machine is felt in traction and balance (common practice, from memory)."""
_PER_KG = f"lead {LEAD_WH_PER_KG:g} and lithium {LITHIUM_WH_PER_KG:g} Wh/kg"
_HOLD = "Bolt or strap the pack so that it cannot move, however the machine tips."
LESS_ENERGY = 0.8
HOURS_A_DAY, DAYS_A_MONTH = 24.0, 30.0
_PREVIOUS = (
    ("machine", "previous_chemistry"),
    ("machine", "previous_cells_in_series"),
    ("machine", "previous_capacity_ah"),
)


def storage(machine: Machine) -> Finding:
    """Say in how many days what is left on empties a stored pack."""
    pack, standby = machine.pack, machine.vehicle.standby_current_a
    practice = CELL_PRACTICE[pack.chemistry]
    loss = f"self-discharge of {100 * practice.monthly_loss:.0f} % a month"
    source = f"{loss} and five months' rest, common practice, from memory"
    if standby is None:
        return unknown(("machine", "standby_current_a"), unit="days", source=source)
    share, level = (STORED_SHARE, "half full") if pack.cell.is_lithium else (1.0, "full")
    own = pack.capacity_ah * practice.monthly_loss / DAYS_A_MONTH
    days = share * pack.capacity_ah / (HOURS_A_DAY * standby + own)
    said = f"stored {level}, {1000 * standby:g} mA standby and self-discharge empty the pack in about {days:.0f} days"
    if days >= WINTER_DAYS:
        return judged("ok", f"{said}.", source, value=days, limit=WINTER_DAYS, unit="days")
    care = (
        "Store it near half full, unplugged, and check it every month"
        if pack.cell.is_lithium
        else "Store it full, unplugged, and charge it every month"
    )
    why = f"{said}, less than a winter. {care}. A fully discharged pack may not recover."
    return judged("caution", why, source, value=days, limit=WINTER_DAYS, unit="days")


def old_gauge(machine: Machine) -> Finding:
    """Check whether a gauge made for another chemistry is still in use."""
    vehicle, pack = machine.vehicle, machine.pack
    source = "shape of the voltage curves, common practice"
    if vehicle.keeps_old_gauge is None:
        return unknown(("machine", "keeps_old_gauge"), unit="", source=source)
    if not vehicle.keeps_old_gauge:
        return judged("ok", "the old gauge is not in use.", source)
    if vehicle.previous_chemistry is None:
        return unknown(("machine", "previous_chemistry"), unit="", source=source)
    if vehicle.previous_chemistry == pack.chemistry:
        return judged("ok", f"the gauge was made for {pack.cell.title} too.", source)
    old = CHEMISTRIES[vehicle.previous_chemistry].title
    why = (
        f"a gauge made for {old} misreads {pack.cell.title}: the new pack's voltage hardly falls until it is nearly "
        "empty, so it shows plenty until the end. Cover it, or fit a coulomb counter."
    )
    return judged("caution", why, source)


def mass(machine: Machine) -> Finding:
    """Say how much weight the change of battery took away or added, and what that does to the axles."""
    vehicle, pack = machine.vehicle, machine.pack
    source = f"{100 * BALLAST_SHARE:.0f} % of the machine's weight is noticeable: common practice, from memory"
    before = _previous_mass(machine)
    if before is None or pack.mass_kg is None or vehicle.mass_kg is None:
        lacking = [("pack", "mass_kg")] if pack.mass_kg is None else []
        lacking += [("machine", key) for key in ("previous_mass_kg", "mass_kg") if getattr(vehicle, key) is None]
        if before is not None:
            lacking = [key for key in lacking if key[1] != "previous_mass_kg"]
        return unknown(*lacking, unit="kg", source=source)
    old_kg, estimated = before
    if estimated:
        source = f"old battery by its rated energy, {_PER_KG}, common practice, from memory; {source}"
    change, felt = pack.mass_kg - old_kg, BALLAST_SHARE * vehicle.mass_kg
    said = f"the new pack weighs {pack.mass_kg:g} kg, the old battery {old_kg:.3g} kg{estimated}"
    if abs(change) <= felt:
        return judged("ok", f"{said}: hardly noticeable. {_HOLD}", source, value=change, limit=felt, unit="kg")
    if change > 0:
        why = f"{said}: the axles and tyres carry more. Check their ratings. {_HOLD}"
        return judged("caution", why, source, value=change, limit=felt, unit="kg")
    why = (
        f"{said}: the axle below it carries less, so it brakes, steers or pulls less, and the centre of gravity "
        f"moves. Put ballast where the old battery was, and test it on a gentle slope first. {_HOLD}"
    )
    return judged("caution", why, source, value=change, limit=-felt, unit="kg")


def _previous_mass(machine: Machine) -> tuple[float, str] | None:
    """Return the weight of the old battery, kg, and a remark where it is estimated; None where nothing says."""
    vehicle = machine.vehicle
    if vehicle.previous_mass_kg is not None:
        return vehicle.previous_mass_kg, ""
    chemistry, cells, capacity = (getattr(vehicle, key) for _, key in _PREVIOUS)
    if chemistry is None or cells is None or capacity is None:
        return None
    cell = CHEMISTRIES[chemistry]
    per_kg = LITHIUM_WH_PER_KG if cell.is_lithium else LEAD_WH_PER_KG
    return cells * cell.nominal_v * capacity / per_kg, " (estimated)"


def energy(machine: Machine) -> Finding:
    """Compare what old and new battery give in a day's work: Peukert's law, voltage less sag, usual depth."""
    vehicle, pack = machine.vehicle, machine.pack
    now = CELL_PRACTICE[pack.chemistry]
    source = (
        "Peukert's law from the 20-hour rating for lead, mean open-circuit voltage less sag, usual depth of use: "
        "common practice, from memory "
        f"({100 * now.usable_share:.0f} % of {pack.cell.name}); at least four fifths of the old"
    )
    lacking = [key for key in (*_PREVIOUS, ("machine", "continuous_current_a")) if getattr(vehicle, key[1]) is None]
    current, chemistry = vehicle.continuous_current_a, vehicle.previous_chemistry
    cells, capacity = vehicle.previous_cells_in_series, vehicle.previous_capacity_ah
    if current is None or chemistry is None or cells is None or capacity is None:
        return unknown(*lacking, unit="Wh", source=source)
    new = usable_energy(pack.chemistry, mean_pack_v(pack), pack_resistance(machine).ohm, pack.capacity_ah, current)
    practice = CELL_PRACTICE[chemistry]
    old_ohm = estimated_mohm(practice.high_resistance, cells, capacity) / 1000
    old = usable_energy(chemistry, cells * practice.mean_open_v, old_ohm, capacity, current)
    gave = peukert_capacity(capacity, current, practice.peukert)
    times = f", {new / old:.2g} times that" if old > 0 else ""  # it gave nothing where it sagged to nothing
    said = (
        f"at {current:g} A the old {capacity:g} Ah gave {gave:.0f} Ah, of which "
        f"{100 * practice.usable_share:.0f} % used "
        f"daily, about {amount(old, 'Wh', 2)}; the new pack gives about {amount(new, 'Wh', 2)}{times}"
    )
    if new > 0 and new >= LESS_ENERGY * old:
        return judged("ok", f"{said}.", source, value=new, limit=LESS_ENERGY * old, unit="Wh")
    why = f"{said}: a shorter day than before."
    return judged("caution", why, source, value=new, limit=LESS_ENERGY * old, unit="Wh")
