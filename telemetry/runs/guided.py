"""Recordings judged as a guided drive: the manoeuvres found in each, and every step by what they show."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path

from telemetry.analysis.series import read_series
from telemetry.analysis.session_figures import figures_of
from telemetry.guided.evidence import Evidence
from telemetry.guided.judging import judge
from telemetry.guided.recogniser import Watched
from telemetry.guided.result import GuidedResult, JudgedSession, result_of
from telemetry.guided.steps import LED, WALL_ENERGY
from telemetry.machine.first_power_insulation import CONNECTED
from telemetry.machine.first_power_steps import stated_answers
from telemetry.machine.sections import Machine
from telemetry.model.errors import printable
from telemetry.model.toml_text import parse_toml
from telemetry.pipeline.reported_names import with_reported_names
from telemetry.runs.first_power_progress import first_power_readings, progress
from telemetry.runs.progress import Progress
from telemetry.runs.subjects import open_subject
from telemetry.store.ledger import LedgerEntry
from telemetry.store.reader import StoreReader


def judge_sessions(
    machine: Machine, names: Sequence[str], store: Path, told: Progress
) -> tuple[GuidedResult, tuple[str, ...]]:
    """Return the result of some recordings, and what the user should know of them.

    Args:
        machine: what they are judged by.
        names: files, sessions' numbers, or ``last``.
        store: where sessions are looked up, and the readings of first power.
        told: is told how far the work has come.

    Raises:
        InputError, RecordingError, StoreError: what is wrong with one, and the remedy.
    """
    machine = with_reported_names(machine)
    readings, began = first_power_readings(machine, store), math.inf
    found, warnings = list[tuple[JudgedSession, Evidence]](), list[str]()
    for name in names:
        recording = open_subject(name, store, machine)
        watched = Watched(recording, machine)
        series = read_series(told.watched(watched))
        told.at(f"finding the figures of {recording.name}")
        wall_kwh = WALL_ENERGY.found(mark.text for mark in series.marks)
        wall_wh = None if wall_kwh is None else 1000.0 * wall_kwh
        figures = figures_of(series, machine, wall_wh)
        started = series.start if series.time_basis == "absolute" else None
        began = min(began, started or 0)
        counts = _counting(readings, began) | stated_answers(machine)
        on = Evidence(figures, machine, watched.attempts, counts, recording.machine_text)
        told.at(f"judging {recording.name}")
        shown = printable(recording.name, 60)
        other = recording.machine_text is not None and recording.machine_text != machine.text
        if other:
            warnings.append(
                f"{shown} was recorded with a different version of the machine file; it is judged by this one"
            )
        warnings += [f"{shown}: {warning}" for warning in recording.warnings]
        judged = JudgedSession(
            shown, started, series.duration_s, series.origin, watched.stamp.text(), judge(on, shown), other
        )
        found.append((judged, on))
    if not all(name.isdecimal() for name in names):  # a store's numbers are in order, whatever its clock did
        found.sort(key=lambda each: each[0].started or 0)
    judged_in_order = [session for session, _ in found]
    for first, second in pairwise(judged_in_order):
        if first.started is not None and second.started is not None and second.started < first.started:
            warnings.append(f"{second.name} has an earlier date than {first.name}: the clock was set; numbers count")
    result = result_of(
        machine,
        judged_in_order,
        [on for _, on in found],
        machine_stamp=hashlib.sha256(machine.text.encode()).hexdigest(),
        version=version("shakedown"),
        first_power=_first_power(machine, store),
    )
    return result, tuple(warnings)


def _counting(readings: Mapping[str, LedgerEntry], began: float) -> dict[str, float]:
    """Return the readings of first power that count for drives of which the first began then, microseconds.

    Insulation with everything connected counts once it was measured after that: damp and heat come with driving.
    """
    return {
        name: each.amount
        for name, each in readings.items()
        if not math.isnan(each.amount) and (each.t >= began or not name.endswith(CONNECTED))
    }


def _first_power(machine: Machine, store: Path) -> str:
    come = progress(machine, store)
    if not come.is_begun:
        return "not done with this program"
    return come.words + (f"; next: {come.title}" if come.title else "")


def guided_sessions(store: Path, identity: str) -> list[int]:
    """Return the numbers of the guided drives of the machine with that id, in order; empty without a store.

    Raises:
        StoreError: the store cannot be read.
    """
    if not store.exists():
        return []
    with StoreReader.open(store) as reader:
        marks = reader.mark_texts()
        return [
            record.id
            for record in reader.sessions()
            if any(text.startswith(LED) for text in marks.get(record.id, ()))
            and _identity(record.machine_text) == identity
        ]


def _identity(machine_text: str | None) -> str | None:
    """Return the id that a recorded machine file states; None where it states none."""
    try:
        section = parse_toml(machine_text or "").get("machine", {})
    except ValueError:
        return None
    return str(section["id"]) if isinstance(section, dict) and "id" in section else None
