"""Reads a frame map, our own description in TOML of how bytes become signals. See ``docs/frame-map.md``.

A map that is found good here has no open question left: the decoder relies on it. Every problem is reported at
once, each with its key and what would be right.
"""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

from telemetry.model.batch import MICROSECONDS
from telemetry.model.errors import MachineFileError, Problem, did_you_mean, printable
from telemetry.model.fault_names import FaultNames
from telemetry.model.keys import BadValue, Key, Kind, setting
from telemetry.model.kinds import Text, choice, count, number
from telemetry.model.tables import Inner, Rules, Several, Table, read_table, table_schema
from telemetry.model.toml_text import LARGEST_TEXT, RefusedToml, parse_toml

from .cut_layout import PROTOCOL, ByteOrder
from .frame_checks import check_map
from .frame_envelope import BYTE_ORDERS, FrameTable, LengthTable
from .frame_fields import Fields, FieldTable
from .frame_layout import Condition, FrameMap, Message, Request
from .kinds import HexBytes, PlainName, PlainNamed, hex_bytes
from .value_names import names_of

MOST_BYTES = LARGEST_TEXT
"""A file larger than this is no frame map."""


class FrameMapError(MachineFileError):
    """All the problems of one frame map. Example: two fields that take the same bits."""


def load_frame_map(path: Path) -> FrameMap:
    """Return the frame map that the file states.

    Raises:
        FrameMapError: every problem of the file, at once.

    """
    frame_map, problems = read_frame_map_file(path)
    if frame_map is None:
        raise FrameMapError(str(path), problems)
    return frame_map


def read_frame_map_file(path: Path) -> tuple[FrameMap | None, list[Problem]]:
    """Return the frame map that the file states, or None and every problem of it."""
    name = printable(path, 200)
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES + 1)
    except OSError as error:
        what = f"cannot be read ({printable(error.strerror or error, 120)})"
        return None, [Problem(name, what, "name the frame map's file; see docs/frame-map.md")]
    if len(text) > MOST_BYTES:
        return None, [Problem(name, "is far too large for a frame map", "name the map, not a capture or a recording")]
    try:
        table = parse_toml(text.decode("utf-8"))
    except UnicodeDecodeError as error:
        return None, [Problem(f"{name}, byte {error.start}", "is no UTF-8 text", "save the map as UTF-8 text")]
    except RefusedToml as error:
        where = f"{name}, line {error.line}" if error.line else name
        return None, [Problem(where, error.what, error.right)]
    except ValueError as error:
        return None, [Problem(name, f"is not TOML: {printable(error, 200)}", "mend that line; see docs/frame-map.md")]
    return read_frame_map(table, path.stem)


def read_frame_map(table: Mapping[str, Any], name: str = "map") -> tuple[FrameMap | None, list[Problem]]:
    """Return the frame map that ``table`` states, or None and every problem of it."""
    found, problems = read_table(MapTable, table)
    if found is None:  # what is only half understood would give problems that are none
        return None, problems
    frame_map = found.frame_map(name)
    fields = [
        (message, place, field)
        for message, table in found.message.items()
        for place, field in enumerate((table.fields or {}).values())
    ]
    problems = check_map(frame_map, ((message, place) for message, place, field in fields if field.overlaps))
    return (None, problems) if problems else (frame_map, [])


class ByFrameMap:
    """What a driver can do whose source names a frame map under the key ``map``; it sends that map's requests."""

    @staticmethod
    def requests(settings: Mapping[str, Any]) -> tuple[bytes, ...]:
        """Return the bytes of each request; none where there is no map or it is wrong."""
        found, _ = read_table(MapSettings, {"map": settings.get("map")})
        return () if found is None else tuple(request.data for request in found.map.requests)

    @staticmethod
    def fault_names(settings: Mapping[str, Any]) -> dict[str, FaultNames]:
        """Return what the numbers of each signal mean, as far as they name faults; none where the map is wrong."""
        found, _ = read_table(MapSettings, {"map": settings.get("map")})
        fields = [] if found is None else [field for each in found.map.messages.values() for field in each.fields]
        named = {
            signal: names_of(signal, field.meanings, [(field.scale, field.offset)])
            for field in fields
            if field.meanings and not field.points
            for signal in field.signals
        }
        return {signal: names for signal, names in named.items() if names.bits or names.codes}


class FrameMapKind(Kind):
    """A frame map: a file's name, or the map itself; the attribute is a :class:`.frame_layout.FrameMap`."""

    words = "a file's name, or the map itself under `[source.map]`"

    names_file: ClassVar[bool] = True

    def read(self, key: Key, value: object) -> Any:
        if isinstance(value, Mapping):
            frame_map, problems = read_frame_map(value)
        elif isinstance(value, str) and value.strip():
            frame_map, found = read_frame_map_file(Path(value).expanduser())
            name = printable(value, 200)
            named = [each.where if each.where.startswith(name) else f"{name}, {each.where}" for each in found]
            problems = [
                Problem("", f"{where}: {each.what}", each.right) for where, each in zip(named, found, strict=True)
            ]
        else:
            raise BadValue("is neither a table nor a file's name", f"write {key.takes}")
        if frame_map is None:
            raise BadValue.of(problems)
        return frame_map

    def schema(self, key: Key) -> dict[str, Any]:
        return {"anyOf": [{"type": "string"}, table_schema(MapTable)]}


class Alternatives(Kind):
    """Rows of bytes, all of one length, of which one must stand somewhere; one alone may stand without its list."""

    words = '0x01, "01 03" for two bytes in a row, or a list of either'
    json: ClassVar[Mapping[str, Any]] = {"type": ["string", "integer", "array"]}

    def read(self, key: Key, value: object) -> Any:
        given = value if isinstance(value, list) else [value]
        found = [each for each in map(hex_bytes, given) if each is not None]
        if not found or len(found) != len(given) or len({len(each) for each in found}) != 1:
            raise BadValue("is no byte", f"write is = {key.takes}")
        return tuple(dict.fromkeys(found))


@dataclass(frozen=True, kw_only=True)
class ConditionTable(Table):
    """One entry of ``when``: a byte that tells this kind of frame."""

    byte: int = count(0, 65535, "the byte that tells; a frame's first is byte 0", PROTOCOL, 2, required=True)
    is_: tuple[bytes, ...] = setting(Alternatives(), "what it is", PROTOCOL, 0x81, required=True)


@dataclass(frozen=True, kw_only=True)
class MessageTable(Table):
    """Section ``[message.NAME]``: one kind of frame."""

    when: tuple[ConditionTable, ...] = setting(
        Several(Inner(ConditionTable)),
        "what marks this kind; all must hold",
        PROTOCOL,
        {"byte": 2, "is": 0x81},
        default=(),
    )
    length: int | None = count(1, 65535, "whole length in bytes, where it is fixed for this kind", PROTOCOL, 20)
    group: str | None = setting(
        PlainName(), "the group that its signals belong to; else the message's name", "your choice", "cells"
    )
    fields: Mapping[str, FieldTable] | None = setting(
        Fields(Inner(FieldTable)), "what is read from it", PROTOCOL, {"pack_voltage": {"byte": 4, "width": 16}}
    )

    def message(self, name: str, order: ByteOrder, whole: int | None) -> Message:
        """Return the kind of frame, in a map of ``order``; ``whole``: the length of all, where fixed."""
        length = self.length or whole
        conditions = tuple(Condition(each.byte, each.is_) for each in self.when)
        fields = tuple(field.field(signal, order) for signal, field in (self.fields or {}).items())
        if length is not None:  # where the end is known, all is counted from the beginning
            fields = tuple(replace(each, byte=each.byte + length) if each.byte < 0 else each for each in fields)
        return Message(name, self.group or name, conditions, self.length, fields)


@dataclass(frozen=True, kw_only=True)
class RequestTable(Table):
    """One entry of ``request``."""

    bytes_: bytes = setting(
        HexBytes(), "the request as it goes over the wire", PROTOCOL, "01 04 00 00", required=True
    )
    answer: tuple[str, ...] = setting(
        Several(Text()), "names of the messages that answer it; else any", "this map", "state", default=()
    )
    every: int = count(
        1, 100_000, "it is sent in each so many cycles, from the first on", "your choice", 10, default=1
    )


@dataclass(frozen=True, kw_only=True)
class PollTable(Table):
    """Section ``[poll]``: what is asked for."""

    interval_s: float = number(
        0.0001, 86400, "from the start of one cycle to the next", "how often you want values", 1.0, default=1.0
    )
    response_timeout_s: float = number(0.0001, 86400, "how long an answer may take", PROTOCOL, 0.5, default=0.5)
    pause_s: float = number(0, 86400, "time between an answer and the next request", PROTOCOL, 0.05, default=0.0)
    request: tuple[RequestTable, ...] = setting(
        Several(Inner(RequestTable)),
        "what is sent, in this order",
        PROTOCOL,
        [{"bytes": "01 04 00 00"}],
        required=True,
    )


def _answers(s: MapTable) -> Iterator[Problem]:
    known = s.stated["message"] if isinstance(s.stated.get("message"), Mapping) else {}
    for place, request in enumerate(() if s.poll is None else s.poll.request, 1):
        for name in request.answer:
            if name not in known:
                right = (
                    f"use {', '.join(map(printable, known)) or 'the name of a message'}{did_you_mean(name, known)}"
                )
                yield Problem(f"poll.request[{place}].answer", f"there is no message {printable(name)}", right)
    if s.poll is not None and not s.poll.request:
        yield Problem("poll.request", "is empty", 'write request = [{ bytes = "..." }], or leave out [poll]')


def _order(s: MapTable) -> Iterator[Problem]:
    if s.byte_order is not None:
        return
    length, checksum = s.frame.length, s.frame.checksum
    several = [
        ("frame.length", isinstance(length, LengthTable) and length.width > 8 and length.byte_order is None),
        ("frame.checksum", checksum is not None and checksum.byte_order is None and checksum.checksum().width > 8),
    ]
    for name, message in s.message.items():
        for signal, field in (message.fields or {}).items():
            where = f"message.{name}.fields.{printable(signal)}"
            several.append((where, field.byte_order is None and field.size > 1))
    lacking = [where for where, lacks in several if lacks]
    if lacking:
        right = 'write byte_order = "big" at the top where the high byte comes first, else "little"'
        yield Problem("byte_order", f"is missing, and {lacking[0]} takes several bytes", right)


@dataclass(frozen=True, kw_only=True)
class MapTable(Table):
    """A whole frame map."""

    rules: ClassVar[Rules] = (_answers, _order)
    byte_order: ByteOrder | None = choice(
        BYTE_ORDERS,
        "order of bytes unless a field has its own; required where a number takes several",
        PROTOCOL,
        "little",
    )
    frame: FrameTable = setting(
        Inner(FrameTable), "how frames are cut", PROTOCOL, {"start": "A5 5A", "length": 20}, required=True
    )
    message: Mapping[str, MessageTable] = setting(
        PlainNamed(Inner(MessageTable)), "the kinds of frame, by name", PROTOCOL, {"state": {}}, required=True
    )
    assemble_within_s: float = number(
        0.0001, 86400, "time over which parts of one row may come", PROTOCOL, 0.5, default=1.0
    )
    poll: PollTable | None = setting(
        Inner(PollTable), "what is asked for", PROTOCOL, {"request": [{"bytes": "01 04"}]}
    )

    def frame_map(self, name: str) -> FrameMap:
        """Return the map as the decoder wants it."""
        order = self.byte_order or "big"  # a rule has seen to it that it does not matter
        envelope = self.frame.envelope(order)
        whole = envelope.length if isinstance(envelope.length, int) else None
        messages = {each: table.message(each, order, whole) for each, table in self.message.items()}
        within = round(self.assemble_within_s * MICROSECONDS)
        if self.poll is None:
            return FrameMap(name, envelope, messages, assemble_within=within)
        requests = tuple(Request(each.bytes_, each.answer, each.every) for each in self.poll.request)
        stated = (self.poll.interval_s, self.poll.response_timeout_s, self.poll.pause_s)
        interval, timeout, pause = (round(each * MICROSECONDS) for each in stated)
        return FrameMap(name, envelope, messages, requests, interval, timeout, pause, within)


@dataclass(frozen=True, kw_only=True)
class MapSettings(Table):
    """The key of a ``[[source]]`` that names a frame map."""

    map: FrameMap = setting(
        FrameMapKind(), "the frame map", "your pack's protocol; `decode-check` tries it", "pack.toml", required=True
    )
