"""What the work takes and what a charge covers: energy a hectare and a kilometre, hectares, kilometres, hours, money.

Every figure is a range. Two ranges are divided end by end, the widest that both allow. That is intended: the causes
of their widths (a sensor's gain, a stated width, an aged pack) do not average out within a job.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from telemetry.analysis.ranges import Range
from telemetry.machine.vehicle_keys import Work as Stated

FUEL_KWH_PER_L = 33.7 / 3.785411784
"""Energy in a litre of petrol: 33.7 kWh a US gallon, US EPA's figure for MPGe labels (115 000 Btu)."""

CHARGE_ENERGY_SHARE: Mapping[str, Range] = {
    "lfp": Range(0.92, 0.96, 0.98),
    "nmc": Range(0.90, 0.95, 0.98),
    "nca": Range(0.90, 0.95, 0.98),
    "lmo": Range(0.90, 0.95, 0.98),
    "lto": Range(0.95, 0.97, 0.98),
    "sodium-ion": Range(0.85, 0.92, 0.95),
    "lead-flooded": Range(0.70, 0.78, 0.85),
    "lead-agm": Range(0.80, 0.83, 0.85),
}
"""Share of the energy put into the pack that comes out again, by chemistry; common practice, from memory."""
CHARGER_SHARE = Range(0.82, 0.90, 0.95)
"""Efficiency of a mains charger where it was not measured; common practice, from memory."""
LEAST_KM = 1.0
"""Kilometres per charge are not given for a shorter drive: that would extrapolate tens of times. Ours."""
LEAST_H = 1 / 6
"""Nor hours and hectares per charge for less than ten minutes: one pull or one rest would decide them. Ours."""


@dataclass(frozen=True)
class Work:
    """The work's figures; None where unknown, with the reason in ``unknown``.

    Attributes:
        area_ha, distance_km: as put in.
        wh_per_ha, wh_per_km: net energy out of the pack over the area and the distance, all of the session.
        ha_per_h: area over the working time; ``field_efficiency`` that over speed times width, 0 to 1 and more.
        ha_per_charge, km_per_charge, h_per_charge: from a full charge, used as in this session.
        wall_wh_per_wh: energy at the wall for each Wh out of the pack.
        cost_per_ha, cost_per_km, cost_session, cost_season: electricity, in ``currency``.
        fuel_l, fuel_cost, fuel_cost_per_ha: what the engine took for the same hours, by the owner's own figures.
        fuel_equivalent_l: petrol that holds the energy taken from the wall.
        currency: as the owner writes it, empty where none is stated.
        unknown: why a figure is None.
    """

    area_ha: Range | None = None
    distance_km: Range | None = None
    wh_per_ha: Range | None = None
    wh_per_km: Range | None = None
    ha_per_h: Range | None = None
    field_efficiency: Range | None = None
    ha_per_charge: Range | None = None
    km_per_charge: Range | None = None
    h_per_charge: Range | None = None
    wall_wh_per_wh: Range | None = None
    cost_per_ha: Range | None = None
    cost_per_km: Range | None = None
    cost_session: Range | None = None
    cost_season: Range | None = None
    fuel_l: Range | None = None
    fuel_cost: Range | None = None
    fuel_cost_per_ha: Range | None = None
    fuel_equivalent_l: Range | None = None
    currency: str = ""
    unknown: Mapping[str, str] = field(default_factory=dict)


def energy_efficiency(out_wh: float, in_wh: float) -> float:
    """Return energy out over energy in between two equal states of charge, 0 to 1.

    Raises:
        ValueError: nothing went in.
    """
    if in_wh <= 0.0:
        raise ValueError("no energy went in")
    return out_wh / in_wh


def find_work(
    *,
    energy_wh: Range | None,
    session_h: float,
    working_h: float | None = None,
    area_ha: Range | None = None,
    distance_km: Range | None = None,
    working_km: Range | None = None,
    working_width_m: float | None = None,
    charge_wh: Range | None = None,
    wall_wh_per_wh: Range | None = None,
    prices: Stated | None = None,
) -> Work:
    """Return what the work took and what a charge buys.

    Args:
        energy_wh: net out of the pack in the session, charging left out, Wh.
        session_h: hours of the session without charging and gaps.
        working_h: hours of work, None where work cannot be told from driving.
        area_ha, distance_km, working_km: as :func:`find_field_area` gives them.
        working_width_m: m.
        charge_wh: what a full charge gives.
        wall_wh_per_wh: Wh at the wall for each Wh out of the pack.
        prices: what the owner states of money and fuel, and of sessions a season.
    """
    prices = prices or Stated()
    unknown: dict[str, str] = {}
    figures: dict[str, Range | None] = {"area_ha": area_ha, "distance_km": distance_km}
    figures |= _taken(energy_wh, area_ha, distance_km, unknown)
    figures |= _pace(area_ha, working_h, working_km, working_width_m, unknown)
    figures |= _bought(charge_wh, energy_wh, session_h, figures, unknown)
    figures |= _money(energy_wh, figures, wall_wh_per_wh, prices, unknown)
    figures |= _fuel(working_h if working_h else session_h, area_ha, prices, unknown)
    return Work(**figures, currency=prices.currency or "", unknown=unknown)


def _taken(
    energy_wh: Range | None, area_ha: Range | None, distance_km: Range | None, unknown: dict[str, str]
) -> dict[str, Range | None]:
    found: dict[str, Range | None] = {}
    for name, what, by in (("wh_per_ha", "area", area_ha), ("wh_per_km", "distance", distance_km)):
        if energy_wh is None or energy_wh.mid <= 0.0:
            unknown[name] = "the net energy out of the pack is not known"
        elif by is None or by.low <= 0.0:
            unknown[name] = f"the {what} is not known"
        else:
            found[name] = energy_wh.at_least(0.0).over(by)
    return found


def _pace(
    area_ha: Range | None,
    working_h: float | None,
    working_km: Range | None,
    width_m: float | None,
    unknown: dict[str, str],
) -> dict[str, Range | None]:
    if area_ha is None or not working_h:
        why = "the area is not known" if area_ha is None else "the working time is not known"
        unknown |= dict.fromkeys(("ha_per_h", "field_efficiency"), why)
        return {}
    found: dict[str, Range | None] = {"ha_per_h": area_ha.over(working_h)}
    if working_km is None or working_km.mid <= 0.0 or width_m is None:
        unknown["field_efficiency"] = "the distance while working and the working width are not both known"
    else:
        found["field_efficiency"] = area_ha.over(working_km.mid * width_m / 10.0)
    return found


_NO_CHARGE_WH = (
    "the energy of a full charge is not known: it takes a capacity, and a pack voltage that the stated cells can have"
)
_TOO_SHORT = f"the session is shorter than {60 * LEAST_H:.0f} min: one pull or one rest decides what an hour takes"


def _bought(
    charge_wh: Range | None,
    energy_wh: Range | None,
    session_h: float,
    figures: Mapping[str, Range | None],
    unknown: dict[str, str],
) -> dict[str, Range | None]:
    found: dict[str, Range | None] = {}
    distance = figures.get("distance_km")
    for name, each in (("ha_per_charge", figures.get("wh_per_ha")), ("km_per_charge", figures.get("wh_per_km"))):
        if name == "km_per_charge" and distance is not None and distance.mid < LEAST_KM:
            unknown[name] = (
                f"the drive is shorter than {LEAST_KM:g} km: one slope or a few starts decide what a kilometre takes"
            )
        elif name == "ha_per_charge" and each is not None and session_h < LEAST_H:
            unknown[name] = _TOO_SHORT
        elif charge_wh is None:
            unknown[name] = _NO_CHARGE_WH
        elif each is None:
            unknown[name] = unknown[f"wh_per_{name[:2]}"]
        else:
            found[name] = charge_wh.over(each)
    if charge_wh is None or energy_wh is None or energy_wh.low <= 0.0 or session_h <= 0.0:
        unknown["h_per_charge"] = unknown.get("ha_per_charge", "the net energy out of the pack is not known")
    elif session_h < LEAST_H:
        unknown["h_per_charge"] = _TOO_SHORT
    else:
        found["h_per_charge"] = charge_wh.over(energy_wh.over(session_h))
    return found


def _money(
    energy_wh: Range | None,
    figures: Mapping[str, Range | None],
    wall: Range | None,
    prices: Stated,
    unknown: dict[str, str],
) -> dict[str, Range | None]:
    found: dict[str, Range | None] = {"wall_wh_per_wh": wall}
    names = ("cost_per_ha", "cost_per_km", "cost_session", "cost_season")
    if wall is None:
        unknown |= dict.fromkeys(
            (*names, "wall_wh_per_wh", "fuel_equivalent_l"), "the charger efficiency is not known"
        )
        return found
    if energy_wh is not None and energy_wh.mid > 0.0:
        found["fuel_equivalent_l"] = energy_wh.at_least(0.0).times(wall).over(1000.0 * FUEL_KWH_PER_L)
    if prices.tariff_per_kwh is None:
        unknown |= dict.fromkeys(names, "the price of electricity is not stated ([work] tariff_per_kwh)")
        return found
    a_wh = wall.times(prices.tariff_per_kwh / 1000.0)
    for name, base in (("cost_per_ha", figures.get("wh_per_ha")), ("cost_per_km", figures.get("wh_per_km"))):
        if base is not None:
            found[name] = base.times(a_wh)
        else:
            unknown[name] = unknown[name.replace("cost", "wh")]
    if energy_wh is None or energy_wh.mid <= 0.0:
        unknown |= dict.fromkeys(("cost_session", "cost_season"), "the net energy out of the pack is not known")
        return found
    session = energy_wh.at_least(0.0).times(a_wh)
    found["cost_session"] = session
    if prices.sessions_per_season is None:
        unknown["cost_season"] = "the number of sessions a season is not stated ([work] sessions_per_season)"
    else:
        found["cost_season"] = session.times(prices.sessions_per_season)
    return found


def _fuel(hours: float, area_ha: Range | None, prices: Stated, unknown: dict[str, str]) -> dict[str, Range | None]:
    if prices.fuel_l_per_h is None:
        why = "the engine's fuel use is not stated ([work] fuel_l_per_h)"
        unknown |= dict.fromkeys(("fuel_l", "fuel_cost", "fuel_cost_per_ha"), why)
        return {}
    found: dict[str, Range | None] = {"fuel_l": Range.exactly(hours * prices.fuel_l_per_h)}
    if prices.fuel_price_per_l is None:
        why = "the price of fuel is not stated ([work] fuel_price_per_l)"
        unknown |= dict.fromkeys(("fuel_cost", "fuel_cost_per_ha"), why)
        return found
    cost = Range.exactly(hours * prices.fuel_l_per_h * prices.fuel_price_per_l)
    found["fuel_cost"] = cost
    if area_ha is not None and area_ha.low > 0.0:
        found["fuel_cost_per_ha"] = cost.over(area_ha)
    else:
        unknown["fuel_cost_per_ha"] = "the area is not known"
    return found
