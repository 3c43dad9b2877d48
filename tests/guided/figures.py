"""The figures of drives that hold most steps, against what is true of the simulated machine."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import cycle

import numpy as np

from drivers.simulated.cells import Cells
from drivers.simulated.controller import drawn_current
from drivers.simulated.scenarios import Scenario
from telemetry.analysis.energy_left import WORN
from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.analysis.ranges import Z90
from telemetry.guided.checks import Check
from telemetry.guided.coast_down import rolling_resistance
from telemetry.guided.evidence import Evidence
from telemetry.guided.judging import judge
from telemetry.guided.rows import ROW
from tests.guided.course import STOP, climb, machine, top_km_h, tour, work
from tests.guided.outcomes import evidence_of, resistance_truth, sag_truth, share_truth, stated
from tests.guided.scripted import Act, Driven, driven
from tests.guided.ways import task

GOALS = {
    "internal resistance, 1 s": ("%", 3.0),
    "internal resistance, 10 s": ("%", 3.0),
    "path, pack to controller": ("0.5 mΩ or 5 %", 1.0),
    "rise of the path on the climb": ("points", 10.0),
    "rolling resistance": ("%", 10.0),
    "voltage predicted at 20 %": ("% of the pack's voltage", 3.0),
    "voltage predicted at 20 % and 0 °C": ("% of the pack's voltage", 3.0),
    "share returned in braking": ("points", 5.0),
    "hours of usual work on a charge": ("%", 20.0),
    "charge by count less by voltage": ("points", 15.0),
}
"""By figure: what its error is told in, and what it is to keep within."""
WARMS_EVERY = 50
"""Seconds after which the cells' resistance follows their temperature."""


@dataclass(frozen=True)
class Error:
    """One figure of one drive.

    Attributes:
        figure, seed: which.
        error: in the unit of its goal, NaN where the program did not give it.
        inside: whether the stated 90 % interval holds the true value; None where none is stated.
    """

    figure: str
    seed: int
    error: float = math.nan
    inside: bool | None = None


def _drive(seed: int, what: Scenario, acts: Sequence[Act], rate_hz: float = 10.0) -> tuple[Driven, Evidence]:
    """Return a drive of a drawn machine, and what the program finds in it."""
    drive = driven(what, seed, tuple(acts), rate_hz=rate_hz)
    return drive, evidence_of(drive.recording, stated(seed))


def _figures(on: Evidence, step: str) -> dict[str, Check]:
    """Return the figures of a step by their labels."""
    result = next(each for each in judge(on) if each.step.name == step)
    return {check.label: check for check in result.checks if check.value is not None}


def _inside(check: Check, truth: float) -> bool | None:
    return None if check.value is None or check.sigma is None else abs(check.value - truth) <= Z90 * check.sigma


def _with_own_curve(what: Scenario, chance: random.Random) -> Scenario:
    """Return a machine whose cells have one of the published curves, not all the very one of the first table."""
    tables = open_circuit_tables(what.cells.chemistry)
    (table,) = chance.choices(tables, [each.weight for each in tables])
    points = tuple(zip(table.share.tolist(), table.volts.tolist(), strict=True))
    return replace(what, cells=replace(what.cells, points=points))


def tour_errors(seed: int) -> Iterator[Error]:
    """Yield the errors of the figures of one long drive."""
    chance = random.Random(f"tour {seed}")
    what = _with_own_curve(machine(seed, "tour"), chance)
    drive, on = _drive(seed, what, tour(what, chance))
    celsius = (None if on.figures.resistance is None else on.figures.resistance.temperature_c) or what.air_c
    yield from _resistance_errors(seed, drive, on, celsius)
    loss = on.figures.path.ohm
    ohm = what.connection.resistance_ohm / what.channels["pack_current"].gain
    path = math.nan if loss is None else (loss.mid - ohm) / max(0.0005, 0.05 * ohm)
    shown = _figures(on, "pulls").get("resistance from pack to controller and back")
    true_mohm = 1000 * what.connection.resistance_ohm
    yield Error("path, pack to controller", seed, path, None if shown is None else _inside(shown, true_mohm))
    rolling, true = rolling_resistance(on.of("coast-down")), what.vehicle.resistance
    if rolling.value is None or rolling.sigma is None:
        yield Error("rolling resistance", seed)
    else:
        inside = abs(rolling.value - true) <= Z90 * rolling.sigma
        yield Error("rolling resistance", seed, 100 * (rolling.value / true - 1), inside)
    figures = _figures(on, "launches")
    peak = figures["peak current"].value if "peak current" in figures else None
    for name, label, at_c in (
        ("voltage predicted at 20 %", "voltage predicted at 20 % charge, this temperature", celsius),
        ("voltage predicted at 20 % and 0 °C", "voltage predicted at 20 % charge and 0 °C", 0.0),
    ):
        check = figures.get(label)
        if check is None or check.value is None or peak is None:
            yield Error(name, seed)
            continue
        truth = sag_truth(drive, peak, at_c)
        yield Error(name, seed, 100 * (check.value - truth) / truth, _inside(check, truth))


def _resistance_errors(seed: int, drive: Driven, on: Evidence, celsius: float) -> Iterator[Error]:
    found, what = on.figures.resistance, drive.machine.what
    gain = what.channels["pack_voltage"].gain / what.channels["pack_current"].gain
    for name, seconds in (("internal resistance, 1 s", 1.0), ("internal resistance, 10 s", 10.0)):
        mohm = sigma = None
        if found is not None:
            mohm, sigma = (
                (found.pack_mohm, found.pack_uncertainty_mohm)
                if seconds == 1.0
                else (found.pack_10s_mohm, found.pack_10s_uncertainty_mohm)
            )
        if found is None or mohm is None or sigma is None or not found.reference_a:
            yield Error(name, seed)
            continue
        truth = 1000 * resistance_truth(drive, seconds, found.reference_a, celsius)
        inside = abs(mohm - truth) <= Z90 * sigma
        yield Error(name, seed, 100 * (mohm / (gain * truth) - 1), inside)


def climb_error(seed: int) -> Error:
    """Return the error of the rise of the path on the climb: of every second machine a joint heats."""
    chance = random.Random(f"joint {seed}")
    gains = chance.choice((0.0, chance.uniform(0.1, 0.6)))
    name, what = "rise of the path on the climb", machine(seed, "climb")
    drive, on = _drive(seed, what, climb(what, chance, gains=gains))
    check = _figures(on, "climb").get("rise of the path's resistance on the climb")
    if check is None or check.value is None:
        return Error(name, seed)
    ends = [np.searchsorted(drive.t, [each.start, each.end - 5_000_000]) for each in on.of("climb")]
    gained = [drive.gained_ohm[first:last].max() - drive.gained_ohm[first] for first, last in ends]
    truth = 100 * float(np.mean(gained)) / what.connection.resistance_ohm
    return Error(name, seed, check.value - truth, _inside(check, truth))


def braking_error(seed: int) -> Error | None:
    """Return the error of the share that came back; None where the machine does not brake."""
    name, one = "share returned in braking", task("braking", "well", seed)
    if one is None:
        return None
    drive, on = _drive(seed, one.scenario, one.acts)
    stops = [stop for stop in on.of("braking") if "returned_j" in stop.facts]
    share = _figures(on, "braking").get("share of kinetic energy returned")
    if share is None or share.value is None or not stops:
        return Error(name, seed)
    fastest = max(stops, key=lambda stop: stop.facts["from_km_h"])
    truth = share_truth(drive, fastest.start + 3 * ROW // 2, fastest.end - 3 * ROW // 2)
    return Error(name, seed, share.value - truth, _inside(share, truth))


def endurance_error(seed: int) -> Error:
    """Return the error of the hours on a charge: of this work and as much again, in turn, from full to the end.

    The pack holds less than its plate says, as one in use does.
    """
    name, what, chance = "hours of usual work on a charge", machine(seed, "work"), random.Random(f"work {seed}")
    holds = chance.uniform(*WORN[::2]) * what.cells.capacity_ah
    what = replace(what, cells=replace(what.cells, capacity_ah=holds))
    drive, on = _drive(seed, what, work(what, chance), rate_hz=1.0)
    check = _figures(on, "work").get("hours of this work on a full charge")
    if check is None or check.value is None:
        return Error(name, seed)
    more = driven(what, seed, tuple(work(what, chance)), rate_hz=1.0)
    watts = np.concatenate([each.current * each.controller_v for each in (drive, more)])
    hours = _hours_until_empty(what, seed, watts)
    return Error(name, seed, 100 * (check.value / hours - 1), _inside(check, hours))


def _hours_until_empty(what: Scenario, seed: int, watts: np.ndarray) -> float:
    """Return how long the machine's cells, full, give ``watts`` over and over until BMS or controller ends it."""
    cells = Cells(what.cells, 1.0, what.air_c, np.random.default_rng([seed, 0]))
    lowest, least, path = what.electronics.cell_low.limit, what.controller.minimum_v, what.electronics.path_ohm
    behind = path + what.connection.resistance_ohm
    for steps, power in enumerate(cycle(watts.tolist())):
        if steps % WARMS_EVERY == 0:
            cells.warm_up()
        source = float(cells.source_voltage.sum())
        amperes = drawn_current(power, source, cells.total_resistance + behind)
        cells.step(amperes, 1.0, what.air_c)
        if float(cells.voltage.min()) < lowest or float(cells.voltage.sum()) - amperes * behind < least:
            return steps / 3600.0
    raise AssertionError


def count_error(seed: int) -> Error | None:
    """Return the difference of charge by count and by voltage, which is none in truth.

    None for iron phosphate, of which the voltage does not tell.
    """
    what, chance = machine(seed, "recovery"), random.Random(f"count {seed}")
    if what.cells.chemistry != "nmc":
        return None
    what = _with_own_curve(what, chance)
    top = top_km_h(what)
    drives = [Act(120, aim_km_h=top * chance.uniform(0.5, 0.9)) for _ in range(10)]
    _, on = _drive(seed, what, (Act(130, key=False), *drives, *STOP, Act(1900, key=False)), rate_hz=1.0)
    check = _figures(on, "recovery").get("charge out by count less by voltage")
    if check is None or check.value is None:
        return Error("charge by count less by voltage", seed)
    return Error("charge by count less by voltage", seed, check.value, check.word == "pass")
