"""What is known of a session, for a look back at any zoom: what a view of it asks, wherever it is kept."""

from __future__ import annotations

from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np

from telemetry.analysis.columns import Columns, Pieces, columns_of, together
from telemetry.model.batch import Batch
from telemetry.model.events import AlarmChange, Event, Gap, Mark, MarkChange
from telemetry.model.recording import Recording, TimeBasis

_KEPT_WIDTHS = 64
"""Signals times zooms whose columns are remembered."""
PhaseWord = Literal["rest", "drive", "work", "charge"]


class Stretch(NamedTuple):
    """From when to when, int microseconds, the machine did what."""

    start: int
    end: int
    word: PhaseWord


class Past(ABC):
    """What is known of a session up to :attr:`end`.

    Attributes:
        start: zero of the times shown, int microseconds.
        end: up to when anything is known.
        time_basis: whether times are wall time.
        events: marks, alarm changes and gaps in the order in which they came.
        all_events: everything that happened, as far as it is known; empty in a run, whose snapshot has it.
        told: counts up with each event.
        version: counts up as older values become known, or known more exactly.
        grows: whether more is still to come.
        doing: what keeps some of it from being shown yet, in a few words; empty for nothing.
        trouble: why some of it will not be shown, in one sentence; empty for nothing.

    """

    def __init__(self, start: int, time_basis: TimeBasis = "absolute") -> None:
        self.start, self.end = start, start
        self.time_basis: TimeBasis = time_basis
        self.events: list[Event] = []
        self.all_events: list[Event] = []
        self.told = 0
        self.version = 0
        self.grows = True
        self.doing = self.trouble = ""
        self._kept: dict[tuple[str, int], tuple[int, int, Columns]] = {}

    @property
    @abstractmethod
    def signals(self) -> Sequence[str]:
        """The signals of which a value is known, in the order in which they came."""

    @property
    @abstractmethod
    def phases(self) -> Sequence[Stretch]:
        """What the machine did, in time order."""

    @abstractmethod
    def extremes(self, signal: str) -> tuple[float, float] | None:
        """Return lowest and highest value of a signal in the session so far; None where none is known."""

    @abstractmethod
    def blocks(self, signal: str) -> tuple[Sequence[Pieces], float]:
        """Return what is known of a signal, in time order, and the longest interval after it that is no gap yet."""

    @abstractmethod
    def recent(self, first: int, last: int) -> Sequence[Batch]:
        """Return the rows from ``first`` to ``last``, both included: all groups, derived ones too.

        Raises:
            InputError: they are not held any more.

        """

    @abstractmethod
    def recording(self, first: int, last: int) -> Recording:
        """Return the measured rows from ``first`` to ``last``, both included.

        Raises:
            InputError: they are not held any more.

        """

    def want(self, _signals: Sequence[str], _first: int, _last: int, _width: int, /) -> None:
        """Say what is to be drawn next, so that it can be fetched; in memory it is there already."""
        return

    def poll(self) -> None:
        """Take over what has been fetched meanwhile."""
        return

    def close(self) -> None:
        """Stop fetching."""
        return

    def take_event(self, event: Event) -> None:
        """Keep a mark, an alarm change or a gap."""
        self.told += isinstance(event, MarkChange | Mark | AlarmChange | Gap)
        if isinstance(event, MarkChange):
            self.events = [event.applied(each) if isinstance(each, Mark) else each for each in self.events]
        elif isinstance(event, Mark | AlarmChange | Gap):
            self.events.append(event)

    def columns(self, signal: str, width: int, first: int, count: int) -> Columns:
        """Return ``count`` columns of ``width`` microseconds each, the first beginning at ``first`` after the start.

        Columns begin at whole multiples of ``width`` after the start; those that cannot change any more are kept.
        """
        blocks, longest = self.blocks(signal)
        number = first // width
        last_known = int(blocks[-1].last[-1]) if blocks else self.start
        settled = max(number, (last_known - self.start) // width)
        version, kept_from, kept = self._kept.get((signal, width), (-1, 0, None))
        begin, stop = number, number + count
        parts = []
        if kept is not None and version == self.version and kept_from <= begin < kept_from + len(kept):
            part = kept.between(begin - kept_from, min(stop - kept_from, len(kept)))
            parts.append(part)
            begin += len(part)
        if begin < stop:
            edges = self.start + width * np.arange(begin, stop + 1, dtype=np.int64)
            parts.append(columns_of(blocks, edges, self.end, longest))
        found = together(parts)
        self._kept[signal, width] = (self.version, number, found.between(0, min(settled - number, count)))
        if len(self._kept) > _KEPT_WIDTHS:
            del self._kept[next(iter(self._kept))]
        return found

    def extremes_until(self, signal: str, t: int) -> tuple[float, float] | None:
        """Return lowest and highest value up to ``t``; None where none is known."""
        blocks, _ = self.blocks(signal)
        counts = [(block, int(np.searchsorted(block.first, t, side="right"))) for block in blocks]
        known = [(block.low[:count].min(), block.high[:count].max()) for block, count in counts if count]
        return (float(min(low for low, _ in known)), float(max(high for _, high in known))) if known else None

    def value_at(self, signal: str, t: int) -> tuple[float, float] | None:
        """Return the value at ``t``: lowest and highest of the latest piece not after it; None in a gap."""
        blocks, longest = self.blocks(signal)
        place = bisect_right(blocks, t, key=lambda block: int(block.first[0])) - 1
        if place < 0:
            return None
        block = blocks[place]
        row = int(np.searchsorted(block.first, t, side="right")) - 1
        if t > block.last[row]:
            following = block.joined[row + 1 : row + 2]
            if not len(following) and place + 1 < len(blocks):
                following = blocks[place + 1].joined[:1]
            if not (following[0] if len(following) else t <= block.last[row] + longest):
                return None
        return float(block.low[row]), float(block.high[row])
