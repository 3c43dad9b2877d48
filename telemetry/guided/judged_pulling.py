"""How the steps are judged in which the machine pulls: resistance, peaks, voltage, heat."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from telemetry.analysis.duty import duty_of
from telemetry.analysis.load_response import SLOW_S
from telemetry.analysis.parts_seen import PEAK_S, hottest_pack, pack_temperatures, peak_current
from telemetry.analysis.path_loss import find_path_rise, sag_in_the_cold, sag_nearly_empty
from telemetry.analysis.ranges import Z90, Range
from telemetry.analysis.resistance import least_current
from telemetry.guided.attempts import Attempt
from telemetry.guided.checks import PRACTICE, Check, against, at_least, at_most, must_not, told, unknown
from telemetry.guided.evidence import Evidence
from telemetry.guided.judged_standing import bms_trip
from telemetry.guided.pulling import SMOOTHED_S
from telemetry.guided.settling import settle
from telemetry.guided.steps import JOINT_RISE
from telemetry.machine.conductors import BeyondTable, stated_conductor
from telemetry.machine.limits_current import Part, discharge_parts
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS

STATED_TIMES: Final = 1.3
LIKE_C: Final = (15.0, 35.0)
"""Resistances are stated for 20 or 25 °C; outside of this they cannot be compared. Common practice, from memory."""
PATH_TIMES, PATH_FAILS = 1.5, 3.0
JOINTS, JOINT_OHM, FUSE_OHM, SWITCH_OHM = 4, 0.0002, 0.0005, 0.0005
"""A good lug, a fuse of 100 to 200 A, a contactor or main switch; common practice, from memory."""
COPPER_C: Final = 20.0
CELL_TIMES, CELL_FAILS = 1.3, 3.0
PEAK_SHARE: Final = 0.9
MINIMUM_SHARE: Final = 1.03
JOINT_RISE_K: Final = 30.0
"""A joint that is warmer than this above the air after a hard pull has too much resistance. Common practice."""
PATH_RISE_PCT: Final = 10.0
"""Copper gains 0.4 % a kelvin; a joint in order stays within 25 K. Common practice, from memory."""
HOT_C: Final = 45.0
"""Cells age fast above; common practice, from memory."""


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
    loss = on.figures.path
    if loss.ohm is None:
        return unknown(label, "mΩ", loss.why)
    value, sigma = 1000.0 * loss.ohm.mid, 1000.0 * loss.ohm.sigma
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


def peak(on: Evidence, attempts: Sequence[Attempt], label: str) -> Iterator[Check]:
    """Judge the highest current of some attempts."""
    highest, rated = _highest_a(on, attempts), on.machine.pack.peak_discharge_a
    if highest is not None:
        yield against(at_most, label, "A", highest, "[pack] peak_discharge_a", rated, PEAK_SHARE, "0.9 of")


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
    yield from peak(on, attempts, "peak current")
    if any(math.isnan(each.facts["throttle"]) for each in attempts):
        why = "only the driver can say that the throttle was fully down"
        yield Check(
            "full throttle", "", None, bound="seen", origin=PRACTICE, word="remark", said="not recorded", why=why
        )
    volts = on.rows("pack_voltage", attempts)
    if volts is not None:
        yield told("lowest pack voltage", "V", float(volts.values.min()))
    highest, found = _highest_a(on, attempts), on.figures.resistance
    ohm = None if highest is None or found is None else found.ohm_at(highest, SLOW_S)
    if highest is not None and found is not None and ohm is not None:
        yield from _sag(on, highest, ohm, found.temperature_c)
    else:
        yield unknown("voltage predicted at 20 % charge", "V", "the resistance is not known: do gentle pulls")
    yield from bms_trip(on, "discharge_allowed", "discharge")


def _sag(on: Evidence, peak: float, ohm: Range, celsius: float | None) -> Iterator[Check]:
    """Judge the voltage that the same launch leaves at 20 % charge, at this temperature and at 0 °C."""
    pack, least = on.machine.pack, on.machine.vehicle.minimum_voltage_v
    label = "voltage predicted at 20 % charge"
    for where, sag, fails in (
        (", this temperature", sag_nearly_empty(pack, ohm, peak), True),
        (" and 0 °C", sag_in_the_cold(pack, ohm, peak, celsius), False),
    ):
        if sag.volts is None:
            yield unknown(label + where, "V", sag.why or "no open-circuit voltage is known for these cells")
            continue
        volts, key, words = sag.volts, "[machine] minimum_voltage_v", "3 % above"
        bound = (key, least, MINIMUM_SHARE, words)
        yield against(at_least, label + where, "V", volts.mid, *bound, sigma=volts.sigma, fails=fails)


def climb(on: Evidence) -> Iterator[Check]:
    """Judge the steady current of each part over its own time constant, and the heat."""
    duty, parts = duty_of(on.figures, on.machine), discharge_parts(on.machine)
    if isinstance(duty, str) or not parts:
        why = duty if isinstance(duty, str) else "state fuse, conductor, connector or [pack] continuous_discharge_a"
        yield unknown("steady current of each part", "A", why, decides=True)
    else:
        for part in parts:
            label = steady_label(part)
            limit = PEAK_SHARE * part.rating_a
            origin = f"0.9 of {part.rating_a:.4g} A, {part.origin}"
            yield at_most(label, "A", duty.thermal(part.window_s).value, limit, origin, fails=part.rating_a)
    yield from heat(on, on.of("climb"))
    yield _path_rise(on)
    label, rise = "hottest joint above the air", on.typed(JOINT_RISE)
    if rise is None:
        yield unknown(label, "K", "measure it after the climb, key off, with an infrared thermometer on matt tape")
    else:
        yield at_most(label, "K", rise, JOINT_RISE_K, PRACTICE, fails=JOINT_RISE_K, why="typed by the driver")


def steady_label(part: Part) -> str:
    """Return the label of the steady current of a part."""
    return f"steady current of the {part.name}, over {part.window_s:.0f} s"


def _path_rise(on: Evidence) -> Check:
    """Judge by how much the path's resistance rises along the climb."""
    label, climbs = "rise of the path's resistance on the climb", on.of("climb")
    late = round(SMOOTHED_S * MICROSECONDS)  # a climb is seen to end so much later than it does
    spans = [(each.start, each.end - late) for each in climbs]
    rise = find_path_rise(on.figures.series, on.flow, spans, least_current(on.machine.pack))
    if rise is None or 100.0 * Z90 * rise.sigma > PATH_RISE_PCT:
        return unknown(label, "%", "record controller_voltage, and some minutes of driving before the climb")
    origin = f"a joint that heats gains more; {PRACTICE}"
    return at_most(label, "%", 100.0 * rise.mid, PATH_RISE_PCT, origin, sigma=100.0 * rise.sigma)


def heat(on: Evidence, attempts: Sequence[Attempt]) -> Iterator[Check]:
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
