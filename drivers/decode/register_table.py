"""From Modbus registers to signals, by a table that the owner writes. Pure.

::

    [[source.register]]
    address = 12                  counted from 0, as it goes over the wire
    kind = "input"                holding (the default) or input
    type = "s16"                  u16 (the default), s16, u32, s32, f32
    signal = "pack_current"
    scale = 0.1                   value = raw * scale + offset
    unknown = [-32768]            raw values that mean "no reading"

Also here: how any set of registers is read in as few reads as can be.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

from telemetry.model.columns import Scaled, read_once
from telemetry.model.errors import Problem
from telemetry.model.keys import Key, Kind
from telemetry.model.kinds import choice, count
from telemetry.model.tables import Inner, Rules, Several

from .frame_envelope import WORD_ORDERS

MOST_REGISTERS = 125
"""In one read: MODBUS application protocol specification V1.1b3, sections 6.3 and 6.4."""
RegisterKind = Literal["holding", "input"]
KINDS: tuple[RegisterKind, ...] = ("holding", "input")
TYPES = {"u16": 1, "s16": 1, "u32": 2, "s32": 2, "f32": 2}
"""Registers of each type."""
_SHEET = "the device's register table"
_COUNTING = "the device's register table; what it calls register 40013 or 13 is 12"


@dataclass(frozen=True, slots=True)
class Range:
    """Registers that are read together.

    Attributes:
        kind: ``holding`` or ``input``.
        address: of the first, from 0.
        count: how many.

    """

    kind: RegisterKind
    address: int
    count: int

    @property
    def end(self) -> int:
        """Address behind the last."""
        return self.address + self.count

    def holds(self, other: Range) -> bool:
        """Tell whether all of ``other`` lies in here."""
        return self.kind == other.kind and self.address <= other.address and other.end <= self.end


def planned(parts: Iterable[Range], across_gaps: bool = True) -> list[Range]:
    """Return the fewest reads that hold every part whole; each part must fit in one read.

    From the lowest address on, each read takes all that fits; with the parts' ends in the order of their starts no
    other way needs fewer.

    Args:
        parts: what is wanted.
        across_gaps: whether registers that nobody asked for may be read in between.

    """
    reads: list[Range] = []
    for part in sorted(set(parts), key=lambda each: (each.kind, each.address, each.count)):
        last = reads[-1] if reads else None
        if last is not None and last.kind == part.kind and (across_gaps or part.address <= last.end):
            end = max(last.end, part.end)
            if end - last.address <= MOST_REGISTERS:
                reads[-1] = Range(last.kind, last.address, end - last.address)
                continue
        reads.append(part)
    return reads


class Registers:
    """What has been read in one poll."""

    def __init__(self) -> None:
        self._read: list[tuple[Range, Sequence[int]]] = []

    def add(self, where: Range, values: Sequence[int]) -> None:
        """Take the registers of one read."""
        self._read.append((where, values))

    def get(self, part: Range) -> Sequence[int] | None:
        """Return the registers of ``part``, or None where they have not been read."""
        for where, values in self._read:
            if where.holds(part):
                return values[part.address - where.address : part.end - where.address]
        return None


def _fits(register: Register) -> Iterator[Problem]:
    last = 65536 - TYPES[register.type]
    if register.address > last:
        yield Problem("address", f"is more than {last}, the last that holds a {register.type}", _COUNTING)


def _one_bit(register: Register) -> Iterator[Problem]:
    bits = 16 * TYPES[register.type]
    if register.bit is not None and (register.type == "f32" or register.bit >= bits):
        right = "leave it out for f32" if register.type == "f32" else f"count from the lowest, 0, to {bits - 1}"
        yield Problem("bit", "is no bit of this type", right)


@dataclass(frozen=True, kw_only=True)
class Register(Scaled):
    """One entry of ``[[source.register]]``: the registers of one signal, each with its high byte first."""

    rules: ClassVar[Rules] = (_fits, _one_bit)
    address: int = count(
        0, 65535, "its first register, counted **from 0**, as it goes over the wire", _COUNTING, 12, required=True
    )
    kind: RegisterKind = choice(KINDS, "kind of register", _SHEET, "input", default="holding")
    type: str = choice(TYPES, "type of number; `f32` by IEEE 754", _SHEET, "s16", default="u16")
    word_order: str = choice(
        WORD_ORDERS,
        "which half of two registers is at the lower address",
        _SHEET,
        "low-first",
        default="high-first",
    )
    bit: int | None = count(0, 31, "one bit alone, counted from the lowest, 0; the value is 0 or 1", _SHEET, 3)

    @property
    def where(self) -> Range:
        """Its registers."""
        return Range(self.kind, self.address, TYPES[self.type])

    def value(self, registers: Sequence[int]) -> float:
        """Return the signal's value; NaN for a code of no reading."""
        words = registers[::-1] if self.word_order == "low-first" else registers
        data = b"".join(word.to_bytes(2, "big") for word in words)
        plain = int.from_bytes(data, "big")
        raw: float = plain
        if self.type == "f32":
            raw = struct.unpack(">f", data)[0]
        elif self.type.startswith("s"):
            raw = int.from_bytes(data, "big", signed=True)
        if raw in self.unknown or (self.type != "f32" and plain in self.unknown) or not math.isfinite(raw):
            return math.nan
        if self.bit is not None:
            raw = plain >> self.bit & 1
        return raw * self.scale + self.offset


@dataclass(frozen=True, eq=False)
class RegisterEntries(Several):
    """``[[source.register]]``, each signal once; the attribute is a tuple of registers."""

    each: Kind = field(default_factory=lambda: Inner(Register))

    def read(self, key: Key, value: object) -> Any:
        """Return the registers; BadValue where one signal is named twice, too."""
        entries = value if isinstance(value, list) else [value]
        named = [
            (f"[{n}].signal", each.get("signal")) for n, each in enumerate(entries, 1) if isinstance(each, Mapping)
        ]
        return read_once(lambda: Several.read(self, key, value), named)


class RegisterTable:
    """Knows what is to be read and what becomes of it.

    Args:
        entries: what ``[[source.register]]`` states.

    """

    def __init__(self, entries: Sequence[Register]) -> None:
        self.entries = tuple(entries)
        self.signals = tuple(entry.signal for entry in self.entries)

    @property
    def parts(self) -> list[Range]:
        """The registers that are wanted."""
        return [entry.where for entry in self.entries]

    def row(self, registers: Registers) -> list[float]:
        """Return the signals' values; NaN for what was not read."""
        read = ((entry, registers.get(entry.where)) for entry in self.entries)
        return [math.nan if values is None else entry.value(values) for entry, values in read]
