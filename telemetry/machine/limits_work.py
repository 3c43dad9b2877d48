"""Limits for the charge left for the work, for charging a cold or hot pack, and for the ageing of the pack."""

from __future__ import annotations

from telemetry.machine.cell_practice import FULL_CHARGE_ABOVE_C
from telemetry.machine.limits_current import cool_charge_a
from telemetry.machine.limits_frame import Frame, Ground, Limit
from telemetry.machine.sections import missing

LITHIUM_WARN, LITHIUM_TRIP = 20.0, 10.0
LEAD_WARN, LEAD_TRIP = 50.0, 20.0
"""State of charge, %: lithium packs are commonly used down to 20 %, and fall away below 10 %; lead wears fast below
half. Common practice, from memory."""
RESERVE_SHARE = 0.1
"""Share of a full pack that the plan should leave over: for the way home. Ours."""
LEFT_ON_WARN_MIN, LEFT_ON_TRIP_MIN = 60.0, 240.0
"""Iron phosphate is not floated for hours (common practice); one hour leaves room for balancing. Ours."""
CHANGE_WARN, CHANGE_TRIP = 25.0, 50.0
"""Percent above this machine's own earlier sessions. A lithium cell counts as worn out at twice its resistance when
new (common practice, from memory); within one season a quarter more is a lug, a link or a cell to look at."""
CHARGE_C_RATE = 0.01
CHARGE_AT_LEAST_A = 0.5
"""Above the offset of a shunt: 1 % of the capacity per hour, at least 0.5 A. Ours."""


def _soc_low(on: Ground) -> Limit | str:
    lithium = on.machine.pack.cell.is_lithium
    warn, trip = (LITHIUM_WARN, LITHIUM_TRIP) if lithium else (LEAD_WARN, LEAD_TRIP)
    origin = (
        f"common practice for {on.machine.pack.cell.label}: warn at {warn:g} %, trip at {trip:g} %; judged by the "
        "low end of the estimate where that is known to ±15 % or better, otherwise by what the BMS reports"
    )
    return on.limit(warn, trip, origin, margin=2.0, raise_s=30.0, clear_s=60.0)


def _energy_left(on: Ground) -> Limit | str:
    if on.machine.work.area_ha is None:
        return missing("work", "area_ha")
    if on.machine.vehicle.working_width_m is None:
        return missing("machine", "working_width_m")
    reserve = RESERVE_SHARE * on.machine.pack.capacity_ah * on.machine.pack.nominal_v
    area = on.machine.work.area_ha
    origin = (
        f"for the rest of [work] area_ha {area:g} ha at this session's Wh/ha so far; trip when the least energy "
        "left is not enough, warn when less than a tenth of a full pack would be left over"
    )
    return on.limit(reserve, 0.0, origin, margin=0.2 * reserve, raise_s=60.0, clear_s=60.0)


def _charging_cold(on: Ground) -> Limit | str:
    cell = on.machine.pack.cell
    known = "cell data sheets" if cell.is_lithium and cell.charge_low_c == 0.0 else "common practice, from memory"
    return _charging_outside(on, f"below {cell.charge_low_c:g} °C ({known})", "coldest sensor is below")


def _charging_cool(on: Ground) -> Limit | str:
    pack = on.machine.pack
    most, low = cool_charge_a(pack), pack.cell.charge_low_c
    if most is None or low >= FULL_CHARGE_ABOVE_C:
        return f"{pack.cell.label} cells accept full charge current at any temperature at which they may be charged"
    origin = (
        f"{pack.cell.label} cells between {low:g} and {FULL_CHARGE_ABOVE_C:g} °C: at most "
        f"{most / pack.capacity_ah:.2g} A per Ah of capacity; sheets say 0.1 to 0.3 A, common practice, from memory; "
        f"warn above {most:.3g} A"
    )
    return on.limit(most, None, origin, margin=0.1 * most, raise_s=30.0, clear_s=60.0)


def _charging_hot(on: Ground) -> Limit | str:
    above = f"above {on.machine.pack.cell.charge_high_c:g} °C (common practice, from memory)"
    return _charging_outside(on, above, "hottest sensor is above")


def _charger_left_on(on: Ground) -> Limit | str:
    cell = on.machine.pack.cell
    if not cell.is_lithium:
        return f"{cell.label} is designed to float, so a charger that stays on is not judged"
    origin = (
        f"the charger keeps feeding a full pack; {cell.label} should not float for hours, common practice; warn "
        f"after {LEFT_ON_WARN_MIN:g} min, trip after {LEFT_ON_TRIP_MIN:g} min, ours"
    )
    return on.limit(LEFT_ON_WARN_MIN, LEFT_ON_TRIP_MIN, origin, margin=1.0, raise_s=0.0)


def _charging_outside(on: Ground, where: str, sensor: str) -> Limit:
    least = max(CHARGE_AT_LEAST_A, CHARGE_C_RATE * on.machine.pack.capacity_ah)
    origin = (
        f"{on.machine.pack.cell.label} must not be charged {where}, regen included; "
        f"trip at more than {least:g} A into the pack while its {sensor} that"
    )
    return on.limit(None, least, origin, margin=0.2 * least, raise_s=2.0)


def _resistance_up(on: Ground) -> Limit | str:
    if not len(on.history.ohm):
        return (
            "not known: the store has no earlier session of this machine with a known resistance; the limit is in "
            "force once a drive with load steps has been recorded"
        )
    sessions = f"{on.history.sessions} earlier session{'s' if on.history.sessions > 1 else ''}"
    origin = (
        f"against {sessions} of this machine, within 5 °C and 20 % of charge; warn at 25 % more, trip at 50 % more"
    )
    return on.limit(CHANGE_WARN, CHANGE_TRIP, origin, margin=5.0, raise_s=10.0, clear_s=60.0)


FRAMES = (
    Frame("charging-cold", "cold_charge_current", "high", _charging_cold),
    Frame("charging-cool", "cool_charge_current", "high", _charging_cool),
    Frame("charging-hot", "hot_charge_current", "high", _charging_hot),
    Frame("charger-left-on", "minutes_since_full", "high", _charger_left_on),
    Frame("soc-low", "soc_lower_bound", "low", _soc_low),
    Frame("energy-left", "energy_margin", "low", _energy_left, "either"),
    Frame("resistance-up", "pack_resistance_change", "high", _resistance_up),
)
