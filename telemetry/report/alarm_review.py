"""The alarms of a session: as raised when it was recorded, or found by judging a recording again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

from telemetry.alarms.faults import ChatteringRule
from telemetry.alarms.figures import AlarmFigures, Episode, episodes_of, figures_of
from telemetry.alarms.rules import rules_for
from telemetry.analysis.charger_watch import least_charge_a
from telemetry.machine.limits import limits_for
from telemetry.machine.sections import Machine
from telemetry.model.batch import Span
from telemetry.model.events import AlarmChange, AlarmFinding, Event
from telemetry.model.recording import Recording
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages
from telemetry.report.alarm_entries import AlarmEntry, alarm_entries
from telemetry.report.raw_text import KeptRaw


@dataclass(frozen=True)
class AlarmReview:
    """What happened to the alarms of one session.

    Attributes:
        name: what to call the session.
        judged_by: by which limits, in words.
        start: zero of the times shown, int microseconds.
        episodes: in the order in which they began.
        findings: faults of the limits.
        figures: of the alarm system.
        raw: what raw bytes are kept around the high alarms.
    """

    name: str
    judged_by: str
    start: int
    episodes: tuple[Episode, ...]
    findings: tuple[AlarmFinding, ...]
    figures: AlarmFigures
    raw: tuple[KeptRaw, ...] = ()

    @cached_property
    def alarms(self) -> tuple[AlarmEntry, ...]:
        """An entry for each episode, as reports show it."""
        return alarm_entries(self.episodes, self.start)


def review_of(name: str, judged_by: str, events: Iterable[Event], start: int, end: int) -> AlarmReview:
    """Return the review of a session from ``start`` to ``end`` (int microseconds) by its recorded events."""
    found = list(events)
    changes = [event for event in found if isinstance(event, AlarmChange)]
    findings = tuple(event for event in found if isinstance(event, AlarmFinding))
    figures = figures_of(changes, findings, start, end)
    return AlarmReview(name, judged_by, start, tuple(episodes_of(changes, end)), findings, figures)


def judging(
    recording: Recording, machine: Machine | None, chattering: ChatteringRule | None = None
) -> Iterator[Span]:
    """Run a recording past the stages of a run; give its spans with what they found and derived."""
    limits = () if machine is None else limits_for(machine)
    stages = standard_stages(Judge(limits, rules_for(machine), chattering, least_charge_a(machine)), machine)
    end = recording.start
    for span in recording.spans():
        end = span.end
        yield stages.advance(span)
    yield stages.advance(Span(end, final=True))


def judged_anew(
    recording: Recording, machine: Machine | None, chattering: ChatteringRule | None = None
) -> tuple[list[Event], int]:
    """Return all events of a recording run past the stages, in time order, and when it ended, int microseconds."""
    events: list[Event] = []
    end = recording.start
    for span in judging(recording, machine, chattering):
        events += span.events
        end = span.end
    return sorted(events, key=lambda event: event.t), end
