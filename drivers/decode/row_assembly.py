"""Makes rows of one group where a device spreads its signals over several messages. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from telemetry.model.batch import Batch, Group

from .device_clock import ArrivalClock
from .frame_layout import Message


class RowAssembly:
    """The rows of one group, made of the messages that carry its signals.

    A row is closed when all its parts have come, when one comes a second time (the next round has begun), or when
    ``limit_us`` has passed since its first; what failed to come is unknown. A row's time is that of its last message.

    Args:
        group: its signals are all that may come.
        limit_us: how long a row may stay open, microseconds.
        whole: the parts of a whole row, as :meth:`add` gets them; None where they are not known yet.

    Attributes:
        incomplete: rows closed with something missing.

    """

    def __init__(self, group: Group, limit_us: int, whole: Iterable[Any] | None) -> None:
        self.group = group
        self.incomplete = 0
        self._limit_us = limit_us
        self._whole = None if whole is None else set(whole)
        self._t: list[int] = []
        self._rows: list[list[float]] = []
        self._open = [math.nan] * len(group.signals)
        self._came: set[Any] = set()
        self._began = self._last = 0

    def add(self, arrival: int, parts: Collection[Any], places: Iterable[int], values: Iterable[float]) -> None:
        """Take what one message brings: the ``parts`` of a row that it is, and values for the group's ``places``."""
        came = self._came
        if came and (arrival - self._began > self._limit_us or not came.isdisjoint(parts)):
            self.close()
            came = self._came
        if not came:
            self._began = arrival
        opened = self._open
        if isinstance(places, range):  # common, and quicker
            opened[places.start : places.stop] = values
        else:
            for place, value in zip(places, values, strict=True):
                opened[place] = value
        came.update(parts)
        self._last = arrival
        if self._whole is not None and came >= self._whole:
            self.close()

    def add_whole(self, arrival: int, row: list[float]) -> None:
        """Take a message that brings every signal of the group, in the group's order."""
        self._t.append(arrival)
        self._rows.append(row)

    def close_due(self, now: int) -> None:
        """Close the open row if its time is over at ``now``."""
        if now - self._began > self._limit_us:
            self.close()

    def close(self) -> None:
        """Make a row of what has come, if anything has."""
        if not self._came:
            return
        self.incomplete += self._whole is not None and not self._came >= self._whole
        self.add_whole(self._last, self._open)
        self._open = [math.nan] * len(self.group.signals)
        self._came = set()

    def taken(self) -> Batch | None:
        """Give out the rows closed since the last call; None where there are none."""
        if not self._t:
            return None
        t, rows = self._t, self._rows
        self._t, self._rows = [], []
        return self._batch(t, rows)

    def _batch(self, t: list[int], rows: list[list[float]]) -> Batch:
        return Batch.of_rows(self.group, t, rows)


class FrameRows(RowAssembly):
    """The rows of a group of frames on a serial line; a part is the name of a message and the page that a frame is.

    Args:
        group: with every signal that its messages may carry.
        messages: the kinds of frame that make one row.
        limit_us: how long a row may stay open, microseconds.
        spaced: whether rows that arrive in one clump are spaced as a steady sender sent them.

    """

    def __init__(self, group: Group, messages: Sequence[Message], limit_us: int, spaced: bool) -> None:
        # How many frames make a row of several of one kind is known from the row before.
        self._paged = {message.name for message in messages if message.is_paged}
        self._kinds: set[Any] = {(message.name, 0) for message in messages if not message.is_paged}
        super().__init__(group, limit_us, None if self._paged else self._kinds)
        # Repeats that are counted in the frame join the group once one has a reading: how many a device has is not
        # known before, and a group may widen.
        few = [f for m in messages for f in m.fields if f.count_byte is not None or f.first is not None]
        counted = {signal for field in few for signal in field.signals}
        self._shown = [place for place, signal in enumerate(group.signals) if signal not in counted]
        self._hidden = {place for place, signal in enumerate(group.signals) if signal in counted}
        self._clock = ArrivalClock() if spaced else None

    def take(
        self, message: Message, places: Sequence[int], values: Sequence[float], arrival: int, page: int = 0
    ) -> None:
        """Take what one frame brings: ``values`` for the group's ``places``; ``page`` tells it from its like."""
        if message.is_paged:
            known = [number for number, value in enumerate(values) if not math.isnan(value)]
            places, values = [places[number] for number in known], [values[number] for number in known]
        self.add(arrival, ((message.name, page),), places, values)

    def close(self) -> None:
        """Make a row of what has come, if anything has."""
        came = self._came
        super().close()
        if self._paged and came:
            self._whole = self._kinds | {(name, page) for name, page in came if name in self._paged}

    def _batch(self, t: list[int], rows: list[list[float]]) -> Batch:
        group = self.group
        new = [place for place in sorted(self._hidden) if not all(math.isnan(row[place]) for row in rows)]
        self._shown += new
        self._hidden -= set(new)
        if self._shown != list(range(len(group.signals))):
            group = Group(group.source, group.name, tuple(group.signals[place] for place in self._shown))
            rows = [[row[place] for place in self._shown] for row in rows]
        return Batch.of_rows(group, t if self._clock is None else _spaced(t, self._clock), rows)


def _spaced(arrivals: list[int], clock: ArrivalClock) -> list[int]:
    """Space rows that arrived in one clump as a steady sender sent them."""
    times: list[int] = []
    begin = 0
    for place, arrival in enumerate(arrivals):
        if place + 1 == len(arrivals) or arrivals[place + 1] != arrival:
            times += clock.map(place + 1 - begin, arrival)
            begin = place + 1
    return times
