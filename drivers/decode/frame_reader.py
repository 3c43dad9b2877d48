"""Reads the fields of a frame, and writes them: numbers of any width and place, to and from a signal's unit. Pure.

Reading: the bits are taken as a number (unsigned, two's complement, sign and magnitude, or IEEE 754 floating point);
value = number * scale + offset; a bit pattern that means "no reading" gives NaN. Writing is the inverse, to the
nearest number that the field can hold.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from itertools import pairwise

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
        side_by_side = field.bit == 0 and field.width in _WHOLE and field.step == field.size and field.byte >= 0
        if side_by_side and not (field.words_swapped or field.first or field.direction or field.count_byte):
            sign = ">" if field.order == "big" else "<"
            self._run = struct.Struct(f"{sign}{len(field.signals)}{_WHOLE[field.width]}")

    def read(self, frame: bytes) -> list[float]:
        """Return one value for each of the field's signals; NaN where there is no reading."""
        field = self._field
        if self._run is not None:
            return [self._value(pattern) for pattern in self._run.unpack_from(frame, field.byte)]
        sign = 1 if field.direction is None else field.direction.sign(frame)
        values = [math.nan] * len(field.signals)
        skipped = field.skipped(frame)
        for repeat in range(field.present(frame)):
            if 0 <= skipped + repeat < len(values):
                values[skipped + repeat] = self._value(pattern_in(frame, field, repeat), sign)
        return values

    def end_in(self, frame: bytes) -> int:
        """Return the place after the field's last byte in ``frame``, long enough for its count of repeats."""
        present = self._field.present(frame)
        end = self._field.end_of(present) if present else self._field.end
        return end + len(frame) if self._field.byte < 0 else max(end, self._field.end)

    def _value(self, pattern: int, sign: int = 1) -> float:
        if pattern in self._codes or any(low <= pattern <= high for low, high in self._ranges):
            return math.nan
        number = sign * number_of(pattern, self._field)
        if self._field.points:
            return _interpolated(number, self._field.points)
        return number * self._field.scale + self._field.offset


def pattern_in(frame: bytes, field: FrameField, repeat: int) -> int:
    """Return the bits of one repeat of ``field``."""
    at, bit, size = field.place(repeat)
    at += len(frame) if field.byte < 0 else 0
    data = _in_order(frame[at : at + size], field)
    return (int.from_bytes(data, field.order) >> bit) & ((1 << field.width) - 1)


def _in_order(data: bytes, field: FrameField) -> bytes:
    """Return ``data`` with its words exchanged where the field's are."""
    if not field.words_swapped:
        return data
    return b"".join(data[at : at + 2] for at in reversed(range(0, len(data), 2)))


def _interpolated(x: float, points: Sequence[tuple[float, float]]) -> float:
    """Return the value at ``x`` of the line through two points, or of a table of more; NaN outside the table."""
    if len(points) > 2 and not points[0][0] <= x <= points[-1][0]:
        return math.nan
    (x0, y0), (x1, y1) = next((pair for pair in pairwise(points) if x <= pair[1][0]), (points[-2], points[-1]))
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


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
        self._varies = any(field.count_byte is not None or field.byte < 0 for field in message.fields)
        self._paged = next((field for field in message.fields if field.first is not None), None)

    def fits(self, frame: bytes) -> bool:
        """Tell whether ``frame`` holds all that its fields, and the counts in it, reach over."""
        if len(frame) < self._fewest:
            return False
        return not self._varies or max(r.end_in(frame) for r in self._readers) <= len(frame) - self._trailer

    def page(self, frame: bytes) -> int:
        """Return which of several frames that make a row this is; 0 for a message that comes in one."""
        return 0 if self._paged is None else self._paged.skipped(frame)

    def read(self, frame: bytes) -> list[float]:
        """Return one value for each signal of the message, in order, of a frame that :meth:`fits`."""
        return [value for reader in self._readers for value in reader.read(frame)]


def number_of(pattern: int, field: FrameField) -> float:
    """Return the number that the bits ``pattern`` are."""
    if field.number == "unsigned":
        return pattern
    if field.number == "bcd":
        digits = f"{pattern:x}"
        return int(digits) if digits.isdigit() else math.nan
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
    if field.points:
        number = _interpolated(value, sorted((true, raw) for raw, true in field.points))
    if field.number == "float":
        raw = struct.pack(f">{FLOAT_FORMATS[field.width]}", number)
        return int.from_bytes(raw, "big")
    whole = round(number)
    top = 1 << (field.width - 1)
    ranges = {"unsigned": (0, 2 * top - 1), "signed": (-top, top - 1), "bcd": (0, 10 ** (field.width // 4) - 1)}
    low, high = ranges.get(field.number, (1 - top, top - 1))
    if not low <= whole <= high:
        raise ValueError(f"{field.signals[0]} = {value:g} does not fit into {field.width} bits, {field.number}")
    if field.number == "bcd":
        return int(str(whole), 16)
    if field.number == "sign-magnitude":
        return top - whole if whole < 0 else whole
    return whole % (2 * top)


def write_field(frame: bytearray, field: FrameField, values: Sequence[float]) -> None:
    """Write ``values``, one for each of the field's repeats in this frame, into ``frame``."""
    for repeat, value in enumerate(values):
        at, bit, size = field.place(repeat)
        at += len(frame) if field.byte < 0 else 0
        if field.direction is not None:
            turned = field.direction.negative if value < 0 else 1 - field.direction.negative
            held = frame[field.direction.byte] & ~(1 << field.direction.bit)
            frame[field.direction.byte] = held | turned << field.direction.bit
            value = abs(value)
        mask = ((1 << field.width) - 1) << bit
        number = int.from_bytes(_in_order(bytes(frame[at : at + size]), field), field.order)
        number = (number & ~mask) | (pattern_of(value, field) << bit)
        frame[at : at + size] = _in_order(number.to_bytes(size, field.order), field)


def occupied(field: FrameField) -> dict[int, int]:
    """Return which bits of which bytes the field takes: a mask for each place."""
    taken: dict[int, int] = {}
    for repeat in range(field.in_frame):
        at, first, size = field.place(repeat)
        for bit in range(first, first + field.width):
            byte = at + bit // 8 if field.order == "little" else at + size - 1 - bit // 8
            taken[byte] = taken.get(byte, 0) | 1 << bit % 8
    return taken
