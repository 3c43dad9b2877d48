"""Section ``[frame]`` of a frame map: how frames are cut. Pure."""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, get_args

from telemetry.model.errors import Problem, did_you_mean, printable
from telemetry.model.keys import BadValue, Key, Kind, setting
from telemetry.model.kinds import Count, Text, choice, count, number, switch
from telemetry.model.tables import Either, Inner, Named, Rules, Table

from .checksums import Checksum, Crc, Sum, Xor, known_checksums, named_crc
from .cut_layout import PROTOCOL, ByteOrder, ChecksumPlace, Envelope, Escape, LengthField
from .kinds import HexBytes, hex_bytes

SUMS = {"sum": 0, "ones-complement": 1, "twos-complement": 2}
BYTE_ORDERS: tuple[ByteOrder, ...] = get_args(ByteOrder)
WORD_ORDERS = ("high-first", "low-first")
_PARAMETERS = frozenset(("width", "polynomial", "initial", "reflect_in", "reflect_out", "xor_out"))
_TAKEN = {"crc": _PARAMETERS, "xor": {"initial"}, **dict.fromkeys(SUMS, frozenset(("width", "initial")))}
HEXADECIMAL = b"0123456789ABCDEFabcdef"


@dataclass(frozen=True, kw_only=True)
class LengthTable(Table):
    """``length``: where a frame says how long it is."""

    byte: int = count(0, 65535, "its first byte; a frame's first is byte 0", PROTOCOL, 3, required=True)
    width: int = choice((8, 16, 24, 32), "bits of the number", PROTOCOL, 16, default=8)
    byte_order: ByteOrder | None = choice(BYTE_ORDERS, "order of its bytes; else the map's", PROTOCOL, "little")
    unit: int = count(1, 64, "bytes that it counts as one", PROTOCOL, 2, default=1)
    uncounted: int = count(-255, 65535, "bytes of the frame that it does not count", PROTOCOL, 4, default=0)


class ChecksumName(Text):
    """A checksum by name."""

    def takes(self, key: Key) -> str:
        return f"one of {', '.join([*SUMS, 'xor', 'crc'])}, or the name of a CRC"

    def read(self, key: Key, value: object) -> Any:
        name = Text.read(self, key, value)
        known = [*SUMS, "xor", "crc", *known_checksums()]
        if name not in (*SUMS, "xor", "crc") and named_crc(name) is None:
            near = did_you_mean(name.upper(), known) or did_you_mean(name, known)
            raise BadValue(f"there is no checksum {printable(name)}", f"use {', '.join(known)}{near}")
        return name


class FirstAndLast(Kind):
    """The first and the last byte of a part of the frame; -1 is the frame's last."""

    words = "two whole numbers, such as [2, -4]; -1 is the frame's last byte"
    json: ClassVar[Mapping[str, Any]] = {"type": "array", "items": {"type": "integer"}, "minItems": 2, "maxItems": 2}

    def read(self, key: Key, value: object) -> Any:
        places = value if isinstance(value, list) else []
        whole = len(places) == 2 and all(isinstance(each, int) and not isinstance(each, bool) for each in places)
        if not whole or ((places[0] >= 0) == (places[1] >= 0) and places[0] > places[1]):
            raise BadValue("is no first and last byte", f"write {key.takes}")
        return tuple(places)


def _parameters(s: ChecksumTable) -> Iterator[Problem]:
    for key in sorted(s.stated.keys() & (_PARAMETERS - _TAKEN.get(s.kind, set()))):
        yield Problem(key, f"has no meaning for {s.kind}", "leave it out")
    if s.kind in SUMS and (s.width or 8) % 8:
        yield Problem("width", "is no whole number of bytes", "write width = 8 or width = 16")
    if s.kind == "crc" and (s.width is None or s.polynomial is None):
        yield Problem("", "states no width and polynomial", 'write kind = "crc", width = 16, polynomial = 0x8005')
    width = s.width or 8
    for key in ("polynomial", "initial", "xor_out"):
        if (getattr(s, key) or 0) >> width:
            yield Problem(key, f"does not fit in {width} bits", "correct it or width")


def _covers(s: ChecksumTable) -> Iterator[Problem]:
    if s.byte is not None and s.byte >= 0 and s.covers is None:
        right = "write covers = [4, -1]: the first and the last byte that are summed"
        yield Problem("covers", "is missing", right)


@dataclass(frozen=True, kw_only=True)
class ChecksumTable(Table):
    """``checksum``: what it is, over which bytes, and where it stands."""

    rules: ClassVar[Rules] = (_parameters, _covers)
    kind: str = setting(
        ChecksumName(), "how it is computed", f"{PROTOCOL}; `decode-check` tries all", "CRC-16/XMODEM", required=True
    )
    covers: tuple[int, int] | None = setting(
        FirstAndLast(), "first and last byte that it covers; else from 0 to the byte before it", PROTOCOL, [2, -4]
    )
    byte: int | None = count(-65535, 65535, "where it is; else just before the end bytes", PROTOCOL, -2)
    byte_order: ByteOrder | None = choice(BYTE_ORDERS, "order of its bytes; else the map's", PROTOCOL, "little")
    width: int | None = count(3, 64, "bits of a sum (8 if left out) or of a `crc`", PROTOCOL, 16)
    polynomial: int | None = count(1, 2**64 - 1, "of a `crc`: without its highest term", PROTOCOL, 0x8005)
    initial: int = count(0, 2**64 - 1, "the value it starts from", PROTOCOL, 0xFFFF, default=0)
    reflect_in: bool = switch("of a `crc`: bytes go in reflected", PROTOCOL, example=True, default=False)
    reflect_out: bool = switch("of a `crc`: the result comes out reflected", PROTOCOL, example=True, default=False)
    xor_out: int = count(0, 2**64 - 1, "of a `crc`: combined with the result", PROTOCOL, 0xFFFF, default=0)
    of_characters: bool = switch(
        "with `hexadecimal`: it covers the characters, written in capitals, not the bytes they stand for",
        PROTOCOL,
        example=True,
        default=False,
    )

    def checksum(self) -> Checksum:
        """Return how it is computed."""
        if self.kind in SUMS:
            return Sum(self.width or 8, SUMS[self.kind], self.initial)
        if self.kind == "xor":
            return Xor(initial=self.initial)
        if (named := named_crc(self.kind)) is not None:
            return named
        assert self.width is not None, "a rule has seen to it"
        return Crc(*(self.width, self.polynomial or 1, self.initial, self.reflect_in, self.reflect_out, self.xor_out))

    def place(self, order: ByteOrder, end: int) -> ChecksumPlace:
        """Return it with its place, in a map of ``order`` whose frames end with ``end`` bytes."""
        checksum = self.checksum()
        byte = -((checksum.width + 7) // 8 + end) if self.byte is None else self.byte
        first, last = self.covers or (0, byte - 1)
        return ChecksumPlace(checksum, byte, first, last, self.byte_order or order, self.of_characters)


class BytePairs(Named):
    """Pairs of bytes: one, and what is sent in its place."""

    def check_name(self, name: str) -> None:
        if len(hex_bytes(name) or b"") != 1:
            raise BadValue("is no byte", 'write "C0" = "DC": the byte, and what follows the escape byte')


def _one_way(s: EscapeTable) -> Iterator[Problem]:
    if s.xor is None and s.pairs is None:
        yield Problem("", "says neither xor nor pairs", 'write xor = 0x20, or pairs = { "C0" = "DC", "DB" = "DD" }')


@dataclass(frozen=True, kw_only=True)
class EscapeTable(Table):
    """``escape``: how bytes that look like a start or an end are sent within a frame."""

    rules: ClassVar[Rules] = (_one_way,)
    byte: bytes = setting(HexBytes(1), "the escape byte", PROTOCOL, 0x7D, required=True)
    xor: bytes | None = setting(HexBytes(1), "what a byte behind it is combined with", PROTOCOL, 0x20)
    pairs: Mapping[str, bytes] | None = setting(
        BytePairs(HexBytes(1)), "each byte, and what is sent behind the escape byte for it", PROTOCOL, {"C0": "DC"}
    )

    def sent_as(self, special: set[int]) -> dict[int, int]:
        """Return what each byte is sent as; ``special``: those that must not be sent as they are."""
        if self.pairs is not None:
            return {bytes.fromhex(name)[0]: sent[0] for name, sent in self.pairs.items()}
        return {byte: byte ^ (self.xor or b"\0")[0] for byte in special}


def _hides(s: FrameTable) -> Iterator[Problem]:
    if s.escape is None:
        return
    special = set(s.start[:1] + s.end[:1] + s.escape.byte)
    sent_as = s.escape.sent_as(special)
    if missing := special - sent_as.keys():
        shown = ", ".join(f"{byte:02X}" for byte in sorted(missing))
        right = "give a pair for the start, the end and the escape byte"
        yield Problem("escape.pairs", f"leaves {shown} as it is", right)
    if special & set(sent_as.values()) or len(set(sent_as.values())) != len(sent_as):
        what = "sends two bytes alike, or one as a byte that it should hide"
        yield Problem("escape", what, "give each a byte of its own")


def _spelt(s: FrameTable) -> Iterator[Problem]:
    if s.hexadecimal and not s.end:
        yield Problem("hexadecimal", "needs end bytes", 'write end = "0D 0A", for example')
    if s.hexadecimal and (s.escape is not None or s.one_per_piece):
        other = "one_per_piece" if s.one_per_piece else "escape"
        yield Problem("hexadecimal", f"cannot be used with {other}", "leave one of them out")
    for key, mark in (("start", s.start), ("end", s.end)):
        if s.hexadecimal and mark and all(each in HEXADECIMAL for each in mark):
            yield Problem(key, "could be hexadecimal characters within a frame", "leave hexadecimal out")
    if s.checksum is not None and s.checksum.of_characters and not s.hexadecimal:
        yield Problem("checksum.of_characters", "has a meaning only with hexadecimal", "leave it out")


@dataclass(frozen=True, kw_only=True)
class FrameTable(Table):
    """Section ``[frame]``."""

    rules: ClassVar[Rules] = (_hides, _spelt)
    start: bytes = setting(HexBytes(), "bytes that every frame begins with", PROTOCOL, "A5 5A", default=b"")
    end: bytes = setting(HexBytes(), "bytes that every frame ends with", PROTOCOL, "0D 0A", default=b"")
    length: int | LengthTable | None = setting(
        Either(Count(1, 65535), Inner(LengthTable)),
        "whole length in bytes, or where the frame says it; left out where the end bytes or each message tell it",
        PROTOCOL,
        20,
    )
    longest: int = count(
        1,
        65535,
        "bytes of the longest frame; anything that claims to be longer is not a frame",
        PROTOCOL,
        255,
        default=1024,
    )
    checksum: ChecksumTable | None = setting(
        Inner(ChecksumTable, "kind"), "the name of a CRC, or a table; see below", PROTOCOL, "CRC-16/XMODEM"
    )
    escape: EscapeTable | None = setting(
        Inner(EscapeTable),
        "how bytes that look like a start or an end are sent within a frame; see below",
        PROTOCOL,
        {"byte": 0x7D, "xor": 0x20},
    )
    hexadecimal: bool = switch(
        "everything between start and end is sent as two hexadecimal characters a byte; each pair counts as one byte",
        PROTOCOL,
        example=True,
        default=False,
    )
    gap_s: float | None = number(
        0.0001, 86400, "time without a byte after which a frame that has begun is given up", PROTOCOL, 0.1
    )
    one_per_piece: bool = switch(
        "each Bluetooth notification is one whole frame, so that nothing need be searched for",
        PROTOCOL,
        example=True,
        default=False,
    )

    def envelope(self, order: ByteOrder) -> Envelope:
        """Return how frames are cut, in a map of ``order``."""
        stated, length = self.length, None
        if isinstance(stated, LengthTable):
            length = LengthField(stated.byte, stated.width, stated.byte_order or order, stated.unit, stated.uncounted)
        checksum = None if self.checksum is None else self.checksum.place(order, len(self.end))
        escape = None
        if self.escape is not None:
            special = set(self.start[:1] + self.end[:1] + self.escape.byte)
            escape = Escape(self.escape.byte[0], self.escape.sent_as(special))
        gap = None if self.gap_s is None else round(self.gap_s * 1_000_000)
        whole = stated if isinstance(stated, int) else length
        return Envelope(
            *(self.start, self.end, whole, self.longest, checksum, escape, gap, self.one_per_piece, self.hexadecimal)
        )
