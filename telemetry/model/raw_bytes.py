"""Raw bytes of a link packed into few blocks: what is kept around a high alarm.

A block holds pieces one behind the other, each as time (int64, microseconds since the Unix epoch), direction (one
byte: 0 for ``in``, 1 for ``out``), length (uint32) and the bytes, all little-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from telemetry.model.capture import CapturedPiece, Direction

_HEAD = struct.Struct("<qBI")
_DIRECTIONS: tuple[Direction, Direction] = ("in", "out")


@dataclass(frozen=True, slots=True)
class RawBytes:
    """Some consecutive pieces of one link.

    Attributes:
        alarm_t: when the alarm was raised for which they are kept, microseconds since the Unix epoch; the first one
            where alarms overlap.
        source: the source's name.
        start, end: times of the first and of the last piece, microseconds.
        pieces: how many there are.
        data: the pieces, packed.

    """

    alarm_t: int
    source: str
    start: int
    end: int
    pieces: int
    data: bytes


@dataclass(frozen=True, slots=True)
class RawMissing:
    """Raw bytes that should have been kept around an alarm and were not.

    Attributes:
        alarm_t: as in :class:`RawBytes`.
        source: the source's name.
        start, end: between which times they came, microseconds.
        lost_bytes: how many.
        why: one sentence.

    """

    alarm_t: int
    source: str
    start: int
    end: int
    lost_bytes: int
    why: str


def packed(piece: CapturedPiece) -> bytes:
    """Return ``piece`` without its source's name."""
    return _HEAD.pack(piece.t, piece.direction == "out", len(piece.data)) + piece.data


def unpacked(raw: RawBytes) -> Iterator[CapturedPiece]:
    """Give the pieces of a block.

    Raises:
        ValueError: it is cut short, or holds something else.

    """
    data, place = raw.data, 0
    while place < len(data):
        if len(data) - place < _HEAD.size:
            raise ValueError("a block of raw bytes is cut short")
        t, direction, length = _HEAD.unpack_from(data, place)
        place += _HEAD.size
        if direction > 1 or len(data) - place < length:
            raise ValueError("a block of raw bytes is cut short or damaged")
        yield CapturedPiece(t, raw.source, _DIRECTIONS[direction], data[place : place + length])
        place += length
