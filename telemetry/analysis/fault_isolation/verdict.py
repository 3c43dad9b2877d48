"""From what was seen to what is to blame: events given to parts along the power path, and a ranking."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from telemetry.analysis.fault_isolation.blame import blame
from telemetry.analysis.fault_isolation.checks import missing_signals, next_checks, told_apart
from telemetry.analysis.fault_isolation.drive import Evidence
from telemetry.analysis.fault_isolation.features import features_of
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause, Isolation, RankedCause
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.fault_isolation.pieces import together
from telemetry.analysis.fault_isolation.ranking import evidence, probabilities
from telemetry.analysis.fault_isolation.readings import Readings, evidence_of_readings
from telemetry.analysis.fault_isolation.reasons import reasons
from telemetry.machine.sections import Machine
from telemetry.model.time_text import clock

CLEAREST = "clearest between"
"""Begins the sentence that says in which stretch of a long drive a cause shows best."""
LEAST_NAMED, TIMES_HEALTHY = 0.45, 2.0
"""A part is named from this probability, and where it is so many times as likely as a sound machine; below that the
drive counts as healthy, with what is suspected said."""


def verdict(
    parts: Sequence[Observations],
    whole: Evidence,
    machine: Machine | None,
    readings: Readings | None,
    earlier: Sequence[float] = (),
) -> Isolation:
    """Rank the causes and say why.

    Args:
        parts: what was seen in each piece of the drive, in time order; one piece for a short drive.
        whole: the signals of all of it that can be used.
        machine, readings, earlier: as for :func:`isolate`.
    """
    blamed = [blame(part) for part in parts]
    features = [features_of(part, each, earlier) for part, each in zip(parts, blamed, strict=True)]
    found = [evidence(each) for each in features]
    chances = probabilities(together(found), readings)
    readable = any(part.usable.any() or part.pedal is not None for part in parts)
    order = sorted(CAUSES, key=lambda cause: -chances[cause])
    # A few seconds hold too little to name a part by, or to clear one.
    likely = whole.is_long_enough and chances[order[0]] >= max(LEAST_NAMED, TIMES_HEALTHY * chances["healthy"])
    named = order[0] if likely else "healthy"
    plainest = {cause: max(range(len(parts)), key=lambda piece: found[piece][cause]) for cause in CAUSES}
    ranked = []
    for cause in order:
        piece = plainest[cause]
        words = reasons(cause, parts[piece], blamed[piece], features[piece], machine, earlier)
        where = [_where(parts[piece])] if len(parts) > 1 else []
        ranked.append(RankedCause(cause, chances[cause], (*where, *words, *_by_hand(cause, readings))))
    told = {each.cause for each in ranked if each.probability >= 0.2 or each.cause == named} - {"healthy"}
    events = [event for each in blamed for event in each.events if event.cause in told]
    problems = [*whole.problems, *dict.fromkeys(said for part in parts for said in part.drive.clocks)]
    judged = readable and whole.is_long_enough
    if not readable:
        problems.append("neither current nor throttle can be used, so no part is named and none is cleared")
    return Isolation(
        named, tuple(ranked), tuple(sorted(events, key=lambda each: each.t)),
        tuple(next_checks(named, order, chances)), tuple(missing_signals(whole)), tuple(problems),
        tuple(told_apart(whole)), judged, features[plainest[named]],
    )  # fmt: skip


def _where(part: Observations) -> str:
    """Say in which piece of a long drive the cause shows best."""
    times = part.drive.t
    return (
        f"{CLEAREST} {clock(times[0])} and {clock(times[-1])}; the rest refers to that stretch"
        if len(times)
        else "nothing was recorded"
    )


def _by_hand(cause: Cause, readings: Readings | None) -> Iterator[str]:
    """Yield what the readings by hand say of a cause."""
    added = 0.0 if readings is None else evidence_of_readings(readings)[cause]
    if added:
        yield f"the readings by hand speak {'for' if added > 0 else 'against'} it"
