"""What a stage is, and the chain of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Protocol, runtime_checkable

from telemetry.model.batch import Batch, Span
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


def advanced_with(stage: Stage, span: Span, given: Sequence[Batch]) -> Span:
    """Return what ``stage`` makes of ``span`` with batches ``given`` in place of its own, which come out of it."""
    out = stage.advance(replace(span, batches=tuple(given)))
    return replace(out, batches=(*span.batches, *out.batches[len(given) :]))


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
