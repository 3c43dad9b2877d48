"""The stage that gives those within it whole seconds at once: for whatever nobody needs sooner.

A stage costs about as much for one row as for ten, and live a row comes at a time. What only tells something once a
second or a block of ten therefore sees the rows of a second together, and what it finds comes out with the span in
which the second is over.
"""

from __future__ import annotations

from telemetry.model.batch import MICROSECONDS, Batch, Span, merged
from telemetry.pipeline.stage import Stage

_Key = tuple[str, str]


class EachSecond:
    """Holds the batches of live spans back until a second of the data's own time is over.

    Until then, what the stages within give is complete up to the end of the span they were given last.

    Args:
        stages: find what is theirs in batches; no event of the span reaches them.

    """

    def __init__(self, stages: Stage) -> None:
        self._stages = stages
        self._due: int | None = None
        self._held: dict[_Key, list[Batch]] = {}
        self._given: set[_Key] = set()
        self._complete: dict[_Key, int] = {}

    def advance(self, span: Span) -> Span:
        """Add what the stages within found, where a second is over or ``span`` is the last one."""
        for batch in span.batches:
            self._held.setdefault(batch.group.key, []).append(batch)
        if self._due is not None and span.end < self._due and not span.final:
            return span.adding(complete=self._complete)
        self._due = (span.end // MICROSECONDS + 1) * MICROSECONDS
        batches = tuple(merged(pieces) for pieces in self._held.values())
        self._held = {}
        found = self._stages.advance(Span(span.end, batches, complete=span.complete, final=span.final))
        added = found.batches[len(batches) :]
        self._given |= {batch.group.key for batch in added} | (found.complete.keys() - span.complete.keys())
        self._complete = {key: found.complete.get(key, span.end) for key in self._given}
        return span.adding(added, found.events, self._complete, found.cells)
