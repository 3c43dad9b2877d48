"""What has come in so far: rows as they came, older ones as extremes of each second.

A listener of the bus. What it holds is bounded: beyond :data:`MOST_VALUES` the oldest rows become the extremes of
their seconds, then of their minutes, so that a dip stays to be seen while its exact time becomes coarser.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from telemetry.analysis.columns import Joins, Pieces, coarser, woven
from telemetry.model.batch import MICROSECONDS, Batch, Flags, Group, Span, Times, Values, in_turn, merged
from telemetry.model.errors import InputError
from telemetry.model.events import Situation
from telemetry.model.recording import Recording, TimeBasis
from telemetry.pipeline.past import Past, PhaseWord, Stretch

MOST_VALUES = 500_000
"""Numbers kept in memory, times left out: 4 MB. Half of them are rows: thirty-four signals at 10 Hz for 12 min."""
CHUNK_ROWS = 2048
_OFF = 0.0
_UNITS = (MICROSECONDS, 60 * MICROSECONDS)
_WORDS: dict[Situation, PhaseWord] = {
    "resting": "rest",
    "charging": "charge",
    "driving": "drive",
    "braking": "drive",
}


@dataclass(frozen=True, eq=False)
class _Chunk:
    """Rows of a group, or their extremes: ``low`` and ``high`` (n, signals), the same array where they are rows.

    ``level`` says of what: 0 rows, 1 seconds, 2 minutes.
    """

    group: Group
    first: Times
    last: Times
    low: Values
    high: Values
    level: int = 0

    @property
    def is_rows(self) -> bool:
        return self.low is self.high

    @property
    def size(self) -> int:
        return self.low.size * (1 if self.is_rows else 2)

    def pieces(self, signal: str, joins: Joins) -> Pieces:
        """Return those of one signal, none where the group did not carry it yet."""
        place = self.group.place(signal)
        if place is None:
            nothing = np.empty(0)
            return joins.pieces(self.first[:0], self.first[:0], nothing, nothing)
        low = np.ascontiguousarray(self.low[:, place])
        return joins.pieces(self.first, self.last, low, low if self.is_rows else self.high[:, place].copy())

    def coarser(self, origin: int) -> _Chunk:
        """Return the next level that is smaller: rows that come once a second take no less as seconds.

        Seconds and minutes count from ``origin``, as the columns that they are drawn in do.
        """
        made = self
        for level in range(self.level, len(_UNITS)):
            found = coarser(self.first - origin, self.last - origin, self.low, self.high, _UNITS[level])
            made = _Chunk(self.group, found[0] + origin, found[1] + origin, *found[2:], level + 1)
            if made.size < self.size:
                break
        return made


class _Rows:
    """What came of one group: closed chunks, the open one, and batches not merged yet."""

    def __init__(self) -> None:
        self.closed: list[_Chunk] = []
        self.open: _Chunk | None = None
        self.pending: list[Batch] = []
        self.waiting = 0

    def settle(self) -> None:
        """Merge what is pending into the open chunk, and close that once it is long enough."""
        if not self.pending:
            return
        before = [] if self.open is None else [Batch(self.open.group, self.open.first, self.open.low)]
        batch = merged([*before, *self.pending])
        self.pending, self.waiting = [], 0
        for start in range(0, len(batch), CHUNK_ROWS):
            part = batch.rows(start, start + CHUNK_ROWS)
            self.open = _Chunk(part.group, part.t, part.t, part.values, part.values)
            if len(part) == CHUNK_ROWS:
                self.closed.append(self.open)
                self.open = None


class _Track:
    """The pieces of one signal, chunk by chunk."""

    def __init__(self) -> None:
        self.closed: list[Pieces] = []
        self.taken = 0
        self.joins = Joins()
        self.of: _Chunk | None = None
        self.found: tuple[Sequence[Pieces], float] = ((), 0.0)


class LivePast(Past):
    """The past of a run that goes on; :meth:`take` is its listener.

    Args:
        start: zero of the times shown, int microseconds.
        time_basis: whether times are wall time.
        most: numbers to keep.

    """

    def __init__(self, start: int, time_basis: TimeBasis = "absolute", most: int = MOST_VALUES) -> None:
        super().__init__(start, time_basis)
        self._most = most
        self._rows: dict[tuple[str, str], _Rows] = {}
        self._keys_of: dict[str, list[tuple[str, str]]] = {}
        self._in_turn: frozenset[str] = frozenset()
        self._tracks: dict[tuple[str, tuple[str, str]], _Track] = {}
        self._woven: dict[str, tuple[list[Sequence[Pieces]], tuple[Sequence[Pieces], float]]] = {}
        self._extremes: dict[str, tuple[float, float]] = {}
        self._phases: list[Stretch] = []
        self._works = False

    def take(self, span: Span) -> None:
        """Bring the past up to the end of ``span``."""
        self.end = max(self.end, span.end)
        for batch in span.batches:
            if len(batch):
                self._take_batch(batch, span.frozen.get(batch.group.key))
        for event in span.events:
            self.take_event(event)
        if span.situation is not None:
            self._follow(span.end, span.situation)
        self.grows = not span.final

    def _take_batch(self, batch: Batch, repeats: Flags | None) -> None:
        if repeats is not None:  # what a frozen source repeats was not measured then
            batch = Batch(batch.group, batch.t, np.where(repeats, np.nan, batch.values))
        engaged = batch.column("implement_engaged")
        if engaged is not None and engaged[-1] == engaged[-1]:
            self._works = bool(engaged[-1] > _OFF)
        key = batch.group.key
        rows = self._rows.get(key)
        if rows is None:
            rows = self._rows[key] = _Rows()
        if not rows.pending or rows.pending[-1].group is not batch.group:
            self._in_turn |= in_turn([batch.group])
        rows.pending.append(batch)
        rows.waiting += len(batch)
        if rows.waiting >= CHUNK_ROWS:
            self._settle(rows)

    def _settle(self, rows: _Rows) -> None:
        if not rows.pending:
            return
        before = len(rows.closed)
        rows.pending = [merged(rows.pending)]
        self._note(rows.pending[0])
        rows.settle()
        if len(rows.closed) > before:
            self._bound()

    def _note(self, batch: Batch) -> None:
        known = ~np.isnan(batch.values)
        for place in np.flatnonzero(known.any(axis=0)).tolist():
            signal = batch.group.signals[place]
            keys = self._keys_of.setdefault(signal, [batch.group.key])
            if batch.group.key not in keys:
                if signal not in self._in_turn:
                    continue
                keys.append(batch.group.key)
            column = batch.values[:, place]
            lowest, highest = float(np.nanmin(column)), float(np.nanmax(column))
            low, high = self._extremes.get(signal, (lowest, highest))
            self._extremes[signal] = (min(low, lowest), max(high, highest))

    def _bound(self) -> None:
        """Make the oldest chunks coarser while there are too many numbers; half of the room stays for rows."""
        chunks = [(rows, place) for rows in self._rows.values() for place in range(len(rows.closed))]
        chunks.sort(key=lambda each: int(each[0].closed[each[1]].first[0]))
        held = {level: sum(c.size for c in self._closed() if c.level == level) for level in range(len(_UNITS) + 1)}
        for rows, place in [*chunks, *chunks]:
            chunk = rows.closed[place]
            if sum(held.values()) <= self._most:
                return
            if chunk.level == len(_UNITS) or (chunk.level == 0) != (held[0] > self._most // 2):
                continue
            rows.closed[place] = smaller = chunk.coarser(self.start)
            held[chunk.level] -= chunk.size
            held[smaller.level] += smaller.size
            self._tracks.clear()
            self.version += 1

    def _closed(self) -> Iterator[_Chunk]:
        for rows in self._rows.values():
            yield from rows.closed

    def _follow(self, t: int, situation: Situation) -> None:
        word = _WORDS[situation]
        if word == "drive" and self._works:
            word = "work"
        if self._phases and self._phases[-1].word == word:
            self._phases[-1] = Stretch(self._phases[-1].start, t, word)
        else:
            begun = self._phases[-1].end if self._phases else self.start
            self._phases.append(Stretch(begun, t, word))

    @property
    def signals(self) -> Sequence[str]:
        """The signals of which a value is known."""
        for rows in self._rows.values():
            self._settle(rows)
        return tuple(self._keys_of)

    @property
    def phases(self) -> Sequence[Stretch]:
        """What the machine did."""
        return self._phases

    def extremes(self, signal: str) -> tuple[float, float] | None:
        """Return lowest and highest value so far."""
        self.blocks(signal)
        return self._extremes.get(signal)

    def blocks(self, signal: str) -> tuple[Sequence[Pieces], float]:
        """Return what is known of a signal."""
        if signal in self._in_turn:  # a source that takes over is noted once its rows are settled
            for rows in self._rows.values():
                self._settle(rows)
        if signal not in self._keys_of and signal not in self.signals:
            return (), 0.0
        found = [self._blocks_of(signal, key) for key in self._keys_of[signal]]
        if len(found) == 1:
            return found[0]
        sides = [blocks for blocks, _ in found]
        before = self._woven.get(signal)
        if before is None or any(a is not b for a, b in zip_longest(before[0], sides)):
            before = self._woven[signal] = (sides, ([woven(sides)], max(limit for _, limit in found)))
        return before[1]

    def _blocks_of(self, signal: str, key: tuple[str, str]) -> tuple[Sequence[Pieces], float]:
        """Return what one group says of a signal."""
        rows = self._rows[key]
        self._settle(rows)
        track = self._tracks.get((signal, key))
        if track is None:
            track = self._tracks[signal, key] = _Track()
        if track.found[0] and track.of is rows.open and track.taken == len(rows.closed):
            return track.found
        for chunk in rows.closed[track.taken :]:
            pieces = chunk.pieces(signal, track.joins)
            if len(pieces):
                track.closed.append(pieces)
        track.taken = len(rows.closed)
        joins, found = track.joins, track.closed
        if rows.open is not None:
            joins = joins.copy()
            pieces = rows.open.pieces(signal, joins)
            found = [*found, pieces] if len(pieces) else found
        track.of, track.found = rows.open, (found, joins.limit)
        return track.found

    def recording(self, first: int, last: int) -> Recording:
        """Return the measured rows of a stretch."""
        return _RowsHeld(self, [batch for batch in self.recent(first, last) if batch.group.origin == "measured"])

    def recent(self, first: int, last: int) -> Sequence[Batch]:
        """Return the rows of a stretch, all groups."""
        return list(self._between(first, last))

    def _between(self, first: int, last: int) -> Iterator[Batch]:
        for rows in self._rows.values():
            self._settle(rows)
            found = []
            for chunk in [*rows.closed, *([] if rows.open is None else [rows.open])]:
                cut = slice(*np.searchsorted(chunk.first, (first, last + 1)).tolist())
                if cut.stop > cut.start:
                    if not chunk.is_rows:
                        raise InputError("rows so long ago are no longer in memory; look at the session afterwards")
                    found.append(Batch(chunk.group, chunk.first[cut], chunk.low[cut]))
            if found:
                yield merged(found)


class _RowsHeld:
    """Rows in memory as a :class:`Recording`, given out as one span."""

    machine_text = None
    warnings: tuple[str, ...] = ()
    name = "this run"

    def __init__(self, past: Past, batches: Sequence[Batch]) -> None:
        self.time_basis: TimeBasis = past.time_basis
        self.start = past.start
        self.groups = tuple(batch.group for batch in batches)
        self._batches = tuple(batches)

    def spans(self, rows: int = 8192) -> Iterator[Span]:  # noqa: ARG002 - they are in memory already
        """Give all of it."""
        if self._batches:
            yield Span(max(int(batch.t[-1]) for batch in self._batches), self._batches)
