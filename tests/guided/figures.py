"""The figures of drives that hold most steps, against what is true of the simulated machine."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass

from telemetry.analysis.path_loss import find_path_loss
from telemetry.analysis.resistance import least_current
from telemetry.guided.coast_down import rolling_resistance
from telemetry.guided.judging import judge
from telemetry.guided.rows import ROW
from tests.guided.course import Task, machine, tour
from tests.guided.outcomes import (
    Outcome,
    evidence_of,
    resistance_truth,
    sag_truth,
    share_truth,
    stated,
)
from tests.guided.scripted import driven

GOALS = {
    "internal resistance, 1 s": ("%", 3.0),
    "internal resistance, 10 s": ("%", 3.0),
    "path, pack to controller": ("0.5 mΩ or 5 %", 1.0),
    "rolling resistance": ("%", 10.0),
    "voltage predicted at 20 %": ("% of the pack's voltage", 3.0),
    "share returned in braking": ("points", 5.0),
}
"""By figure: what its error is told in, and what it is to keep within."""


@dataclass(frozen=True)
class Error:
    """One figure of one drive; ``error`` in the unit of its goal, NaN where the program did not give it."""

    figure: str
    seed: int
    error: float


def tour_errors(seed: int) -> Iterator[Error]:
    """Yield the errors of the figures of one long drive."""
    what = machine(seed, "tour")
    acts = tuple(tour(what, random.Random(f"tour {seed}")))
    drive, stated_machine = driven(what, seed, acts), stated(seed)
    on = evidence_of(drive.recording, stated_machine)
    found = on.figures.resistance
    gain = what.channels["pack_voltage"].gain / what.channels["pack_current"].gain
    fast = slow = math.nan
    celsius = what.air_c if found is None or found.temperature_c is None else found.temperature_c
    if found is not None and found.pack_mohm is not None and found.pack_10s_mohm is not None and found.reference_a:
        truths = [
            1000 * gain * resistance_truth(drive, seconds, found.reference_a, celsius) for seconds in (1.0, 10.0)
        ]
        fast, slow = 100 * (found.pack_mohm / truths[0] - 1), 100 * (found.pack_10s_mohm / truths[1] - 1)
    yield Error("internal resistance, 1 s", seed, fast)
    yield Error("internal resistance, 10 s", seed, slow)
    loss = find_path_loss(on.figures.series, on.flow, least_current(stated_machine.pack)).ohm
    ohm = what.connection.resistance_ohm / what.channels["pack_current"].gain
    path = math.nan if loss is None else (loss.mid - ohm) / max(0.0005, 0.05 * ohm)
    yield Error("path, pack to controller", seed, path)
    rolling = rolling_resistance(on.of("coast-down")).value
    true = what.vehicle.resistance
    yield Error("rolling resistance", seed, math.nan if rolling is None else 100 * (rolling / true - 1))
    launches = next(each for each in judge(on) if each.step.name == "launches")
    values = {check.label.partition(",")[0]: check.value for check in launches.checks}
    volts, peak = values.get("voltage predicted at 20 % charge"), values.get("peak current")
    sag = math.nan
    if volts is not None and peak is not None:
        truth = sag_truth(drive, peak, celsius)
        sag = 100 * (volts - truth) / truth
    yield Error("voltage predicted at 20 %", seed, sag)


def braking_error(outcome: Outcome) -> Error | None:
    """Return the error of the share that came back; None where the step was another one."""
    task: Task = outcome.task
    if task.step != "braking" or task.how != "well":
        return None
    stops = [stop for stop in outcome.evidence.of("braking") if "returned_j" in stop.facts]
    share = next((each.value for each in outcome.result.checks if each.label.startswith("share")), None)
    if share is None or not stops:
        return Error("share returned in braking", task.seed, math.nan)
    fastest = max(stops, key=lambda stop: stop.facts["from_km_h"])
    start, end = fastest.start + 3 * ROW // 2, fastest.end - 3 * ROW // 2
    return Error("share returned in braking", task.seed, share - share_truth(outcome.drive, start, end))
