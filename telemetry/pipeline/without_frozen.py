"""The stage that keeps the repeats of a frozen source from all stages within it, and raises and clears its alarm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from telemetry.analysis.frozen import Frozen, FrozenWatch
from telemetry.analysis.frozen_spans import listed, spoken
from telemetry.model.batch import MICROSECONDS, Batch, Flags, Group, Span, kept_aside
from telemetry.model.events import AlarmCondition
from telemetry.pipeline.stage import Stage, advanced_with

FROZEN_LIMIT = "source-frozen"
_NEVER = 2**62
_Batches = dict[tuple[str, str], Batch]


class WithoutFrozen:
    """Gives the stages within it each span without the values that a frozen source repeats.

    Measured batches come out as they went in, for they are recorded; ``Span.frozen`` says which of their values are
    repeats, from when that was found until they move again. What was counted before it was found stays counted: a
    stage looks forward only.

    Args:
        stages: what works on the data; an alarm's condition goes to them as an event.

    """

    def __init__(self, stages: Stage) -> None:
        self._stages = stages
        self._watch = FrozenWatch()
        self._open: list[_Hold] = []

    def advance(self, span: Span) -> Span:
        """Pass ``span`` through the stages, less the repeats."""
        found = self._watch.take(span.batches, span.end)
        if not found and not self._open:
            return self._stages.advance(span)
        batches = {batch.group.key: batch for batch in span.batches if batch.group.origin == "measured"}
        masks = {key: np.zeros(batch.values.shape, dtype=np.bool_) for key, batch in batches.items()}
        new = [_Hold(each) for each in found]
        holds = [*self._open, *new]
        for hold in holds:
            hold.take(batches, masks)
        events = _conditions(_counts(self._open), new, holds)
        self._open = [hold for hold in holds if hold.end == _NEVER]
        masks = {key: mask for key, mask in masks.items() if mask.any()}
        given = [_masked(batch, masks.get(batch.group.key)) for batch in span.batches]
        return replace(advanced_with(self._stages, span.adding(events=events), given), frozen=masks)


class _Hold:
    """One frozen unit until it moves again.

    Attributes:
        found: what was found; ``end``: when the first of the unit's signals took another value, microseconds.
    """

    def __init__(self, found: Frozen) -> None:
        self.found = found
        self.end = _NEVER
        self._until = {column: _NEVER for column, _ in found.members}
        self._values = dict(found.members)

    def take(self, batches: _Batches, masks: dict[tuple[str, str], Flags]) -> None:
        """Mark the repeats in ``masks``."""
        for column, value in self._values.items():
            if self._until[column] == _NEVER:
                self._until[column] = _moves(batches.get(column[0]), column[1], value, self.found.t)
        self.end = min(self._until[column] for column in self.found.unit)
        for (key, signal), until in self._until.items():
            batch = batches.get(key)
            if batch is not None:
                first, last = np.searchsorted(batch.t, [self.found.t, min(until, self.end)], side="left")
                masks[key][first:last, _places(batch.group, signal)] = True


def _places(group: Group, signal: str) -> list[int]:
    """Return where a signal is, under its own name and aside."""
    places = (group.place(name) for name in (signal, kept_aside(group.source, signal)))
    return [place for place in places if place is not None]


def _moves(batch: Batch | None, signal: str, value: float, since: int) -> int:
    """Return when a signal takes another value at or after ``since``; a time beyond all for not yet."""
    if batch is None:
        return _NEVER
    first = int(np.searchsorted(batch.t, since, side="left"))
    rest = batch.values[first:, _places(batch.group, signal)]
    moved = np.flatnonzero(((rest != value) & ~np.isnan(rest)).any(axis=1))
    return int(batch.t[first + int(moved[0])]) if len(moved) else _NEVER


def _counts(holds: Iterable[_Hold]) -> dict[str, int]:
    """Return how many units of each source are frozen."""
    counts: dict[str, int] = {}
    for hold in holds:
        counts[hold.found.source] = counts.get(hold.found.source, 0) + 1
    return counts


def _conditions(began: dict[str, int], new: Sequence[_Hold], holds: Sequence[_Hold]) -> list[AlarmCondition]:
    """Return where the first unit of a source froze and where the last one moved again."""
    edges = [(hold.found.t, 1, hold) for hold in new]
    edges += [(hold.end, -1, hold) for hold in holds if hold.end != _NEVER]
    counts, conditions = dict(began), []
    for t, step, hold in sorted(edges, key=lambda edge: (edge[0], -edge[1])):
        source = hold.found.source
        before = counts.get(source, 0)
        counts[source] = before + step
        if not before:
            conditions.append(AlarmCondition(t, FROZEN_LIMIT, source, True, _why(hold.found)))
        elif not counts[source]:
            conditions.append(AlarmCondition(t, FROZEN_LIMIT, source, False))
    return conditions


def _why(found: Frozen) -> str:
    seconds = (found.t - found.start) / MICROSECONDS
    moved = listed(spoken(found.moved))
    return f"{found.source} has sent the same values for {seconds:.0f} s while {moved} moved; check its link"


def _masked(batch: Batch, mask: Flags | None) -> Batch:
    return batch if mask is None else replace(batch, values=np.where(mask, np.nan, batch.values))
