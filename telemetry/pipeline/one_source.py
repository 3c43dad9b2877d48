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
        joined: what it knows of the sources' differences.

    """

    def __init__(self, stages: Stage, joined: JoinedTurns) -> None:
        self._stages = stages
        self._joined = joined

    def advance(self, span: Span) -> Span:
        """Pass ``span`` through the stages, what was taken over among what was given first."""
        self._joined.learn(span.batches, span.end)
        if not self._joined.moves:
            return self._stages.advance(span)
        return advanced_with(self._stages, span, self._joined.joined(span.batches))
