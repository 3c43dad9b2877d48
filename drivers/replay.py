"""The source of a replay: plays the spans of a recording by a plan, along the same way as a live link."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from typing import ClassVar, Literal

import numpy as np

from telemetry.driver import DriverContext
from telemetry.model.batch import Batch, Span
from telemetry.model.errors import LinkUnavailable
from telemetry.model.events import Event

QUIET_STEPS = 4
"""While nothing is due a slice is longer by so much: live, too, fewer spans are closed then."""


class ReplayDriver:
    """Plays ``context.feed``; reads no file format itself.

    Batches keep the group they were recorded under. Derived groups and what stages found are left out: both are made
    anew. Recorded input events (what the operator did, link changes) are given out with the rows of their time.

    An error of the recording itself (a mistake far down in a file) leaves ``readings()`` as it is: what came before
    has been given out, and no retry would help.
    """

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "plan"
    plays_feed: ClassVar = True

    def __init__(self, context: DriverContext) -> None:
        self._feed = context.feed
        self.silence_s: float | None = None

    async def open(self) -> None:
        """Check that there is something to play.

        Raises:
            LinkUnavailable: nothing was handed over, because a machine file named this driver as a source.

        """
        if self._feed is None:
            raise LinkUnavailable("the replay driver is no source of a live run; use: shakedown replay RECORDING")

    async def readings(self) -> AsyncIterator[Batch | Event]:
        """Yield the rows and input events of the feed as they fall due, until it ends."""
        assert self._feed is not None, "open() refuses where there is no feed"
        plan = self._feed.plan
        reached: int | None = None
        for span in self._feed.spans:
            rest = _Rest(span)
            if reached is None:
                reached = rest.first - 1
            while reached < span.end:
                step = plan.slice_us
                due = await plan.reach(span.end if step is None else min(span.end, rest.slice_end(reached, step)))
                if due <= reached:
                    continue
                for item in rest.up_to(due):
                    yield item
                await plan.delivered(due)
                reached = due
            for item in rest.all():
                yield item

    async def close(self) -> None:
        """Let go of the recording's file."""
        closing = None if self._feed is None else getattr(self._feed.spans, "close", None)
        if closing is not None:
            closing()


class _Rest:
    """What of one span has not been given out yet."""

    def __init__(self, span: Span) -> None:
        self._batches = [batch for batch in span.batches if len(batch) and batch.group.origin == "measured"]
        self._given = [0] * len(self._batches)
        self._events = sorted((event for event in span.events if event.is_input), key=lambda event: event.t)
        self.first = self._next(span.end)

    def all(self) -> Iterator[Batch | Event]:
        """Give what is left: nothing, unless it bears a time outside its span."""
        return self.up_to(np.iinfo(np.int64).max)

    def slice_end(self, start: int, step: int) -> int:
        """Return where the slice from ``start`` ends: with the next row, one step on at least and four at most."""
        return min(max(self._next(start), start + step), start + QUIET_STEPS * step)

    def _next(self, where_none: int) -> int:
        """Return the time of the first row or event that was not given yet."""
        rows = zip(self._batches, self._given, strict=True)
        times = [int(batch.t[given]) for batch, given in rows if given < len(batch)]
        return min([*times, *(event.t for event in self._events[:1])], default=where_none)

    def up_to(self, t: int) -> Iterator[Batch | Event]:
        """Give the rows up to and including ``t`` that were not given yet, then the events."""
        for place, batch in enumerate(self._batches):
            start = self._given[place]
            stop = start + int(np.searchsorted(batch.t[start:], t, side="right"))
            if stop > start:
                self._given[place] = stop
                yield batch.rows(start, stop)
        while self._events and self._events[0].t <= t:
            yield self._events.pop(0)
