"""Gathers what drivers and operators hand in, cleans it, and closes it into spans."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Mapping, Sequence

from telemetry.machine.sections import SourceSettings
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, merged
from telemetry.model.events import Event
from telemetry.model.possible import Possible
from telemetry.pipeline.turns import Turns

AHEAD_AT_MOST = 5 * MICROSECONDS
"""How far ahead of the span's end a row is still believed; a device that spaces its own rows needs 2 s."""


def gather_for(sources: Sequence[SourceSettings]) -> Gather:
    """Return the gather of a live run, with what the sources' tables say of sign, lag and preference."""
    turned = frozenset(source.name for source in sources if source.sign_of_current == "charge-positive")
    prefer = {signal: source.name for source in sources for signal in source.prefer}
    lags = {source.name: round(source.lag_s * MICROSECONDS) for source in sources if source.lag_s is not None}
    silences = {s.name: round(s.silence_s * MICROSECONDS) for s in sources if s.silence_s is not None}
    return Gather(turned, lags=lags, turns=Turns([source.name for source in sources], prefer, silences))


class Gather:
    """The one place where rows come in; everything after it sees spans only.

    Args:
        charge_positive: names of the sources that count charging current positive; theirs is turned round.
        ahead_at_most: how far ahead of a span's end a row is still believed, microseconds; None for any distance: a
            replay hands rows over before their time.
        lags: how much later than they were true a source's readings come, int microseconds, by source; 0 for one that
            is not named. Rows cannot be put back to where they were true, for spans that are closed stay closed; so
            each source's rows are moved on by what it lags less than the one that lags most, and wait here until
            due. All are then aligned, nothing comes late that would not without, and everything is reported as
            much later as the greatest lag is.
        turns: who gives a signal that several sources give; None for a recording, in which that is settled.

    Attributes:
        possible: makes impossible values unknown, and counts them.
        late: rows that came behind the last end and took its time.
        ahead: rows that claimed to lie further ahead than is believable and took the present end.
    """

    def __init__(
        self,
        charge_positive: frozenset[str] = frozenset(),
        ahead_at_most: int | None = AHEAD_AT_MOST,
        lags: Mapping[str, int] | None = None,
        turns: Turns | None = None,
    ) -> None:
        self._lags = dict(lags or {})
        self._greatest_lag = max([0, *self._lags.values()])
        self._turns = Turns() if turns is None else turns
        self._charge_positive = charge_positive
        self._ahead_at_most = ahead_at_most
        self._batches: dict[tuple[str, str], list[Batch]] = defaultdict(list)
        self._groups: dict[tuple[str, str], Group] = {}
        self._events: list[Event] = []
        self._posted = asyncio.Event()
        self._end: int | None = None
        self.possible = Possible()
        self.late = 0
        self.ahead = 0

    def post(self, item: Batch | Event) -> None:
        """Take a batch or an input event; it comes out with the span that covers its time."""
        self._posted.set()
        if isinstance(item, Event):
            self._events.append(item)
        elif len(item):
            batch = self._cleaned(item)
            if wait := self._wait(batch.group.source):
                batch = Batch(batch.group, batch.t + wait, batch.values)
            self._batches[batch.group.key].append(batch)

    def _wait(self, source: str) -> int:
        """Return by how much the rows of ``source`` are moved on, never less than 0, microseconds."""
        return self._greatest_lag - self._lags.get(source, 0)

    @property
    def first(self) -> int | None:
        """The earliest time of what waits for a span; None where nothing does."""
        rows = [int(batch.t[0]) for pieces in self._batches.values() for batch in pieces]
        return min([*rows, *(event.t for event in self._events)], default=None)

    @property
    def posted(self) -> asyncio.Event:
        """Set when something is handed in; whoever waits for it clears it."""
        return self._posted

    def close(self, end: int, final: bool = False) -> Span:
        """Return the span of everything up to ``end``; rows that lie ahead of it wait.

        Args:
            end: int microseconds, never less than the last one.
            final: nothing will follow: what lies ahead is given out too, and the end moves there.
        """
        if final:
            end = max([end, *(int(b.t.max()) for bs in self._batches.values() for b in bs)])
        out = [batch for key in list(self._batches) if (batch := self._due(key, end)) is not None]
        events = [event for event in self._events if event.t <= end or final]
        self._events = [event for event in self._events if not (event.t <= end or final)]
        self._end = end
        out, marks = self._turns.settle(out, end)
        events = sorted([*events, *marks], key=lambda event: event.t)
        return Span(end, tuple(out), tuple(events), final=final)

    def note_frozen(self, span: Span) -> None:
        """Take what the stages found frozen in the latest span: such a source gives way to the next one."""
        self._turns.note_frozen(span)

    def _due(self, key: tuple[str, str], end: int) -> Batch | None:
        batch = merged(self._batches.pop(key))
        group = self._groups.get(key, batch.group).widened(batch.group.signals)
        self._groups[key] = group
        batch = self._in_time(batch.as_wide_as(group), end)
        due = int(batch.t.searchsorted(end, side="right"))
        if due < len(batch):
            self._batches[key].append(batch.rows(due, len(batch)))
        return batch.rows(0, due) if due else None

    def _in_time(self, batch: Batch, end: int) -> Batch:
        """Give rows behind the last end, or absurdly far ahead, a possible time; count them."""
        late = int(batch.t.searchsorted(self._end, side="left")) if self._end is not None else 0
        first_ahead = len(batch)
        if self._ahead_at_most is not None:
            believed = end + self._ahead_at_most + self._wait(batch.group.source)
            first_ahead = int(batch.t.searchsorted(believed, side="right"))
        if late == 0 and first_ahead == len(batch):
            return batch
        self.late += late
        self.ahead += len(batch) - first_ahead
        t = batch.t.copy()
        if self._end is not None:
            t[:late] = self._end
        t[first_ahead:] = end + self._wait(batch.group.source)
        return merged(
            [
                Batch(batch.group, t[:first_ahead], batch.values[:first_ahead]),
                Batch(batch.group, t[first_ahead:], batch.values[first_ahead:]),
            ]
        )

    def _cleaned(self, batch: Batch) -> Batch:
        """Make infinite and physically impossible values unknown, and turn round a current that counts charging."""
        values = batch.values
        place = batch.group.place("pack_current")
        if place is not None and batch.group.source in self._charge_positive:
            values = values.copy()
            values[:, place] = -values[:, place]
        values = self.possible.of(batch.group.signals, values)
        return batch if values is batch.values else Batch(batch.group, batch.t, values)
