"""Makes rows of one group of what its frames bring, where the parts come in several. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from telemetry.model.batch import Batch, Group

from .device_clock import ArrivalClock
from .frame_layout import Message


class _Pending:
    """The row of one group that is being assembled."""

    def __init__(self, width: int, begun: int) -> None:
        self.values = [math.nan] * width
        self.parts: set[tuple[str, int]] = set()
        self.begun = begun
        self.latest = begun


class RowAssembly:
    """The rows of one group.

    Args:
        group: with every signal that its messages may carry.
        messages: the kinds of frame that make one row.
        within: microseconds over which the parts of one row may come.
        spaced: whether rows that arrive in one clump are spaced as a steady sender sent them.

    Attributes:
        incomplete: rows made before all their parts had come.

    """

    def __init__(self, group: Group, messages: Sequence[Message], within: int, spaced: bool) -> None:
        self.group = group
        self.ready: list[list[float]] = []
        self.arrivals: list[int] = []
        self.incomplete = 0
        # How many frames make a row of several of one kind is known from the row before.
        self._kinds = {(message.name, 0) for message in messages if not message.is_paged}
        self._paged = {message.name for message in messages if message.is_paged}
        self._pages: set[tuple[str, int]] | None = None if self._paged else set()
        # Repeats that are counted in the frame join the group once one has a reading: how many a device has is not
        # known before, and a group may widen.
        few = [f for m in messages for f in m.fields if f.count_byte is not None or f.first is not None]
        counted = {signal for field in few for signal in field.signals}
        self._shown = [place for place, signal in enumerate(group.signals) if signal not in counted]
        self._hidden = {place for place, signal in enumerate(group.signals) if signal in counted}
        self._within = within
        self._pending: _Pending | None = None
        self._clock = ArrivalClock() if spaced else None

    def take(
        self, message: Message, places: Sequence[int], values: Sequence[float], arrival: int, page: int = 0
    ) -> None:
        """Take what one frame brings: ``values`` for the group's ``places``; ``page`` tells it from its like."""
        pending, part = self._pending, (message.name, page)
        if pending is not None and (part in pending.parts or arrival - pending.begun > self._within):
            self.close()
            pending = None
        if pending is None:
            pending = self._pending = _Pending(len(self.group.signals), arrival)
        for place, value in zip(places, values, strict=True):
            if not message.is_paged or not math.isnan(value):
                pending.values[place] = value
        if self._hidden:
            self._show(pending.values)
        pending.parts.add(part)
        pending.latest = arrival
        if self._is_whole(pending):
            self.close()

    def _show(self, values: Sequence[float]) -> None:
        """Widen the group by each signal that has its first reading."""
        new = [place for place in sorted(self._hidden) if not math.isnan(values[place])]
        self._shown += new
        self._hidden -= set(new)

    def _is_whole(self, pending: _Pending) -> bool:
        return self._pages is not None and pending.parts >= self._kinds | self._pages

    def close(self) -> None:
        """Make a row of what has come."""
        if self._pending is not None:
            self.incomplete += self._pages is not None and not self._is_whole(self._pending)
            if self._paged:
                self._pages = {part for part in self._pending.parts if part[0] in self._paged}
            self.ready.append(self._pending.values)
            self.arrivals.append(self._pending.latest)
            self._pending = None

    def waits_too_long(self, now: int) -> bool:
        """Tell whether the row has been begun too long ago for more of its parts to come."""
        return self._pending is not None and now - self._pending.begun > self._within

    def batch(self) -> Batch | None:
        """Return the finished rows and forget them."""
        if not self.ready:
            return None
        times = self.arrivals if self._clock is None else self._spaced(self._clock)
        group, rows = self.group, self.ready
        if len(self._shown) < len(group.signals) or self._shown != sorted(self._shown):
            group = Group(group.source, group.name, tuple(group.signals[place] for place in self._shown))
            rows = [[row[place] for place in self._shown] for row in rows]
        batch = Batch.of_rows(group, times, rows)
        self.ready, self.arrivals = [], []
        return batch

    def _spaced(self, clock: ArrivalClock) -> list[int]:
        """Space rows that arrived in one clump as a steady sender sent them."""
        times: list[int] = []
        begin = 0
        for place, arrival in enumerate(self.arrivals):
            if place + 1 == len(self.arrivals) or self.arrivals[place + 1] != arrival:
                times += clock.map(place + 1 - begin, arrival)
                begin = place + 1
        return times
