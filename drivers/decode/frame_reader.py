"""Reads the fields of a frame, and writes them: numbers of any width and place, to and from a signal's unit. Pure.

Reading: the bits are taken as a number (unsigned, two's complement, sign and magnitude, or IEEE 754 floating point);
value = number * scale + offset; a bit pattern that means "no reading" gives NaN. Writing is the inverse, to the
nearest number that the field can hold.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence

from .frame_layout import FrameField, Message

FLOAT_FORMATS = {16: "e", 32: "f", 64: "d"}
_WHOLE = {8: "B", 16: "H", 32: "I", 64: "Q"}


class FieldReader:
    """Reads one field, in all its repeats."""

    def __init__(self, field: FrameField) -> None:
        self._field = field
        self._mask = (1 << field.width) - 1
        self._codes = frozenset(low for low, high in field.unknown if low == high)
        self._ranges = tuple((low, high) for low, high in field.unknown if low != high)
        # Whole numbers side by side, the usual row of cell voltages, are unpacked in one go.
        self._run: struct.Struct | None = None
        if field.bit == 0 and field.width in _WHOLE and field.step == field.size and field.count_byte is None:
            sign = ">" if field.order == "big" else "<"
            self._run = struct.Struct(f"{sign}{len(field.signals)}{_WHOLE[field.width]}")

    def read(self, frame: bytes) -> list[float]:
        """Return one value for each of the field's signals; NaN where there is no reading."""
        field = self._field
        if self._run is not None:
            return [self._value(pattern) for pattern in self._run.unpack_from(frame, field.byte)]
        count, present = len(field.signals), field.present(frame)
        values = [self._value(self._pattern(frame, field.byte + k * field.step)) for k in range(present)]
        return values + [math.nan] * (count - present)

    def end_in(self, frame: bytes) -> int:
        """Return the place after the field's last byte in ``frame``, long enough for its count of repeats."""
        field = self._field
        if field.count_byte is None:
            return field.end
        present = field.present(frame)
        return field.byte + (present - 1) * field.step + field.size if present else field.end

    def _pattern(self, frame: bytes, at: int) -> int:
        field = self._field
        return (int.from_bytes(frame[at : at + field.size], field.order) >> field.bit) & self._mask

    def _value(self, pattern: int) -> float:
        if pattern in self._codes or any(low <= pattern <= high for low, high in self._ranges):
            return math.nan
        return number_of(pattern, self._field) * self._field.scale + self._field.offset


class MessageReader:
    """Reads all fields of one kind of frame.

    Args:
        message: the kind.
        trailer: bytes at a frame's end that are no fields'.

    """

    def __init__(self, message: Message, trailer: int) -> None:
        self._readers = [FieldReader(field) for field in message.fields]
        self._fewest = message.needed + trailer
        self._trailer = trailer
        self._is_counted = any(field.count_byte is not None for field in message.fields)

    def fits(self, frame: bytes) -> bool:
        """Tell whether ``frame`` holds all that its fields, and the counts in it, reach over."""
        if len(frame) < self._fewest:
            return False
        return not self._is_counted or max(r.end_in(frame) for r in self._readers) <= len(frame) - self._trailer

    def read(self, frame: bytes) -> list[float]:
        """Return one value for each signal of the message, in order, of a frame that :meth:`fits`."""
        return [value for reader in self._readers for value in reader.read(frame)]


def number_of(pattern: int, field: FrameField) -> float:
    """Return the number that the bits ``pattern`` are."""
    if field.number == "unsigned":
        return pattern
    if field.number == "float":
        size = field.width // 8
        (number,) = struct.unpack(f">{FLOAT_FORMATS[field.width]}", pattern.to_bytes(size, "big"))
        return float(number)
    top = 1 << (field.width - 1)
    if field.number == "signed":
        return pattern - 2 * top if pattern & top else pattern
    return -(pattern - top) if pattern & top else pattern


def pattern_of(value: float, field: FrameField) -> int:
    """Return the bits that stand for ``value``, to the nearest; for NaN the first code for no reading, or else 0.

    Raises:
        ValueError: the field cannot hold the value.

    """
    if math.isnan(value):
        return field.unknown[0][0] if field.unknown else 0
    number = (value - field.offset) / field.scale
    if field.number == "float":
        raw = struct.pack(f">{FLOAT_FORMATS[field.width]}", number)
        return int.from_bytes(raw, "big")
    whole = round(number)
    top = 1 << (field.width - 1)
    low, high = {"unsigned": (0, 2 * top - 1), "signed": (-top, top - 1)}.get(field.number, (1 - top, top - 1))
    if not low <= whole <= high:
        raise ValueError(f"{field.signals[0]} = {value:g} does not fit into {field.width} bits, {field.number}")
    if field.number == "sign-magnitude":
        return top - whole if whole < 0 else whole
    return whole % (2 * top)


def write_field(frame: bytearray, field: FrameField, values: Sequence[float]) -> None:
    """Write ``values``, one for each of the field's signals, into ``frame``."""
    mask = ((1 << field.width) - 1) << field.bit
    for place, value in enumerate(values):
        at = field.byte + place * field.step
        held = int.from_bytes(frame[at : at + field.size], field.order)
        held = (held & ~mask) | (pattern_of(value, field) << field.bit)
        frame[at : at + field.size] = held.to_bytes(field.size, field.order)


def occupied(field: FrameField, repeats: Iterable[int] | None = None) -> dict[int, int]:
    """Return which bits of which bytes the field takes: a mask for each place."""
    taken: dict[int, int] = {}
    for repeat in range(len(field.signals)) if repeats is None else repeats:
        at = field.byte + repeat * field.step
        for bit in range(field.bit, field.bit + field.width):
            byte = at + bit // 8 if field.order == "little" else at + field.size - 1 - bit // 8
            taken[byte] = taken.get(byte, 0) | 1 << bit % 8
    return taken
