"""One entry of ``[message.NAME.fields]`` of a frame map: where the readings of a signal stand. Pure."""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, ClassVar, get_args

from telemetry.model.errors import Problem, printable
from telemetry.model.keys import BadValue, Key, Kind, setting
from telemetry.model.kinds import ANY_NUMBER, Count, Text, choice, count, is_quantity, switch
from telemetry.model.signals import EXTRA_PREFIX, cell_name, extra_name, find_signal, known_names, nearest_signals
from telemetry.model.tables import Either, Inner, Named, Rules, Table

from .cut_layout import PROTOCOL, ByteOrder
from .frame_envelope import BYTE_ORDERS, WORD_ORDERS
from .frame_layout import Direction, FirstRepeat, FrameField, NumberType
from .frame_reader import FLOAT_FORMATS

MOST_REPEATS = 255
_WORD_BITS, _DIGIT_BITS = 16, 4


@dataclass(frozen=True, kw_only=True)
class CountTable(Table):
    """``count``, where a byte of the frame says how many repeats there are."""

    byte: int = count(0, 65535, "the byte that gives it", PROTOCOL, 4, required=True)
    most: int = count(1, MOST_REPEATS, "the highest count that the device sends", PROTOCOL, 24, required=True)


class PointTable(Kind):
    """Pairs of number and value, numbers ascending; the attribute is a tuple of pairs."""

    words = "pairs of numbers, [[number, value], ...]: two, or more for a table"
    json: ClassVar[Mapping[str, Any]] = {"type": "array", "items": {"type": "array", "items": {"type": "number"}}}

    def read(self, key: Key, value: object) -> Any:
        pairs = value if isinstance(value, list) else []
        shaped = all(isinstance(pair, list) and len(pair) == 2 and all(map(is_quantity, pair)) for pair in pairs)
        if not shaped or len(pairs) < 2:
            raise BadValue("is not a list of pairs of numbers", f"write {key.takes}")
        found = tuple((float(raw), float(true)) for raw, true in pairs)
        if any(before[0] >= after[0] for before, after in pairwise(found)):
            raise BadValue("has numbers that do not ascend", "write the pair with the lowest number first")
        return found


class Meanings(Named):
    """What some numbers mean: words by number, which may be hexadecimal; the attribute is words by int."""

    def check_name(self, name: str) -> None:
        if _code(name) is None:
            raise BadValue("is not a whole number", 'write 2 = "words", or 0x02 = "words"')

    def read(self, key: Key, value: object) -> Any:
        return {_code(name): words for name, words in Named.read(self, key, value).items()}


def _code(name: str) -> int | None:
    try:
        return int(name, 0)
    except ValueError:
        return None


class Codes(Kind):
    """Bit patterns that mean "no reading": the attribute is a tuple of (from, up to)."""

    words = "0xFFFF, or a list; a range is [0xFB00, 0xFFFF] in a list"

    def read(self, key: Key, value: object) -> Any:
        found = []
        for entry in value if isinstance(value, list) else [value]:
            pair = entry if isinstance(entry, list) else [entry, entry]
            if len(pair) != 2 or not all(isinstance(each, int) and not isinstance(each, bool) for each in pair):
                raise BadValue(f"holds {printable(entry)}, which is no code", f"write {key.takes}")
            found.append(tuple(pair))
        return tuple(found)

    def schema(self, key: Key) -> dict[str, Any]:
        code = {"type": "integer"}
        return {"anyOf": [code, {"type": "array", "items": {"anyOf": [code, {"type": "array", "items": code}]}}]}


def _number(s: FieldTable) -> Iterator[Problem]:
    width = _bits(s)
    if s.type == "float" and width not in FLOAT_FORMATS:
        yield Problem("width", "is no width of a floating-point number", "write width = 16, 32 or 64")
    if s.type == "sign-magnitude" and width < 2:
        yield Problem("width", "leaves no bit beside the sign", "write width = 8, say")
    if s.type == "bcd" and width % _DIGIT_BITS:
        yield Problem(
            "width", "does not hold a whole number of decimal digits", "write width = 16 for four digits, for example"
        )
    if s.word_order == "low-first" and (width % _WORD_BITS or width == _WORD_BITS or s.bit):
        yield Problem(
            "word_order",
            "is for two or more whole words of 16 bits",
            "write width = 32, for example, or leave it out",
        )
    if s.direction is not None and s.type != "unsigned" and s.type != "bcd":
        yield Problem("direction", f"cannot be used with {s.type}, which has its own sign", "leave one of them out")
    for low, high in s.unknown:
        if not all(-(1 << (width - 1)) <= code < 1 << width for code in (low, high)):
            shown = low if low == high else [low, high]
            yield Problem("unknown", f"holds what {width} bits cannot: {shown}", "write codes of its width")
        elif low % (1 << width) > high % (1 << width):
            yield Problem("unknown", f"holds a range that ends before it begins: {[low, high]}", "turn it round")


def _scale(s: FieldTable) -> Iterator[Problem]:
    if s.scale == 0:
        yield Problem("scale", "is 0, so every value would be the same", "leave it out for 1")
    if s.points is not None and s.stated.keys() & {"scale", "offset", "inverted"}:
        yield Problem("points", "cannot be used with scale, offset or inverted", "keep one of them")
    if s.inverted and (_bits(s) != 1 or s.stated.keys() & {"scale", "offset"}):
        right = "leave it out, or write width = 1"
        yield Problem("inverted", "is for a single bit without scale and offset", right)


def _step(s: FieldTable) -> Iterator[Problem]:
    size = (s.bit + _bits(s) + 7) // 8
    if s.count is not None and s.step is not None and s.step < size and not s.overlaps:
        right = f"write step = {size}, or overlaps = true"
        yield Problem("step", f"is less than the {size} bytes of one", right)


def _packed(s: FieldTable) -> Iterator[Problem]:
    if s.packed and (s.count is None or s.stated.keys() & {"bit", "step", "word_order"}):
        yield Problem("packed", "is for repeats without bit, step or word_order", "leave one of them out")
    if s.byte < 0 and isinstance(s.count, CountTable):
        yield Problem("byte", "counts from the end, but a count in the frame moves it", "count it from 0")
    if isinstance(s.first_number, FirstRepeat):
        if not isinstance(s.count, int):
            yield Problem(
                "count", "must be a plain number when the frame gives first_number", "write count = 3, for example"
            )
        elif s.count > s.first_number.most:
            yield Problem("first_number.most", "is less than one frame holds", f"write most = {s.count} or more")


def _bits(s: FieldTable) -> int:
    return s.width if s.width is not None else 1 if "bit" in s.stated else 8


@dataclass(frozen=True, kw_only=True)
class FieldTable(Table):
    """One entry of ``[message.NAME.fields]``."""

    rules: ClassVar[Rules] = (_number, _scale, _step, _packed)
    byte: int = count(
        *(-65535, 65535, "its first byte; a frame's first is byte 0, its last -1", PROTOCOL, 4),
        required=True,
    )
    width: int | None = count(1, 64, "bits; 8 if left out, 1 beside `bit`", PROTOCOL, 16)
    bit: int = count(
        *(0, 63, "its least significant bit, counted from that of the field's least significant byte", PROTOCOL, 3),
        default=0,
    )
    type: NumberType = choice(
        get_args(NumberType), "how the bits are a number; `float` by IEEE 754", PROTOCOL, "signed", default="unsigned"
    )
    word_order: str = choice(
        WORD_ORDERS,
        "which 16-bit word of several comes first; the bytes within each are in `byte_order`",
        PROTOCOL,
        "low-first",
        default="high-first",
    )
    direction: Direction | None = setting(
        Inner(Direction),
        "the bit that makes it negative, if the number has no sign of its own",
        PROTOCOL,
        {"byte": 10},
    )
    scale: float = setting(
        ANY_NUMBER, "value = number × scale + offset, in the signal's unit", PROTOCOL, 0.01, default=1.0
    )
    offset: float = setting(ANY_NUMBER, "what is added after that", PROTOCOL, -40.0, default=0.0)
    points: tuple[tuple[float, float], ...] | None = setting(
        PointTable(),
        "pairs of number and value, in place of scale and offset: two make a line, as read beside a good meter; more "
        "make a table, with no reading outside it",
        "a meter, or the sensor's table",
        [[612, 48.2], [731, 57.55]],
    )
    inverted: bool = switch("for a single bit: 0 means on", PROTOCOL, example=True, default=False)
    unknown: tuple[tuple[int, int], ...] = setting(
        Codes(), 'bit patterns that mean "no reading"', PROTOCOL, [[0xFB00, 0xFFFF]], default=()
    )
    byte_order: ByteOrder | None = choice(BYTE_ORDERS, "order of its bytes; else the map's", PROTOCOL, "little")
    meanings: Mapping[int, str] | None = setting(
        Meanings(Text(40)),
        "for an `extra_NAME`: what its numbers mean; those that name a fault raise `fault-code`",
        PROTOCOL,
        {"2": "cell over voltage"},
    )
    first_number: int | FirstRepeat = setting(
        Either(Count(1, 998), Inner(FirstRepeat)),
        "the number of the first, or the byte of the frame that gives it",
        PROTOCOL,
        17,
        default=1,
    )
    packed: bool = switch(
        "repeats follow one another with no spare bits between: from the lowest bit of the first byte in "
        "`little` order, from its highest in `big`",
        PROTOCOL,
        example=True,
        default=False,
    )
    step: int | None = count(1, 65535, "bytes from one to the next; else the field's own", PROTOCOL, 4)
    overlaps: bool = switch(
        "that it takes bits which another field takes is meant", "your choice", example=True, default=False
    )
    count: int | CountTable | None = setting(
        Either(Count(1, MOST_REPEATS), Inner(CountTable)),
        "for a name with `*`: how many follow one another, or which byte of the frame says it",
        PROTOCOL,
        16,
    )

    @property
    def size(self) -> int:
        """Bytes that one reading reaches over."""
        return (self.bit + _bits(self) + 7) // 8 if not self.packed else 2

    def signals(self, name: str) -> tuple[str, ...]:
        """Return the signals of the field under the key ``name``."""
        repeats = self.count.most if isinstance(self.count, CountTable) else self.count
        first = self.first_number
        if isinstance(first, FirstRepeat):
            return tuple(_numbered(name, k) for k in range(1, first.most + 1))
        return (name,) if repeats is None else tuple(_numbered(name, first + k) for k in range(repeats))

    def field(self, name: str, order: ByteOrder) -> FrameField:
        """Return where the readings under the key ``name`` stand, in a map of ``order``."""
        width = _bits(self)
        scale, offset = (-1.0, 1.0) if self.inverted else (self.scale, self.offset)
        unknown = tuple((low % (1 << width), high % (1 << width)) for low, high in self.unknown)
        size = (self.bit + width + 7) // 8
        first = self.first_number
        paged = isinstance(first, FirstRepeat)
        return FrameField(
            *(self.signals(name), self.byte, self.bit, width, self.byte_order or order, self.type, scale, offset),
            *(unknown, self.step or size, self.count.byte if isinstance(self.count, CountTable) else None),
            words_swapped=self.word_order == "low-first",
            packed=self.packed,
            first=first if isinstance(first, FirstRepeat) else None,
            repeats=self.count if paged and isinstance(self.count, int) else 0,
            direction=self.direction,
            points=self.points or (),
            meanings=self.meanings or {},
        )


class Fields(Named):
    """Fields by signal; ``*`` stands for the number of a repeat: ``"cell_*_voltage"``."""

    def check_name(self, name: str) -> None:
        if name.count("*") > 1:
            raise BadValue("has more than one *", 'write "cell_*_voltage", say')
        _check_signal(name, _numbered(name, 1))

    def finish(self, name: str, value: FieldTable) -> FieldTable:
        if "*" in name and value.count is None:
            right = "write count = 16, say, since the signal's name has a *"
            raise BadValue.of([Problem("count", "is missing", right)])
        if value.meanings and not name.startswith(EXTRA_PREFIX):
            raise BadValue.of([Problem("meanings", "is only for extra signals", "name the signal extra_NAME")])
        if "*" not in name and value.count is not None:
            right = 'write "cell_*_voltage", say, or leave out count'
            raise BadValue.of([Problem("count", "is for a name with a *", right)])
        for signal in value.signals(name):
            _check_signal(name, signal)
        return value


def _check_signal(name: str, signal: str) -> None:
    """Raise BadValue where ``signal``, one that the key ``name`` stands for, is none that a device may send."""
    known = find_signal(signal)
    if known is None:
        near = nearest_signals(name.replace("*", "01") if "cell" in name else name.replace("*", "1"))
        near = [re.sub(r"_0?1(?=_|$)", "_*", n) if "*" in name else n for n in near]
        right = f"did you mean {', '.join(near)}?" if near else f"use one such as {', '.join(known_names()[:3])}"
        carried = extra_name(name.replace("*", "0")) if "*" not in name else "extra_NAME_*"
        raise BadValue(f"there is no signal {printable(signal)}", f"{right} or carry it as {carried}")
    if known.is_derived:
        raise BadValue(f"{printable(signal)} is computed here and not read", f"carry it as {extra_name(signal)}")


def _numbered(name: str, number: int) -> str:
    """Return a signal's name for a repeat: cells with at least two digits, others with no more than needed."""
    return cell_name(number) if name == "cell_*_voltage" else name.replace("*", str(number))
