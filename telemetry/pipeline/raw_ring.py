"""The last 30 s of raw bytes of every link, in memory: kept for good around each high alarm, and shown on the screen.

The one event that matters can then be read again with a better map. Rows need no such care: the store keeps each one.
"""

from __future__ import annotations

import threading
from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field

from telemetry.alarms.priorities import priority_of
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.capture import CapturedPiece
from telemetry.model.events import AlarmChange
from telemetry.model.raw_bytes import RawBytes, RawMissing, packed

PIECES = 400
_MOST_BYTES = 4096
AROUND = 30 * MICROSECONDS
"""Kept before an alarm, and after it."""
LINK_BYTES = 8_000_000
"""Held in memory for one link: 30 s of 2 Mbit/s."""
SESSION_BYTES = 64_000_000
"""Kept in the store for one session, so that alarms without end cannot fill the disk."""
_BLOCK_US = MICROSECONDS
_BLOCK_BYTES = 65_536
_SLACK = 5 * MICROSECONDS  # an alarm is judged a little after its time

_MEMORY_FULL = "the link sent more than the memory set aside for it holds"
_SESSION_FULL = "this session's share of the store for raw bytes is used up"


@dataclass(slots=True)
class _Block:
    start: int
    end: int
    pieces: int = 0
    data: bytearray = field(default_factory=bytearray)


@dataclass(slots=True)
class _Link:
    """Blocks of one link, oldest first, the last one still being filled; and what found no room, by second."""

    blocks: deque[_Block] = field(default_factory=deque)
    bytes: int = 0
    dropped: deque[tuple[int, int, int]] = field(default_factory=deque)  # start, end, bytes

    def add(self, piece: CapturedPiece, most: int) -> None:
        data = packed(piece)
        last = self.blocks[-1] if self.blocks else None
        if last is None or piece.t - last.start >= _BLOCK_US or len(last.data) >= _BLOCK_BYTES:
            last = _Block(piece.t, piece.t)
            self.blocks.append(last)
            self._forget(piece.t - AROUND - _SLACK)
        last.data += data
        last.end = max(last.end, piece.t)
        last.pieces += 1
        self.bytes += len(data)
        while self.bytes > most:
            self._drop()

    def _forget(self, before: int) -> None:
        while self.blocks[0].end < before:
            self.bytes -= len(self.blocks.popleft().data)
        while self.dropped and self.dropped[0][1] < before:
            self.dropped.popleft()

    def _drop(self) -> None:
        gone = self.blocks.popleft()
        self.bytes -= len(gone.data)
        start, lost = gone.start, len(gone.data)
        if self.dropped and gone.end - self.dropped[-1][0] < MICROSECONDS:
            start, _, before = self.dropped.pop()
            lost += before
        self.dropped.append((start, gone.end, lost))

    def taken(self, begin: int, end: int, whole: bool) -> list[_Block]:
        """Take out the blocks from ``begin`` to ``end``; the one being filled too where ``whole``."""
        out, kept = [], deque[_Block]()
        while self.blocks:
            block = self.blocks.popleft()
            is_open = not self.blocks and not whole
            if begin <= block.end and block.start <= end and not is_open:
                out.append(block)
                self.bytes -= len(block.data)
            else:
                kept.append(block)
        self.blocks = kept
        return out

    def lost(self, begin: int) -> tuple[int, int, int] | None:
        """Return first and last time and the bytes of what found no room since ``begin``, and forget it."""
        found = [each for each in self.dropped if each[1] >= begin]
        self.dropped.clear()
        return (found[0][0], found[-1][1], sum(count for *_, count in found)) if found else None


def _is_high(alarm: AlarmChange) -> bool:
    return priority_of(alarm.limit, alarm.level) == "high"


class RawRing:
    """Holds what links send; hands on what came around high alarms.

    Args:
        keep: takes a span that holds raw bytes and nothing else; the store's ``offer``.
        link_bytes: most that is held for one link.
        session_bytes: most that is handed on.

    """

    def __init__(
        self, keep: Callable[[Span], object], link_bytes: int = LINK_BYTES, session_bytes: int = SESSION_BYTES
    ) -> None:
        self._keep = keep
        self._link_bytes, self._room = link_bytes, session_bytes
        self._lock = threading.Lock()
        self._links: defaultdict[str, _Link] = defaultdict(_Link)
        self._alarm_t: int | None = None
        self._begin = self._until = self._due = 0
        self._refused: dict[str, RawMissing] = {}

    def take(self, piece: CapturedPiece) -> None:
        """Hold one piece; called from reading threads."""
        with self._lock:
            self._links[piece.source].add(piece, self._link_bytes)

    def follow(self, span: Span) -> None:
        """Look for high alarms in ``span``, and hand on what is due; a direct listener of the bus."""
        for event in span.events:
            if isinstance(event, AlarmChange) and event.state == "raised" and _is_high(event):
                self._alarmed(event.t)
        if self._alarm_t is None or (span.end < self._due and not span.final):
            return
        self._due = span.end + _BLOCK_US
        over = span.final or span.end > self._until
        raw, missing = self._taken(self._alarm_t, over)
        if over:
            missing += self._refused.values()
            self._refused.clear()
            self._alarm_t = None
        if raw or missing:
            self._keep(Span(span.end, raw=(*raw, *missing)))

    def _alarmed(self, t: int) -> None:
        """Begin a stretch, or let the present one go on."""
        if self._alarm_t is None:
            self._alarm_t, self._begin, self._due = t, t - AROUND, 0
        self._until = max(self._until, t + AROUND)

    def _taken(self, alarm_t: int, over: bool) -> tuple[list[RawBytes], list[RawMissing]]:
        raw, missing = [], []
        with self._lock:
            for source, link in self._links.items():
                if (lost := link.lost(self._begin)) is not None:
                    missing.append(RawMissing(alarm_t, source, *lost, _MEMORY_FULL))
                for block in link.taken(self._begin, self._until, over):
                    if len(block.data) > self._room:
                        self._refuse(alarm_t, source, block)
                        continue
                    self._room -= len(block.data)
                    raw.append(RawBytes(alarm_t, source, block.start, block.end, block.pieces, bytes(block.data)))
        return raw, missing

    def _refuse(self, alarm_t: int, source: str, block: _Block) -> None:
        before = self._refused.get(source)
        start, lost = (block.start, 0) if before is None else (before.start, before.lost_bytes)
        self._refused[source] = RawMissing(alarm_t, source, start, block.end, lost + len(block.data), _SESSION_FULL)


class RawTail:
    """Holds the last pieces of each source; given pieces from reading threads, read by the screen."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pieces: dict[str, deque[CapturedPiece]] = {}

    def take(self, piece: CapturedPiece) -> None:
        """Hold one piece, of a long one its beginning."""
        if len(piece.data) > _MOST_BYTES:
            piece = CapturedPiece(piece.t, piece.source, piece.direction, piece.data[:_MOST_BYTES])
        with self._lock:
            self._pieces.setdefault(piece.source, deque(maxlen=PIECES)).append(piece)

    def last(self, source: str) -> list[CapturedPiece]:
        """Return the pieces of ``source`` that are held, oldest first."""
        with self._lock:
            return list(self._pieces.get(source, ()))
