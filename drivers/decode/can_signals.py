"""Takes the wanted signals out of a message's bytes: places, scales and validity are worked out once. Pure.

The description of a message comes from a catalogue (see message_catalogue.py); this is only the inner loop, which
looks at nothing but the signals that are wanted. It gives what cantools gives, and the tests hold it to that.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

NAN = math.nan
_FLOATS = {16: struct.Struct(">e"), 32: struct.Struct(">f"), 64: struct.Struct(">d")}


@dataclass(frozen=True, slots=True)
class Field:
    """Where one signal lies in a message, and what its counts mean: ``count * scale + offset``.

    Attributes:
        name: the signal's name in the catalogue.
        start: number of its first bit as DBC files count: least significant bit for little-endian, most significant
            for big-endian; bit 0 is the lowest of byte 0.
        bits: how many.
        big_endian: byte order.
        signed: two's complement.
        is_float: IEEE 754 of 16, 32 or 64 bits.
        scale: units a count.
        offset: units.
        low: lowest count that is a reading; None for no bound.
        high: highest count that is a reading.
        unknown: counts that mean "no reading".
        names: what the catalogue calls single counts.
        when: the message carries it only when each of these fields has one of these counts (multiplexing).

    """

    name: str
    start: int
    bits: int
    big_endian: bool = False
    signed: bool = False
    is_float: bool = False
    scale: float = 1.0
    offset: float = 0.0
    low: float | None = None
    high: float | None = None
    unknown: frozenset[int] = frozenset()
    names: tuple[tuple[int, str], ...] = ()
    when: tuple[tuple[Field, frozenset[int]], ...] = ()

    @property
    def first_bit(self) -> int:
        """Index of the most significant bit in the order of sending, for big-endian fields."""
        return 8 * (self.start // 8) + 7 - self.start % 8

    @property
    def bytes_needed(self) -> int:
        """How long a message must be to hold it whole."""
        first = self.first_bit if self.big_endian else self.start
        return (first + self.bits + 7) // 8


@dataclass(frozen=True, slots=True)
class Take:
    """What to take from a message: a field, and what its value becomes: ``value * scale + offset``."""

    field: Field
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    unknown: frozenset[int] = frozenset()


class Counts:
    """Reads the bare count of one field; None where the message is too short for it."""

    def __init__(self, where: Field) -> None:
        self._needed = where.bytes_needed
        self._big = where.big_endian
        self._mask = (1 << where.bits) - 1
        self._shift = 8 * self._needed - where.first_bit - where.bits if where.big_endian else where.start
        self._sign = 1 << (where.bits - 1) if where.signed else 0

    def read(self, data: bytes) -> int | None:
        """Return the count."""
        if len(data) < self._needed:
            return None
        number = int.from_bytes(data[: self._needed], "big" if self._big else "little")
        count = (number >> self._shift) & self._mask
        return (count ^ self._sign) - self._sign


_Row = tuple[int, int, int, float, float, frozenset[int], float, float]


class MessageDecoder:
    """Decodes one message.

    Args:
        takes: what is wanted of it.

    Attributes:
        signals: the names of what :meth:`decode` gives, in order.
        is_multiplexed: not every frame carries every signal.

    """

    def __init__(self, takes: Sequence[Take]) -> None:
        self.signals = tuple(take.signal for take in takes)
        self._takes = tuple(takes)
        self._length = max((take.field.bytes_needed for take in takes), default=0)
        self._order: Literal["big", "little"] = "little"
        if takes and all(take.field.big_endian for take in takes):
            self._order = "big"
        self._rows = [self._row(take) for take in takes]
        self._others = [
            (place, take)
            for place, take in enumerate(takes)
            if take.field.is_float or take.field.big_endian != (self._order == "big")
        ]
        self._conditions = [
            (place, [(Counts(where), wanted) for where, wanted in take.field.when])
            for place, take in enumerate(takes)
            if take.field.when
        ]
        self.is_multiplexed = bool(self._conditions)

    def decode(self, data: bytes) -> list[float | None]:
        """Return a value for each of :attr:`signals`: NaN for no reading, None where this frame does not carry it."""
        length = self._length
        have = len(data)
        if have < length:
            data = data.ljust(length, b"\xff")
        number = int.from_bytes(data[:length] if have > length else data, self._order)
        # (count ^ sign) - sign is two's complement for sign = the highest bit, and the count itself for sign = 0.
        values: list[float | None] = [
            ((count ^ sign) - sign) * scale + offset
            if (count := number >> shift & mask) not in unknown and low <= (count ^ sign) - sign <= high
            else NAN
            for shift, mask, sign, low, high, unknown, scale, offset in self._rows
        ]
        for place, take in self._others:
            values[place] = self._other(take, data)
        if have < length:
            for place, take in enumerate(self._takes):
                if take.field.bytes_needed > have:
                    values[place] = NAN
        for place, conditions in self._conditions:
            if any(where.read(data) not in wanted for where, wanted in conditions):
                values[place] = None
        return values

    def _row(self, take: Take) -> _Row:
        """Return shift, mask, sign bit, lowest and highest count, codes for no reading, scale and offset."""
        where = take.field
        mask = (1 << where.bits) - 1
        return (
            8 * self._length - where.first_bit - where.bits if self._order == "big" else where.start,
            mask,
            1 << (where.bits - 1) if where.signed else 0,
            -math.inf if where.low is None else where.low,
            math.inf if where.high is None else where.high,
            frozenset(code & mask for code in (*where.unknown, *take.unknown)),
            where.scale * take.scale,
            where.offset * take.scale + take.offset,
        )

    def _other(self, take: Take, data: bytes) -> float:
        """Decode what the common way does not: floating point, and the other byte order of a mixed message."""
        where = take.field
        count = Counts(where).read(data)
        _, mask, _, low, high, unknown, scale, offset = self._row(take)
        if count is None or count & mask in unknown or not low <= count <= high:
            return NAN
        if where.is_float:
            kind = _FLOATS[where.bits]
            return float(kind.unpack((count & mask).to_bytes(kind.size, "big"))[0]) * scale + offset
        return count * scale + offset
