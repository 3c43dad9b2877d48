"""From what was seen to what is to blame: events given to parts along the power path, and a ranking."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from telemetry.analysis.fault_isolation.blame import Blame, blame
from telemetry.analysis.fault_isolation.checks import missing_signals, next_checks, told_apart
from telemetry.analysis.fault_isolation.features import features_of
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause, Isolation, RankedCause
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.fault_isolation.ranking import probabilities
from telemetry.analysis.fault_isolation.readings import Readings, evidence_of_readings
from telemetry.analysis.fault_isolation.reasons import reasons
from telemetry.machine.sections import Machine

LEAST_NAMED, TIMES_HEALTHY = 0.45, 2.0
"""A part is named from this probability, and where it is so many times as likely as a sound machine; below that the
drive counts as healthy, with what is suspected said."""


def verdict(
    observations: Observations, machine: Machine | None, readings: Readings | None, earlier: Sequence[float] = ()
) -> Isolation:
    """Rank the causes and say why."""
    blamed: Blame = blame(observations)
    features = features_of(observations, blamed, earlier)
    chances = probabilities(features, readings)
    judged = bool(observations.usable.any()) or observations.pedal is not None
    order = sorted(CAUSES, key=lambda cause: -chances[cause])
    likely = chances[order[0]] >= max(LEAST_NAMED, TIMES_HEALTHY * chances["healthy"])
    named = order[0] if likely else "healthy"
    ranked = tuple(
        RankedCause(
            cause,
            chances[cause],
            (*reasons(cause, observations, blamed, features, machine, earlier), *_by_hand(cause, readings)),
        )
        for cause in order
    )
    told = {each.cause for each in ranked if each.probability >= 0.2 or each.cause == named} - {"healthy"}
    events = tuple(
        event
        for event in sorted(blamed.events, key=lambda each: each.t)
        if event.cause in told or event.cause == named
    )
    problems = list(observations.drive.problems)
    if not judged:
        problems.append("neither a current nor a pedal signal can be used, so no part is named and none is cleared")
    return Isolation(
        named, ranked, events if told else (), tuple(next_checks(named, order, chances)),
        tuple(missing_signals(observations.drive)), tuple(problems), tuple(told_apart(observations.drive)),
        judged, features,
    )  # fmt: skip


def _by_hand(cause: Cause, readings: Readings | None) -> Iterator[str]:
    """Yield what the readings by hand say of a cause."""
    added = 0.0 if readings is None else evidence_of_readings(readings)[cause]
    if added:
        yield f"the readings by hand speak {'for' if added > 0 else 'against'} it"
