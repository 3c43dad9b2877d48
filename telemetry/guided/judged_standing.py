"""How the steps are judged that are done standing, at the charger or at the bench."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from telemetry.analysis.capacity import best_capacity
from telemetry.analysis.open_circuit import open_circuit_tables, stated_table, table_trust
from telemetry.analysis.ranges import Z90, Range
from telemetry.guided.attempts import CALM_A, Attempt
from telemetry.guided.checks import PRACTICE, Check, at_least, at_most, must_not, told, unknown
from telemetry.guided.evidence import Evidence
from telemetry.guided.settling import settle
from telemetry.machine.first_power_insulation import CONNECTED, found_insulation, frame_is_return, wanted_ohm_per_v
from telemetry.model.batch import MICROSECONDS

ZERO_SHARE: Final = 0.005
"""Of the highest current: what an offset may be without spoiling the charge counted. Common practice."""
FLAT_SPREAD_MV, STEEP_SPREAD_MV = 20.0, 10.0
"""Cell voltage spread at rest and about half charge: iron phosphate, and others. Common practice."""
FIRST_US: Final = 300 * MICROSECONDS
LAST_US: Final = 30 * MICROSECONDS
WAVE: Final = 0.15
"""How long the waves are by which a curve is off, share of charge; see ``TableTrust``."""
STOPS_S: Final = 0.5
USABLE_NEW, USABLE_USED = 0.9, 0.8
"""Of the rated capacity. Common practice."""


def zero(on: Evidence) -> Iterator[Check]:
    """Judge the zero of the current and the cells at rest."""
    for part in ("key off", "key on"):
        for each in on.of("zero", part)[-1:]:
            mean, scatter = each.facts["mean_a"], each.facts["scatter_a"]
            if part == "key off":
                limit = ZERO_SHARE * on.highest_a
                origin = f"0.5 % of the highest current, {on.highest_a:.0f} A; {PRACTICE}"
                zero = "into the pack, and no charger: the sensor is off its zero" if mean < -CALM_A / 2 else ""
                yield at_most("reading with the key off, either sign", "A", abs(mean), limit, origin, why=zero)
                yield told("noise of the current, means of a second", "A", scatter)
            else:
                yield told("draw with the key on", "A", mean)
    yield _spread(on)


def _spread(on: Evidence) -> Check:
    cells = on.figures.cells
    label, found = "cell voltage spread at rest", None if cells is None else cells.spread_rest_mv
    if found is None:
        why = "record every cell" if cells is None else cells.unknown.get("spread_rest_mv", "record every cell")
        return unknown(label, "mV", why)
    limit = FLAT_SPREAD_MV if on.machine.pack.chemistry == "lfp" else STEEP_SPREAD_MV
    return at_most(label, "mV", found, limit, f"for these cells at about half charge, {PRACTICE}")


def wheels_up(on: Evidence) -> Iterator[Check]:
    """Judge what was done with the wheels off the ground."""
    for part in ("forwards", "in reverse"):
        for each in on.of("wheels-up", part)[-1:]:
            yield told(f"power without load, {part}", "W", each.facts["power_w"])
    stops = on.of("wheels-up", "stop")
    for number, each in enumerate(stops, 1):
        delay = each.facts["delay_s"]
        label = f"stop {number}: time to the end of the current"
        if math.isinf(delay):
            yield must_not(label, True, PRACTICE, "the enable line or the supply went, and the current did not end")
        else:
            yield at_most(label, "s", delay, STOPS_S, PRACTICE, fails=STOPS_S, why="measured to within 0.2 s")
    if stops:
        yield told("stops seen; only the driver knows if each interlock was tried", "", float(len(stops)))


def recovery(on: Evidence) -> Iterator[Check]:
    """Judge a long rest."""
    rests = on.of("recovery")[-1:]
    volts = on.rows("pack_voltage", rests)
    found = None if volts is None else settle(volts)
    if found is None:
        yield unknown("voltage after a long rest", "V", "the voltage did not settle enough to tell; rest longer")
    else:
        yield told("voltage after a long rest", "V", found.end, found.sigma)
    yield _count_against_voltage(on, rests)
    yield _spread(on)


def _count_against_voltage(on: Evidence, rests: Sequence[Attempt]) -> Check:
    """Judge whether the charge counted since the first rest agrees with the voltages of both rests."""
    label, unit, flow, pack = "charge out by count less by voltage", "%", on.flow, on.machine.pack
    begun = [each for each in on.of("zero", "key off") if each.start < on.figures.series.start + FIRST_US]
    if not begun or not rests or flow is None:
        return unknown(label, unit, "begin the recording with the key off for two minutes, the pack rested before")
    first, last = begun[0], rests[-1]
    between = _charge_by_voltage(on, first, last)
    if between is None:
        return unknown(label, unit, "the voltage of these cells does not tell at this charge")
    zero_a = float(flow.values[flow.rows(first.start, first.end)].mean())
    out, into = flow.between(first.end, last.end)
    hours = (last.end - first.end) / MICROSECONDS / 3600.0
    capacity, spread = best_capacity(pack, on.figures.capacity)
    counted = (out - into - zero_a * hours) / capacity
    drift = first.facts["scatter_a"] / math.sqrt(first.seconds) * hours / capacity
    gain = counted * math.hypot(spread / capacity, on.figures.errors.current.gain_sd)
    sigma = math.hypot(gain, drift, between.sigma)
    off = counted - between.mid
    check = at_most(label, unit, abs(100.0 * off), 100.0 * Z90 * sigma, "both errors together, 90 %")
    return replace(check, why=f"{100.0 * counted:.0f} % by count; true if the pack had rested before the drive")


def _charge_by_voltage(on: Evidence, first: Attempt, last: Attempt) -> Range | None:
    """Return the share of charge between the ends of two rests, 90 % interval; None where the voltage does not tell.

    Every table of the chemistry has its say, and must be steep at both ends: a curve that is level but for a step
    somewhere tells nothing, for the step lies elsewhere in these cells. What is wrong with a curve as a whole is
    the same at both ends.
    """
    pack, own = on.machine.pack, stated_table(on.machine.pack.open_circuit)
    rows = [on.rows("pack_voltage", [replace(rest, start=rest.end - LAST_US)]) for rest in (first, last)]
    if any(each is None for each in rows):
        return None
    volts = np.array([each.values.mean() / pack.cells_in_series for each in rows if each is not None])
    tables, trust = (own,) if own else open_circuit_tables(pack.chemistry), table_trust(pack.chemistry, bool(own))
    shares = [table.share_at(volts) for table in tables]
    slopes = np.array([table.slope_at(each) for table, each in zip(tables, shares, strict=True)])
    if float(slopes.min()) < trust.steep_v:
        return None
    weights = np.array([table.weight for table in tables]) / sum(table.weight for table in tables)
    between = np.array([float(at_first - at_last) for at_first, at_last in shares])
    mean = float(weights @ between)
    wave_v = trust.wave_v * math.sqrt(1.0 - math.exp(-0.5 * (mean / WAVE) ** 2))
    ends = math.sqrt(2.0) * math.hypot(wave_v, trust.hysteresis_sd_v) / float(weights @ slopes.mean(axis=1))
    return Range.around(mean, Z90 * math.hypot(math.sqrt(float(weights @ (between - mean) ** 2)), ends))


def bms_trip(on: Evidence, signal: str, what: str) -> Iterator[Check]:
    """Judge whether the BMS disabled the path that ``signal`` tells of."""
    allowed = on.figures.series.get(signal)
    label = f"BMS trip, {what} disabled"
    if allowed is None:
        yield unknown(label, "", f"record {signal}")
    else:
        yield must_not(label, bool((allowed.values < 0.5).any()), PRACTICE, f"the BMS disabled the {what}")  # noqa: PLR2004


def run_to_low(on: Evidence) -> Iterator[Check]:
    """Judge what a full charge holds."""
    capacity, rated = on.figures.capacity, on.machine.pack.capacity_ah
    if capacity is None or capacity.usable_ah is None:
        why = "" if capacity is None else capacity.basis
        yield unknown("usable capacity", "Ah", why, decides=True)
    else:
        origin = f"90 % and, of a used pack, 80 % of the rated {rated:g} Ah; {PRACTICE}"
        yield at_least(
            "usable capacity",
            "Ah",
            capacity.usable_ah,
            USABLE_NEW * rated,
            origin,
            fails=USABLE_USED * rated,
            sigma=capacity.uncertainty_ah,
        )
    yield from bms_trip(on, "discharge_allowed", "discharge")
    cells = on.figures.series.cells
    if cells is not None:
        lows = np.nanmin(cells.voltages, axis=0)
        first = int(np.argmin(lows))
        yield told(f"lowest cell, number {cells.numbers[first]}", "V", float(lows[first]))


def charge(on: Evidence) -> Iterator[Check]:
    """Judge a charge."""
    found = on.figures.charging
    label, bound = "how the charge ended", "by taper, not by one cell"
    if found is None or found.ending in (None, "running"):
        why = "record a charge" if found is None else "the charge had not ended when the recording did"
        yield unknown(label, "", why, decides=True)
        return
    word = {"tapered": "pass", "cell-stopped": "fail"}.get(str(found.ending), "remark")
    yield Check(label, "", None, bound=bound, origin=PRACTICE, word=word, said=found.sentence)  # type: ignore[arg-type]
    if found.charger_efficiency is not None:
        yield told("efficiency of the charger", "%", 100.0 * found.charger_efficiency.mid)
    else:
        yield unknown("efficiency of the charger", "%", "record charger_input_power, or a meter at the wall")
    if found.imbalance_ah is not None:
        yield told("cell imbalance at the end of the charge", "Ah", found.imbalance_ah.mid)


def insulation(on: Evidence) -> Check:
    """Judge the insulation with everything connected, as first power measured it."""
    label, found = "insulation, everything connected", found_insulation(on.readings, CONNECTED)
    origin = "UN Regulation No. 100, revision 2: 100 ohm a volt, 500 with an AC circuit connected"
    if why_not := frame_is_return(on.machine, on.readings):
        return Check(label, "", None, bound="no leak", origin=origin, word="does not apply", said=why_not)
    if found is None:
        why = "measure it warm, after the drive: shakedown first-power MACHINE --insulation"
        return unknown(label, "ohm/V", why, decides=True)
    wanted, pack_v = wanted_ohm_per_v(on.readings, CONNECTED), on.readings["rested-voltage"]
    likely = found.least_ohm if math.isinf(found.ohm) else found.ohm
    sigma = (likely - found.least_ohm) / 1.645
    return at_least(label, "ohm/V", likely / pack_v, wanted, origin, fails=wanted, sigma=sigma / pack_v)
