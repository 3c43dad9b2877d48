"""How the steps are judged that are done driving."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from telemetry.analysis.duty import duty_of
from telemetry.analysis.instruments import USUAL_CURRENT_GAIN, USUAL_VOLTAGE_GAIN
from telemetry.analysis.parts_seen import PEAK_S, hottest_pack, pack_temperatures, peak_current
from telemetry.analysis.path_loss import find_path_loss, sag_nearly_empty
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.resistance import least_current
from telemetry.guided.attempts import Attempt
from telemetry.guided.checks import PRACTICE, Check, at_least, at_most, must_not, told, unknown
from telemetry.guided.coast_down import rolling_resistance
from telemetry.guided.evidence import Evidence
from telemetry.guided.judged_standing import bms_trip
from telemetry.guided.settling import settle
from telemetry.guided.steps import JOINT_RISE
from telemetry.machine.conductors import BeyondTable, stated_conductor
from telemetry.machine.limits_current import discharge_parts
from telemetry.machine.sections import Machine

STATED_TIMES: Final = 1.3
LIKE_C: Final = (15.0, 35.0)
"""Resistances are stated for 20 or 25 °C; outside of this they cannot be compared. Common practice, from memory."""
PATH_TIMES, PATH_FAILS = 1.5, 3.0
JOINTS, JOINT_OHM, FUSE_OHM, SWITCH_OHM = 4, 0.0002, 0.0005, 0.0005
"""A good lug, a fuse of 100 to 200 A, a contactor or main switch; common practice, from memory."""
COPPER_C: Final = 20.0
CELL_TIMES, CELL_FAILS = 1.3, 3.0
PEAK_SHARE: Final = 0.9
MINIMUM_SHARE, START_SHARE = 1.03, 1.05
JOINT_RISE_K: Final = 30.0
"""A joint that is warmer than this above the air after a hard pull has too much resistance. Common practice."""
HOT_C: Final = 45.0
"""Cells age fast above; common practice, from memory."""
LEAST_C, HARD_C, MOST_C = 0.015, 0.035, 0.09
CUT_OFF_SHARE: Final = 0.98
COLD_MARGIN_C: Final = 3.0
TOP_SHARE: Final = 0.8
JUMP_SHARE: Final = 0.05
USUAL_SPEED_GAIN: Final = 0.02
"""Of a wheel whose circumference was measured under load, one standard deviation; common practice, from memory."""
BRIEF_SHARE: Final = 0.04
"""What a tenth of a second between the clocks of two sources changes in a stop, one standard deviation. Ours."""
_KM_H: Final = 3.6


def pulls(on: Evidence) -> Iterator[Check]:
    """Judge the resistances."""
    found, pack = on.figures.resistance, on.machine.pack
    if on.figures.sign_is_wrong:
        yield must_not("sign of the current reversed", True, PRACTICE, "set sign_of_current of its source")
        return
    if found is None or found.pack_mohm is None or found.pack_10s_mohm is None:
        why = "" if found is None else found.unknown.get("pack_mohm", "")
        yield unknown("internal resistance, 10 s", "mΩ", why, decides=True)
    else:
        at = "" if found.temperature_c is None else f"at {found.temperature_c:.0f} °C"
        yield told("internal resistance, 1 s", "mΩ", found.pack_mohm, found.pack_uncertainty_mohm, at)
        ten = told("internal resistance, 10 s", "mΩ", found.pack_10s_mohm, found.pack_10s_uncertainty_mohm, at)
        stated, low, high = pack.internal_resistance_mohm, *LIKE_C
        if stated is not None and low <= (found.temperature_c or COPPER_C) <= high:
            origin = f"1.3 times the stated {stated:g} mΩ, where that is a DC value; {PRACTICE}"
            against = at_most(
                ten.label, ten.unit, found.pack_10s_mohm, STATED_TIMES * stated, origin, sigma=ten.sigma, why=at
            )
            yield against
        else:
            yield replace(ten, why=f"{at}; state [pack] internal_resistance_mohm to compare".removeprefix("; "))
        if found.cells:
            worst = max(found.cells, key=lambda cell: cell.ratio)
            origin = f"against the middle cell; {PRACTICE}"
            yield at_most(
                f"resistance of cell {worst.cell}, the highest",
                "times",
                worst.ratio,
                CELL_TIMES,
                origin,
                fails=CELL_FAILS,
                sigma=worst.ratio_uncertainty,
            )
        else:
            yield unknown("resistance of each cell", "times", found.unknown.get("cells", "record every cell"))
    yield _path(on)


def _path(on: Evidence) -> Check:
    label = "resistance from pack to controller and back"
    loss = find_path_loss(on.figures.series, on.flow, least_current(on.machine.pack))
    if loss.ohm is None:
        return unknown(label, "mΩ", loss.why)
    value, sigma = 1000.0 * loss.ohm.mid, 1000.0 * (loss.ohm.high - loss.ohm.low) / 2 / Z90
    expected = expected_path_ohm(on.machine)
    if expected is None:
        why = "state [wiring] conductor and one_way_length_m to compare"
        return told(label, "mΩ", value, sigma, why)
    origin = (
        f"1.5 and 3 times {1000 * expected:.2g} mΩ: the stated conductor, {JOINTS} joints of 0.2 mΩ, fuse and"
        f" switch of 0.5 mΩ each; {PRACTICE}"
    )
    limit, fails = PATH_TIMES * 1000 * expected, PATH_FAILS * 1000 * expected
    return at_most(label, "mΩ", value, limit, origin, fails=fails, sigma=sigma)


def expected_path_ohm(machine: Machine) -> float | None:
    """Return what conductor, joints, fuse and switch should have, ohm; None where the file does not say."""
    conductor, metres = stated_conductor(machine.wiring), machine.wiring.one_way_length_m
    if conductor is None or metres is None:
        return None
    try:
        loop = conductor.loop_ohm(metres, COPPER_C)
    except BeyondTable:
        return None
    return loop + JOINTS * JOINT_OHM + FUSE_OHM + SWITCH_OHM


def _peak(on: Evidence, attempts: Sequence[Attempt], label: str) -> Iterator[Check]:
    """Judge the highest current of some attempts."""
    peak = _highest_a(on, attempts)
    if peak is None:
        return
    rated = on.machine.pack.peak_discharge_a
    if rated is None:
        yield told(label, "A", peak, why="state [pack] peak_discharge_a to compare")
        return
    origin = f"0.9 of [pack] peak_discharge_a, {rated:g} A"
    yield at_most(label, "A", peak, PEAK_SHARE * rated, origin, fails=rated)


def _highest_a(on: Evidence, attempts: Sequence[Attempt]) -> float | None:
    """Return the highest current that lasted as long as a peak must, A."""
    flow = on.flow
    if flow is None or not attempts:
        return None
    found = []
    for each in attempts:
        rows = flow.rows(each.start, each.end)  # none where the attempt is of another drive
        part = replace(
            flow, **{name: getattr(flow, name)[rows] for name in ("t", "values", "bridged", "out", "into")}
        )
        worst = peak_current(part, on.figures.series.origin, PEAK_S)
        found += [] if worst is None else [worst.value]
    return max(found, default=None)


def launches(on: Evidence) -> Iterator[Check]:
    """Judge peak current, voltage under it now, and what it will be nearly empty."""
    attempts = on.of("launches")
    yield from _peak(on, attempts, "peak current")
    if any(math.isnan(each.facts["throttle"]) for each in attempts):
        why = "only the driver can say that the throttle was fully down"
        yield Check(
            "full throttle", "", None, bound="seen", origin=PRACTICE, word="remark", said="not recorded", why=why
        )
    volts = on.rows("pack_voltage", attempts)
    if volts is not None:
        yield told("lowest pack voltage", "V", float(volts.values.min()))
    peak, ohm = _highest_a(on, attempts), on.resistance_10s
    if peak is not None and ohm is not None:
        yield _sag(on, peak, ohm)
    else:
        yield unknown("voltage predicted at 20 % charge", "V", "the resistance is not known: do gentle pulls")
    yield from bms_trip(on, "discharge_allowed", "discharge")


def _sag(on: Evidence, peak: float, ohm: Range) -> Check:
    """Judge the voltage that the same launch leaves at 20 % charge, at this temperature."""
    found = on.figures.resistance
    assert found is not None
    if found.response is not None:  # kinetics bend: at more current the chord is less
        at_peak = found.response.ohm_at(peak) / float(found.response.ohm[0])
        ohm = Range(*(each * at_peak for each in ohm))
    volts = sag_nearly_empty(on.machine.pack, ohm, peak).volts
    label = "voltage predicted at 20 % charge, this temperature"
    if volts is None:
        return unknown(label, "V", "no open-circuit voltage is known for these cells")
    sigma = (volts.high - volts.low) / 2 / Z90
    least = on.machine.vehicle.minimum_voltage_v
    if least is None:
        return told(label, "V", volts.mid, sigma, "state [machine] minimum_voltage_v to compare")
    origin = f"3 % above [machine] minimum_voltage_v, {least:g} V"
    return at_least(label, "V", volts.mid, MINIMUM_SHARE * least, origin, fails=least, sigma=sigma)


def climb(on: Evidence) -> Iterator[Check]:
    """Judge the steady current of each part over its own time constant, and the heat."""
    duty, parts = duty_of(on.figures, on.machine), discharge_parts(on.machine)
    if isinstance(duty, str) or not parts:
        why = duty if isinstance(duty, str) else "state fuse, conductor, connector or [pack] continuous_discharge_a"
        yield unknown("steady current of each part", "A", why, decides=True)
    else:
        for part in parts:
            label = f"steady current of the {part.name}, over {part.window_s:.0f} s"
            limit = PEAK_SHARE * part.rating_a
            origin = f"0.9 of {part.rating_a:.4g} A, {part.origin}"
            yield at_most(label, "A", duty.thermal(part.window_s).value, limit, origin, fails=part.rating_a)
    yield from _heat(on, on.of("climb"))
    label, rise = "hottest joint above the air", on.typed(JOINT_RISE)
    if rise is None:
        yield unknown(label, "K", "measure it after the climb, key off, with an infrared thermometer on matt tape")
    else:
        yield at_most(label, "K", rise, JOINT_RISE_K, PRACTICE, fails=JOINT_RISE_K, why="typed by the driver")


def _heat(on: Evidence, attempts: Sequence[Attempt]) -> Iterator[Check]:
    """Judge the pack's temperature, and where it is going."""
    hottest = hottest_pack(on.figures.series)
    if hottest is None:
        yield unknown("highest pack temperature", "°C", "record pack_temperature_1")
        return
    limit, origin = HOT_C, PRACTICE
    high = on.machine.pack.cell.charge_high_c
    yield at_most("highest pack temperature", "°C", hottest.value, limit, origin, fails=max(limit, high) + 10.0)
    sensor = f"pack_temperature_{next(n for n in pack_temperatures(on.figures.series) if n == hottest.name)}"
    rows = on.rows(sensor, attempts[-1:])
    found = None if rows is None else settle(rows)
    if found is None:
        yield told(
            "pack temperature at which it would settle", "°C", None, why="it was still rising; work longer to see"
        )
    else:
        yield at_most("pack temperature at which it would settle", "°C", found.end, limit, origin, sigma=found.sigma)


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
        label, most = "highest current into the pack", float(-current.values.min())
        if allowed is None:
            yield told(label, "A", most, why="state [pack] continuous_charge_a to compare")
        else:
            yield at_most(label, "A", most, allowed, "[pack] peak_charge_a, else continuous_charge_a", fails=allowed)
    if volts is not None:
        label, highest = "highest pack voltage", float(volts.values.max())
        if pack.high_cutoff_v is None:
            yield told(label, "V", highest, why="state [pack] high_cutoff_v to compare")
        else:
            limit, origin = (
                CUT_OFF_SHARE * pack.high_cutoff_v,
                f"2 % below [pack] high_cutoff_v, {pack.high_cutoff_v:g} V",
            )
            yield at_most(label, "V", highest, limit, origin, fails=pack.high_cutoff_v)
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
    fastest = max(shares)
    sigma = shares[fastest] * math.hypot(2.0 * USUAL_SPEED_GAIN, USUAL_CURRENT_GAIN, USUAL_VOLTAGE_GAIN, BRIEF_SHARE)
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
    yield from _peak(on, attempts, "peak current with the implement started")
    cost = on.figures.implement
    if cost.power_w is not None:
        yield told("running power of the implement", "W", cost.power_w, cost.uncertainty_w)
    else:
        standing = [each.facts["running_w"] for each in attempts if each.part == "standing"]
        mean = sum(standing) / len(standing) if standing else None
        yield told("running power of the implement, standing", "W", mean)
    lowest = min((each.facts["lowest_v"] for each in attempts), default=math.nan)
    least = on.machine.vehicle.minimum_voltage_v
    if math.isnan(lowest):
        yield unknown("lowest controller voltage at the start", "V", "record controller_voltage")
    elif least is None:
        yield told("lowest controller voltage at the start", "V", lowest, why="state [machine] minimum_voltage_v")
    else:
        origin = f"5 % above [machine] minimum_voltage_v, {least:g} V"
        yield at_least(
            "lowest controller voltage at the start", "V", lowest, START_SHARE * least, origin, fails=least
        )


def work(on: Evidence) -> Iterator[Check]:
    """Judge usual work."""
    outlook, found = on.figures.outlook, on.figures.work.work
    if outlook.whole is None:
        yield unknown("energy per hour", "Wh", outlook.unknown.get("whole", ""), decides=True)
        return
    power = outlook.whole.power_w
    yield told("energy per hour", "Wh", power.mid, (power.high - power.low) / 2 / Z90)
    for label, unit, value in (
        ("energy per kilometre", "Wh/km", found.wh_per_km),
        ("energy per hectare", "Wh/ha", found.wh_per_ha),
        ("hours on a charge", "h", found.h_per_charge),
    ):
        if value is not None:
            yield told(label, unit, value.mid, (value.high - value.low) / 2 / Z90)
    yield from _heat(on, on.of("work"))
