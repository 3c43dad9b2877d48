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
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from telemetry.model.errors import Problem, did_you_mean, printable

from .columns import check_columns, is_number

MOST_REGISTERS = 125
"""In one read: MODBUS application protocol specification V1.1b3, sections 6.3 and 6.4."""
KINDS = ("holding", "input")
TYPES = {"u16": 1, "s16": 1, "u32": 2, "s32": 2, "f32": 2}
"""Registers of each type."""
WORD_ORDERS = ("high-first", "low-first")
KEYS = ("address", "kind", "type", "word_order", "signal", "scale", "offset", "unknown", "bit")
_EXAMPLE = 'write address = 12 and signal = "pack_voltage", say'


@dataclass(frozen=True, slots=True)
class Range:
    """Registers that are read together.

    Attributes:
        kind: ``holding`` or ``input``.
        address: of the first, from 0.
        count: how many.

    """

    kind: str
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


@dataclass(frozen=True, slots=True)
class Register:
    """One signal in the table.

    Attributes:
        where: its registers.
        type: as named in :data:`TYPES`; each register holds its high byte first.
        low_first: whether the first of two registers is the low half.
        signal: what it becomes.
        scale, offset: value = raw * scale + offset, in the signal's unit.
        unknown: raw values, signed or as they stand, that mean that there is no reading.
        bit: the number of one bit from the lowest, 0, that alone counts; None for the whole.

    """

    where: Range
    type: str
    low_first: bool
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    unknown: tuple[float, ...] = ()
    bit: int | None = None

    def value(self, registers: Sequence[int]) -> float:
        """Return the signal's value; NaN for a code of no reading."""
        words = registers[::-1] if self.low_first else registers
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


class RegisterTable:
    """Knows what is to be read and what becomes of it.

    Args:
        entries: ``[[source.register]]``, found good by :func:`check_registers`.

    """

    def __init__(self, entries: Sequence[Mapping[str, Any]]) -> None:
        self.entries = tuple(_register(entry) for entry in entries)
        self.signals = tuple(entry.signal for entry in self.entries)

    @property
    def parts(self) -> list[Range]:
        """The registers that are wanted."""
        return [entry.where for entry in self.entries]

    def row(self, registers: Registers) -> list[float]:
        """Return the signals' values; NaN for what was not read."""
        read = ((entry, registers.get(entry.where)) for entry in self.entries)
        return [math.nan if values is None else entry.value(values) for entry, values in read]


def _register(entry: Mapping[str, Any]) -> Register:
    kind, named = entry.get("kind", "holding"), entry.get("type", "u16")
    return Register(
        Range(kind, entry["address"], TYPES[named]),
        named,
        entry.get("word_order") == "low-first",
        entry["signal"],
        float(entry.get("scale", 1.0)),
        float(entry.get("offset", 0.0)),
        tuple(float(code) for code in entry.get("unknown", ())),
        entry.get("bit"),
    )


def check_registers(entries: Any) -> list[Problem]:
    """Return every problem of ``[[source.register]]``, each with its key and what would be right."""
    if not isinstance(entries, list) or not entries or not all(isinstance(entry, Mapping) for entry in entries):
        return [Problem("register", "is no list of tables", f"write [[source.register]] and below it {_EXAMPLE[6:]}")]
    problems: list[Problem] = []
    first_use: dict[str, int] = {}
    for number, entry in enumerate(entries, start=1):
        where = f"register {number}"
        problems += _check_register(where, entry)
        signal = entry.get("signal")
        if isinstance(signal, str):
            if signal in first_use:
                taken = f"{printable(signal)} is taken by register {first_use[signal]}"
                problems.append(Problem(f"{where} signal", taken, "name another signal for one"))
            first_use.setdefault(signal, number)
    return problems


def _check_register(where: str, entry: Mapping[str, Any]) -> list[Problem]:
    problems = [
        Problem(
            f"{where} {printable(key)}",
            "is not a register setting",
            f"use {', '.join(KEYS)}{did_you_mean(key, KEYS)}",
        )
        for key in entry
        if key not in KEYS
    ]
    named = entry.get("type", "u16")
    if not isinstance(named, str) or named not in TYPES:
        problems.append(Problem(f"{where} type", "is not known", f"use one of {', '.join(TYPES)}"))
        named = "u16"
    for key, choices in (("kind", KINDS), ("word_order", WORD_ORDERS)):
        if entry.get(key, choices[0]) not in choices:
            problems.append(Problem(f"{where} {key}", "is not known", f"use one of {', '.join(choices)}"))
    last = 65536 - TYPES[named]
    if not _is_whole(entry.get("address"), 0, last):
        right = f"count from 0: write address = 12 for what a manual calls register 40013 or 13; {last} at the most"
        problems.append(Problem(f"{where} address", "is missing or no address", right))
    # The rest of a register means what it does for a column.
    shared = {key: entry[key] for key in ("signal", "scale", "offset", "unknown") if key in entry}
    problems += [
        Problem(
            each.where.replace(f"columns.{where}", where).replace(f"{where}.", f"{where} "), each.what, each.right
        )
        for each in check_columns({where: shared})
    ]
    if "bit" in entry and (named == "f32" or not _is_whole(entry["bit"], 0, 16 * TYPES[named] - 1)):
        right = f"count from the lowest, 0, to {16 * TYPES[named] - 1}" if named != "f32" else "leave it out for f32"
        problems.append(Problem(f"{where} bit", "is no bit of this type", right))
    return problems


def _is_whole(value: Any, low: int, high: int) -> bool:
    return is_number(value) and isinstance(value, int) and low <= value <= high
