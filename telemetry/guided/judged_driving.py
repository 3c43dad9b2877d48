"""How the steps are judged that are done driving."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from telemetry.analysis.outlook import mean_power_w
from telemetry.analysis.parts_seen import pack_temperatures
from telemetry.analysis.ranges import Z90, Range
from telemetry.guided.attempts import Attempt
from telemetry.guided.checks import PRACTICE, Check, against, at_least, at_most, told, unknown
from telemetry.guided.coast_down import USUAL_SPEED_GAIN, rolling_resistance
from telemetry.guided.evidence import Evidence
from telemetry.guided.judged_pulling import heat, peak
from telemetry.guided.judged_standing import bms_trip

START_SHARE: Final = 1.05
LEAST_C, HARD_C, MOST_C = 0.015, 0.035, 0.09
CUT_OFF_SHARE: Final = 0.98
COLD_MARGIN_C: Final = 3.0
TOP_SHARE: Final = 0.8
CHARGE_MINUTES: Final = 120
"""What endurance is a forecast for, min: a pack that was made for the machine lasts some hours. Ours."""
JUMP_SHARE: Final = 0.05
BRIEF_SHARE: Final = 0.04
"""What a tenth of a second between the clocks of two sources changes in a stop, one standard deviation. Ours."""
_KM_H: Final = 3.6


def coast_down(on: Evidence) -> Iterator[Check]:
    """Judge the rolling resistance."""
    found = rolling_resistance(on.of("coast-down"))
    label = "rolling resistance over weight"
    if found.value is None:
        yield unknown(label, "", found.why, decides=True)
        return
    ground = "as on hard ground" if found.value <= HARD_C else "as on turf"
    origin = f"0.015 to 0.035 on hard ground, 0.04 to 0.09 on turf; {PRACTICE}"
    yield at_most(label, "", found.value, MOST_C, origin, sigma=found.sigma, why=ground)
    slope = sum(pair.difference for pair in found.pairs) / len(found.pairs) / 2
    yield told("slope of the stretch", "%", 100.0 * abs(slope))


def braking(on: Evidence) -> Iterator[Check]:
    """Judge current, voltage and temperature of electric braking, and the share of the energy that came back."""
    stops, pack = on.of("braking"), on.machine.pack
    yield from _speeds(on, stops)
    current, volts = on.rows("pack_current", stops), on.rows("pack_voltage", stops)
    allowed = pack.peak_charge_a or pack.continuous_charge_a
    if current is not None:
        key, most = "[pack] peak_charge_a, else continuous_charge_a", float(-current.values.min())
        yield against(at_most, "highest current into the pack", "A", most, key, allowed, 1.0)
    if volts is not None:
        key, highest = "[pack] high_cutoff_v", float(volts.values.max())
        yield against(
            at_most, "highest pack voltage", "V", highest, key, pack.high_cutoff_v, CUT_OFF_SHARE, "2 % below"
        )
    at_controller = on.rows("controller_voltage", stops)
    if at_controller is not None and volts is not None:
        jump = 100.0 * (float(at_controller.values.max()) / float(volts.values.max()) - 1.0)
        label = "rise of controller voltage above the pack's"
        origin = f"it rises when regen is refused; {PRACTICE}"
        yield at_most(label, "%", max(jump, 0.0), 100.0 * JUMP_SHARE, origin)
    yield _cold(on)
    yield from bms_trip(on, "charge_allowed", "charge")
    yield _share(on, stops)


def _speeds(on: Evidence, stops: Sequence[Attempt]) -> Iterator[Check]:
    """Judge whether one stop was made from near top speed: a slow one hardly returns a current."""
    speeds, series = [each.facts["from_km_h"] for each in stops], on.figures.series.get("vehicle_speed")
    if not speeds or series is None:
        return
    top = float(np.quantile(np.abs(series.values), 0.999))
    if max(speeds) < TOP_SHARE * top:
        why = f"the fastest was from {max(speeds):.0f} of {top:.0f} km/h; it takes 80 %"
        yield unknown("a stop from near top speed", "km/h", why, decides=True)


def _cold(on: Evidence) -> Check:
    sensors = pack_temperatures(on.figures.series)
    limit = on.machine.pack.cold_charge_cutoff_c
    limit = on.machine.pack.cell.charge_low_c if limit is None else limit
    label = "lowest pack temperature"
    if not sensors:
        return unknown(label, "°C", "record pack_temperature_1")
    lowest = min(float(each.values.min()) for each in sensors.values())
    return at_least(
        label, "°C", lowest, limit + COLD_MARGIN_C, f"3 °C above the cold limit, {limit:g} °C", fails=limit
    )


def _share(on: Evidence, stops: Sequence[Attempt]) -> Check:
    """Return the share of the motion's energy that came back into the pack."""
    label, mass = "share of kinetic energy returned", on.machine.vehicle.mass_kg
    if mass is None or not stops:
        return unknown(label, "%", "state [machine] mass_kg")
    shares = {each.facts["from_km_h"]: found for each in stops if (found := _share_of(each, mass)) is not None}
    if not shares:
        return unknown(label, "%", "brake more gently: current flowed into the pack too briefly to tell")
    fastest, errors = max(shares), on.figures.errors
    gain = math.hypot(errors.current.gain_sd, errors.voltage.gain_sd)
    sigma = shares[fastest] * math.hypot(2.0 * USUAL_SPEED_GAIN, gain, BRIEF_SHARE)
    return told(label, "%", shares[fastest], sigma, f"in the stop from {fastest:.0f} km/h, while current flowed in")


def _share_of(stop: Attempt, mass_kg: float) -> float | None:
    """Return the share that came back in a stop, %; None where it was too brief to tell."""
    if "returned_j" not in stop.facts:
        return None
    first, last = (stop.facts[name] / _KM_H for name in ("braked_from_km_h", "braked_to_km_h"))
    motion_j = 0.5 * mass_kg * (first**2 - last**2)
    return 100.0 * stop.facts["returned_j"] / motion_j if motion_j > 0.0 else None


def implement(on: Evidence) -> Iterator[Check]:
    """Judge the implement's start and its running power."""
    attempts = on.of("implement")
    yield from peak(on, attempts, "peak current with the implement started")
    cost = on.figures.implement
    if cost.power_w is not None:
        yield told("running power of the implement", "W", cost.power_w, cost.uncertainty_w)
    else:
        standing = [each.facts["running_w"] for each in attempts if each.part == "standing"]
        mean = sum(standing) / len(standing) if standing else None
        yield told("running power of the implement, standing", "W", mean)
    label, lowest = (
        "lowest controller voltage at the start",
        min((each.facts["lowest_v"] for each in attempts), default=math.nan),
    )
    if math.isnan(lowest):
        yield unknown(label, "V", "record controller_voltage")
    else:
        least = on.machine.vehicle.minimum_voltage_v
        yield against(at_least, label, "V", lowest, "[machine] minimum_voltage_v", least, START_SHARE, "5 % above")


def work(on: Evidence) -> Iterator[Check]:
    """Judge usual work."""
    found, charge_wh, flow = on.figures.work.work, on.figures.work.charge_wh, on.figures.power.power
    jobs = [(each.start, each.end) for each in on.of("work")]
    power = None if flow is None else mean_power_w(flow, jobs, CHARGE_MINUTES)
    if power is None:
        yield unknown("energy per hour", "Wh", "the power of this work is not known", decides=True)
        return
    hours = None
    if charge_wh is not None and power.low > 0.0:  # a forecast and a capacity have nothing in common
        mid = charge_wh.mid / power.mid
        hours = Range.around(mid, Z90 * mid * math.hypot(charge_wh.sigma / charge_wh.mid, power.sigma / power.mid))
    for label, unit, value in (
        ("energy per hour", "Wh", power),
        ("energy per kilometre", "Wh/km", found.wh_per_km),
        ("energy per hectare", "Wh/ha", found.wh_per_ha),
        ("hours of this work on a full charge", "h", hours),
    ):
        if value is not None:
            yield told(label, unit, value.mid, value.sigma)
    yield from heat(on, on.of("work"))
