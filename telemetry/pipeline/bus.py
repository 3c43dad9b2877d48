"""Fans finished spans out to whoever listens.

Two sorts listen. A *direct* listener is called at once and keeps nothing waiting: the snapshot, the sounder, the
printer of events. A *queued* listener, the store, takes spans off the run's hands and works through them in its
own thread; it states its own bound. A live run never waits for it: what it refuses is counted and comes back into
the run as a :class:`~telemetry.model.events.Loss`, which raises an alarm. A replay waits for room instead.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Protocol

from telemetry.model.batch import Span
from telemetry.model.errors import ShakedownError
from telemetry.model.events import AlarmCondition, Loss, SavingChange
from telemetry.pipeline.part_failure import log_failure, part_failure, part_name

Direct = Callable[[Span], None]


class Queued(Protocol):
    """A listener with a bounded queue of its own."""

    def offer(self, span: Span) -> int:
        """Take ``span`` without ever blocking; return the number of values refused, 0 normally."""
        ...

    async def room(self, values: int) -> None:
        """Return once a span of so many values would be taken."""
        ...

    def held(self) -> tuple[int, str] | None:
        """Return the end of the oldest span that it cannot write now, and why; None while it writes."""
        ...


class Bus:
    """Publishes spans.

    Args:
        waits: wait for room in queued listeners rather than lose (a replay); a live run does not wait.
        on_loss: called for each loss, when a queued listener stops or resumes writing, and when a direct one fails;
            adds it to the run.

    Attributes:
        published: values (rows times signals) of all spans.
        refused: values not taken, by listener.
    """

    def __init__(self, waits: bool, on_loss: Callable[[Loss | SavingChange | AlarmCondition], None]) -> None:
        self._waits = waits
        self._on_loss = on_loss
        self._direct: list[Direct] = []
        self._queued: dict[str, Queued] = {}
        self._holding: set[str] = set()
        self._failed: set[object] = set()
        self.published = 0
        self.refused: Counter[str] = Counter()

    def attach(self, listener: Direct) -> None:
        """Call ``listener`` with every span; it must be quick. One that raises misses that span only."""
        self._direct.append(listener)

    def subscribe(self, name: str, listener: Queued) -> None:
        """Offer every span to ``listener``; ``name`` is what its losses are reported under."""
        self._queued[name] = listener

    async def publish(self, span: Span) -> None:
        """Give ``span`` to every listener, direct ones first: alarms never wait for the disk."""
        self.published += span.value_count
        for listener in tuple(self._direct):
            try:
                listener(span)
            except Exception as error:
                self._report_once(listener, span.end, error)
        for name, queued in self._queued.items():
            if self._waits:
                await queued.room(span.value_count)
            refused, why = self._offer(queued, span)
            if refused:
                self.refused[name] += refused
                self._on_loss(Loss(span.end, name, refused, why))
            self._watch(name, queued, span.end)

    def _report_once(self, listener: Direct, end: int, error: Exception) -> None:
        if listener not in self._failed:
            self._failed.add(listener)
            part = part_name(getattr(listener, "__self__", listener))
            self._on_loss(part_failure(end, part, error, "what it shows may be wrong"))

    def _watch(self, name: str, queued: Queued, end: int) -> None:
        held = queued.held()
        if held is not None and name not in self._holding:
            self._holding.add(name)
            self._on_loss(SavingChange(end, name, *held))
        elif held is None and name in self._holding:
            self._holding.remove(name)
            self._on_loss(SavingChange(end, name, None))

    def _offer(self, queued: Queued, span: Span) -> tuple[int, str]:
        try:
            refused = queued.offer(span)
        except ShakedownError as error:
            self._offer_events(queued, span)
            return span.value_count, str(error)
        except Exception as error:
            self._offer_events(queued, span)
            part = part_name(queued)
            if queued not in self._failed:
                self._failed.add(queued)
                log_failure(part, error)
            return span.value_count, f"internal error in {part} ({type(error).__name__})"
        return refused, getattr(queued, "why_refused", "") or "it is full and cannot keep up"

    @staticmethod
    def _offer_events(queued: Queued, span: Span) -> None:
        """Offer what happened without its rows: among it is what was lost before."""
        with suppress(Exception):
            queued.offer(replace(span, batches=()))
