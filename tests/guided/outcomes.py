"""One drive judged by the program, and whether that is right."""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np

from drivers.simulated.machine_files import machine_file
from telemetry.analysis.path_loss import NEARLY_EMPTY
from telemetry.analysis.series import read_series
from telemetry.analysis.session_figures import figures_of
from telemetry.guided.evidence import Evidence
from telemetry.guided.judging import StepResult, judge
from telemetry.guided.merging import merged
from telemetry.guided.recogniser import Watched
from telemetry.machine.machine_file import parse_machine
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group
from tests.guided.scripted import Driven, MarkedRecording, driven
from tests.guided.ways import Task

JUDGED = ("pass", "remark", "fail")
START, DAY = 1_780_000_000_000_000, 86_400_000_000
MORE = 1_000_000
"""Between the seeds of the noise of two days."""


@dataclass(frozen=True)
class Outcome:
    """What the program made of a drive.

    Attributes:
        task: what was driven.
        kind: ``right``, ``missed`` (done well, not judged), ``accepted`` (done badly, judged as if well) or
            ``other reason`` (done badly, refused for a reason that is not the true one).
        result: of the step.
        evidence, drive: by which, and what is true.
    """

    task: Task
    kind: str
    result: StepResult
    evidence: Evidence
    drive: Driven


def stated(seed: int, **vehicle: object) -> Machine:
    """Return what the machine file of a drawn machine states."""
    machine, problems = parse_machine(machine_file("varied", seed), "drawn.toml")
    assert machine is not None, problems
    return replace(machine, vehicle=replace(machine.vehicle, **vehicle)) if vehicle else machine


def evidence_of(recording: MarkedRecording, machine: Machine) -> Evidence:
    """Return what the program finds in a recording."""
    watched = Watched(recording, machine)
    series = read_series(watched)
    return Evidence(figures_of(series, machine), machine, watched.attempts, machine_text=recording.machine_text)


def outcome_of(task: Task) -> Outcome:
    """Drive a task and judge it."""
    drives = [
        driven(task.scenario, task.seed + MORE * day, task.acts, position=task.position, rate_hz=task.rate_hz)
        for day in range(1 + task.twice)
    ]
    days = [
        replace(
            evidence_of(_recorded(each.recording.dated(START + day * DAY), task), stated(task.seed)),
            readings=task.readings,
        )
        for day, each in enumerate(drives)
    ]
    drive, on = drives[-1], days[-1]
    results, _ = merged([judge(each, f"day {day}") for day, each in enumerate(days, 1)], days)
    result = next(each for each in results if each.step.name == task.step)
    told = " ".join(
        [result.why, *(f"{each.label} {each.why}" for each in result.checks if each.word == "not judged")]
    )
    if not task.reason:
        kind = "right" if result.word in JUDGED else "missed"
    elif result.word in JUDGED:
        kind = "accepted"
    else:
        told += " ".join(each.refused for each in result.attempts)
        kind = "right" if any(reason in told for reason in task.reason.split("|")) else "other reason"
    return Outcome(task, kind, result, on, drive)


def _recorded(recording: MarkedRecording, task: Task) -> MarkedRecording:
    """Return the recording as the task has it: signals taken out, rows left out, the motor turned round."""
    batches = []
    for batch in recording.batches:
        kept = [name for name in batch.group.signals if not name.startswith(task.without or ("-",))]
        values = np.stack([batch.column(name) for name in kept], axis=1)
        if task.backwards and "motor_speed" in kept:
            column = kept.index("motor_speed")
            half = batch.t[0] + (batch.t[-1] - batch.t[0]) * _second_run(task)
            values[batch.t > half, column] *= -1.0
        t = batch.t
        if task.slow:
            seconds = t // 1_000_000
            last = np.flatnonzero(np.diff(seconds, append=seconds[-1] + 1))
            t, values = t[last], values[last]
        batches.append(Batch(Group(batch.group.source, batch.group.name, tuple(kept)), t, values))
    return replace(recording, batches=tuple(batches))


def _second_run(task: Task) -> float:
    """Return the share of the drive after which the second run begins: it is the one in reverse."""
    lengths = [act.seconds for act in task.acts]
    return (sum(lengths[:2]) + lengths[2] / 2) / sum(lengths)


def resistance_truth(drive: Driven, seconds: float, amperes: float, celsius: float) -> float:
    """Return what the pack's voltage falls by for each ampere after so long, ohm: a pulse on the simulated cells."""
    rested, loaded = (_volts(drive, seconds, current, celsius) for current in (0.0, amperes))
    return (rested - loaded) / amperes


def _volts(drive: Driven, seconds: float, amperes: float, celsius: float, soc: float | None = None) -> float:
    machine = drive.machine
    cells = copy.deepcopy(machine.cells)
    cells.temperature_c = np.full_like(cells.temperature_c, celsius)
    cells.warm_up()
    if soc is not None:
        cells.soc = np.full_like(cells.soc, soc)
        cells.rc_voltage = np.zeros_like(cells.rc_voltage)
    for _ in range(round(seconds / 0.05)):
        cells.step(amperes, 0.05, celsius)
    return float(cells.voltage.sum()) - amperes * machine.electronics.path_ohm


def sag_truth(drive: Driven, amperes: float, celsius: float) -> float:
    """Return the pack's voltage after 10 s of a pull with 20 % of charge left, V."""
    return _volts(drive, 10.0, amperes, celsius, NEARLY_EMPTY)


def share_truth(drive: Driven, start: int, end: int) -> float:
    """Return the share of the motion's energy that came back from ``start`` to ``end``, microseconds, %.

    Beyond what flows standing, as the program takes it: braking feeds that too.
    """
    inside = (drive.t >= start) & (drive.t <= end)
    power = drive.current[inside] * drive.pack_v[inside] - drive.machine.controller.parameters.standby_w
    speed, seconds = drive.speed_m_s[inside], drive.t[inside] / 1e6
    motion = 0.5 * drive.machine.vehicle.parameters.mass_kg * (speed[0] ** 2 - speed[-1] ** 2)
    return float(-100.0 * np.trapezoid(power, seconds) / motion)
