"""What a stage is, and the chain of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Protocol, runtime_checkable

import numpy as np

from telemetry.model.batch import Batch, Span, Times, Values
from telemetry.model.events import AlarmCondition
from telemetry.pipeline.part_failure import part_failure, part_name


class Stage(Protocol):
    """State plus span in, span with more in it out. No clock but the data's, no input or output, no globals.

    Each session starts with fresh stages. What a stage gives out over a session must not depend on where the spans
    were cut, to the last bit; a property test holds every stage to that.
    """

    def advance(self, span: Span) -> Span:
        """Take ``span`` in and return it with batches and events added; a ``final`` span empties what is held."""
        ...


@runtime_checkable
class Renewable(Protocol):
    """A stage that can start again in mid-session and say nothing false; one that counts from the start cannot."""

    def afresh(self) -> Stage:
        """Return a fresh one with the same settings."""
        ...


class Chain:
    """Stages one after another, itself a stage.

    Where one fails through a mistake of the program no row is lost: the span goes on as it was given to that stage.
    The stage is left out from then on, or starts again where it is :class:`Renewable`. The next span reports the
    condition that raises the alarm, once for each stage.
    """

    def __init__(self, stages: Iterable[Stage]) -> None:
        self._stages = list(stages)
        self._reported: set[str] = set()
        self._failures: list[AlarmCondition] = []

    def advance(self, span: Span) -> Span:
        """Pass ``span`` through every stage in order."""
        if self._failures:
            span, self._failures = span.adding(events=self._failures), []
        for stage in tuple(self._stages):
            try:
                span = stage.advance(span)
            except Exception as error:
                self._go_on_without(stage, span.end, error)
        return span.adding(events=self._failures) if span.final and self._failures else span

    def _go_on_without(self, stage: Stage, t: int, error: Exception) -> None:
        place, part = self._stages.index(stage), part_name(stage)
        if isinstance(stage, Renewable):
            self._stages[place] = stage.afresh()
            consequence = "it begins afresh"
        else:
            del self._stages[place]
            consequence = "it is left out from here on"
        if part not in self._reported:
            self._reported.add(part)
            self._failures.append(part_failure(t, part, error, consequence))


class Chosen:
    """The group that represents a signal: the first of the session to carry it, the earlier row deciding.

    Args:
        signal: its name.
        measured_only: leave derived groups out; else a derived one is preferred at equal times.
    """

    def __init__(self, signal: str, measured_only: bool = True) -> None:
        self.signal = signal
        self._measured_only = measured_only
        self.key: tuple[str, str] | None = None

    def find(self, span: Span) -> tuple[Batch, Values] | None:
        """Return this span's batch of the chosen group and its column, or None where the span has none."""
        if self.key is None:
            carriers = [
                b for b, _ in span.carrying(self.signal) if b.group.origin == "measured" or not self._measured_only
            ]
            if not carriers:
                return None
            self.key = min(carriers, key=lambda b: (int(b.t[0]), b.group.origin, b.group.key)).group.key
        for batch in span.batches:
            if batch.group.key == self.key:
                column = batch.column(self.signal)
                return None if column is None else (batch, column)
        return None


def known_values(chosen: Chosen, span: Span) -> tuple[Times, Values]:
    """Return the known rows of a signal in ``span``: times, int64 (rows,), and values, float64 (rows,)."""
    found = chosen.find(span)
    if found is None:
        return np.empty(0, dtype=np.int64), np.empty(0)
    unknown = np.isnan(found[1])
    return (found[0].t, found[1]) if not unknown.any() else (found[0].t[~unknown], found[1][~unknown])


class ChosenGroup:
    """The measured group that represents a kind of signals: the first of the session to carry enough of them.

    Args:
        wanted: whether a signal is of that kind.
        least: how many of them it must carry.

    Attributes:
        signals: those of the group, in its order; empty until it has come. They only grow.
    """

    def __init__(self, wanted: Callable[[str], bool], least: int = 1) -> None:
        self._wanted = wanted
        self._least = least
        self._key: tuple[str, str] | None = None
        self._layout: tuple[str, ...] = ()
        self._places: list[int] = []
        self.signals: tuple[str, ...] = ()

    def find(self, span: Span) -> tuple[Times, Values]:
        """Return this span's times, int64 (rows,), and values, float64 (rows, signals); no rows where none came."""
        if self._key is None:
            carriers = [batch for batch in span.batches if self._carries(batch)]
            if carriers:
                self._key = min(carriers, key=lambda batch: (int(batch.t[0]), batch.group.key)).group.key
        batch = next((b for b in span.batches if b.group.key == self._key), None) if self._key else None
        if batch is None:
            return np.empty(0, dtype=np.int64), np.empty((0, len(self._places)))
        if batch.group.signals != self._layout:
            self._layout = batch.group.signals
            self._places = [place for place, signal in enumerate(self._layout) if self._wanted(signal)]
            self.signals = tuple(self._layout[place] for place in self._places)
        return batch.t, batch.values[:, self._places]

    def _carries(self, batch: Batch) -> bool:
        group = batch.group
        return group.origin == "measured" and sum(map(self._wanted, group.signals)) >= self._least


def rows_together(chosen: Sequence[Chosen], span: Span) -> tuple[Times, Values]:
    """Return each time of ``span`` and what came at it of the chosen signals, NaN where one has no row.

    Returns:
        int64 (rows,) and float64 (rows, signals).
    """
    columns = [(place, found) for place, c in enumerate(chosen) if (found := c.find(span)) is not None]
    if not columns:
        return np.empty(0, dtype=np.int64), np.empty((0, len(chosen)))
    batches = {id(batch.t): batch for _, (batch, _) in columns}
    times = columns[0][1][0].t
    if len(batches) > 1:
        times = np.unique(np.concatenate([batch.t for batch in batches.values()]))
    table = np.full((len(times), len(chosen)), np.nan)
    for place, (batch, values) in columns:
        if batch.t is times:
            table[:, place] = values
        else:
            known = ~np.isnan(values)
            table[np.searchsorted(times, batch.t[known]), place] = values[known]
    return times, table
