"""The result of a guided drive: every step, the verdict, and what it was made from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from telemetry.guided.evidence import Evidence
from telemetry.guided.judging import StepResult, Verdict, verdict
from telemetry.guided.merging import merged
from telemetry.machine.fit import Verdict as FitVerdict
from telemetry.machine.fit import fit, overall
from telemetry.machine.sections import Machine


@dataclass(frozen=True, slots=True)
class JudgedSession:
    """A recording that was judged.

    Attributes:
        name: to the user.
        started: int microseconds since the epoch; None where the recording has no dates.
        seconds: its length.
        origin: where seconds count from, int microseconds.
        stamp: SHA-256 of its rows.
        steps: as it shows them.
        other_machine: whether it was recorded with a different version of the machine file.
    """

    name: str
    started: int | None
    seconds: float
    origin: int
    stamp: str
    steps: tuple[StepResult, ...]
    other_machine: bool


@dataclass(frozen=True)
class GuidedResult:
    """What the page shows.

    Attributes:
        machine: as stated; its file's SHA-256 is ``machine_stamp``.
        version: of the program.
        fit: what ``fit`` says without a drive.
        first_power: how far first power has come, a sentence.
        sessions: in order of time.
        steps: each by the latest session that judged it.
        repeated: results that a later session repeated.
        verdict: over all.
    """

    machine: Machine
    machine_stamp: str
    version: str
    fit: FitVerdict
    first_power: str
    sessions: tuple[JudgedSession, ...]
    steps: tuple[StepResult, ...]
    repeated: tuple[StepResult, ...]
    verdict: Verdict
    origins: Mapping[str, int] = field(default_factory=dict)


def result_of(
    machine: Machine,
    sessions: Sequence[JudgedSession],
    evidence: Sequence[Evidence],
    *,
    machine_stamp: str,
    version: str,
    first_power: str,
) -> GuidedResult:
    """Return the result of some sessions, in order of time, each with what it was judged by."""
    each = [session.steps for session in sessions]
    (steps, repeated), fitting = merged(each, evidence), overall(fit(machine))
    origins = {session.name: session.origin for session in sessions}
    for step in steps:  # attempts of several sessions are timed from the beginning of the first
        origins.setdefault(step.session, origins.get(step.session.partition(" + ")[0], 0))
    return GuidedResult(
        machine,
        machine_stamp,
        version,
        fitting,
        first_power,
        tuple(sessions),
        steps,
        repeated,
        verdict(steps, fitting == "stop"),
        origins,
    )
