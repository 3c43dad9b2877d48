"""The stage that gives those within it each signal as of one source, through all hand-overs."""

from __future__ import annotations

from telemetry.analysis.taken_over import JoinedTurns
from telemetry.model.batch import Span
from telemetry.pipeline.stage import Stage, advanced_with


class OneSource:
    """Gives the stages within it what several sources give in turn as the first of them would have.

    Measured batches come out as they went in, for they are recorded.

    Args:
        stages: what works on the data.

    """

    def __init__(self, stages: Stage) -> None:
        self._stages = stages
        self._joined = JoinedTurns()

    def advance(self, span: Span) -> Span:
        """Pass ``span`` through the stages, what was taken over among what was given first."""
        joined = self._joined.as_of_one(span)
        return self._stages.advance(span) if joined is span else advanced_with(self._stages, span, joined.batches)
