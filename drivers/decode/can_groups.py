"""Brings together signals that a device spreads over several messages. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from telemetry.model.batch import Batch, Group


class GroupRows:
    """The rows of one group, made from the messages that carry its signals.

    A row is closed when every signal has been seen, when one comes a second time (the next round has begun), or
    when ``limit_us`` has passed since its first message; what failed to come is unknown. A row's time is that of its
    last message.

    Args:
        group: its signals are all that may come.
        limit_us: how long a row may stay open, microseconds.

    Attributes:
        incomplete: rows closed with something missing.

    """

    def __init__(self, group: Group, limit_us: int) -> None:
        self.group = group
        self.incomplete = 0
        self._limit_us = limit_us
        self._width = len(group.signals)
        self._t: list[int] = []
        self._rows: list[list[float]] = []
        self._open: list[float | None] = [None] * self._width
        self._missing = self._width
        self._began = 0
        self._last = 0

    def add(self, arrival: int, places: Sequence[int], values: Sequence[float | None]) -> None:
        """Take what one message brought: ``values[i]`` is of the group's signal ``places[i]``; None: not carried."""
        opened = self._open
        if self._missing < self._width and (
            arrival - self._began > self._limit_us
            or any(
                opened[place] is not None for place, value in zip(places, values, strict=True) if value is not None
            )
        ):
            self._close()
            opened = self._open
        if self._missing == self._width:
            self._began = arrival
        for place, value in zip(places, values, strict=True):
            if value is not None:
                opened[place] = value
                self._missing -= 1
                self._last = arrival
        if self._missing == 0:
            self._close()

    def add_run(self, arrival: int, start: int, values: list[float | None]) -> None:
        """Take a message that always brings the same signals, from place ``start`` on: common, and quicker."""
        opened, missing = self._open, self._missing
        if missing < self._width and (opened[start] is not None or arrival - self._began > self._limit_us):
            self._close()
            opened, missing = self._open, self._missing
        if missing == self._width:
            self._began = arrival
        count = len(values)
        opened[start : start + count] = values
        self._missing = missing - count
        self._last = arrival
        if missing == count:
            self._close()

    def add_whole(self, arrival: int, row: list[float]) -> None:
        """Take a message that brings every signal of the group, in the group's order."""
        self._t.append(arrival)
        self._rows.append(row)

    def close_due(self, now: int) -> None:
        """Close the open row if its time is over at ``now``."""
        if self._missing < self._width and now - self._began > self._limit_us:
            self._close()

    def taken(self) -> Batch | None:
        """Give out the rows closed since the last call; None where there are none."""
        if not self._t:
            return None
        batch = Batch.of_rows(self.group, self._t, self._rows)
        self._t, self._rows = [], []
        return batch

    def _close(self) -> None:
        if self._missing:
            self.incomplete += 1
        self._t.append(self._last)
        self._rows.append([math.nan if value is None else value for value in self._open])
        self._open = [None] * self._width
        self._missing = self._width
