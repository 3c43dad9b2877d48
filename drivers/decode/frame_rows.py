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
        self.parts: set[str] = set()
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
        self._kinds = {message.name for message in messages}
        # Repeats that are counted in the frame join the group once one has a reading: how many a device has is not
        # known before, and a group may widen.
        counted = {s for m in messages for f in m.fields if f.count_byte is not None for s in f.signals}
        self._shown = [place for place, signal in enumerate(group.signals) if signal not in counted]
        self._hidden = {place for place, signal in enumerate(group.signals) if signal in counted}
        self._within = within
        self._pending: _Pending | None = None
        self._clock = ArrivalClock() if spaced else None

    def take(self, message: Message, places: Sequence[int], values: Sequence[float], arrival: int) -> None:
        """Take what one frame brings: ``values`` for the group's ``places``."""
        pending = self._pending
        if pending is not None and (message.name in pending.parts or arrival - pending.begun > self._within):
            self.close()
            pending = None
        if pending is None:
            pending = self._pending = _Pending(len(self.group.signals), arrival)
        for place, value in zip(places, values, strict=True):
            pending.values[place] = value
        if self._hidden:
            self._show(pending.values)
        pending.parts.add(message.name)
        pending.latest = arrival
        if pending.parts == self._kinds:
            self.close()

    def _show(self, values: Sequence[float]) -> None:
        """Widen the group by each signal that has its first reading."""
        new = [place for place in sorted(self._hidden) if not math.isnan(values[place])]
        self._shown += new
        self._hidden -= set(new)

    def close(self) -> None:
        """Make a row of what has come."""
        if self._pending is not None:
            self.incomplete += self._pending.parts != self._kinds
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
