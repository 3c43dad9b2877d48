"""Reads a frame map, our own description in TOML of how bytes become signals. See ``docs/frame-map.md``.

A map that is found good here has no open question left: the decoder relies on it. Every problem is reported at
once, each with its key and what would be right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from telemetry.model.errors import MachineFileError, Problem, did_you_mean, printable
from telemetry.model.keys import BadValue, Key, Kind
from telemetry.model.signals import is_identifier
from telemetry.model.toml_text import LARGEST_TEXT, RefusedToml, parse_toml

from .frame_checks import check_map
from .frame_envelope import read_envelope
from .frame_fields import read_field
from .frame_layout import ByteOrder, Condition, FrameField, FrameMap, Message, Request
from .frame_table import Table, hex_bytes

BYTE_ORDERS = ("big", "little")
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
    problems: list[Problem] = []
    whole = Table(table, "", problems)
    order: ByteOrder = "little" if whole.choice("byte_order", "big", BYTE_ORDERS) == "little" else "big"
    envelope = read_envelope(whole.table("frame"), order, problems)
    messages, overlapping = _read_messages(whole, order)
    within = whole.seconds("assemble_within_s", 1.0)
    poll = whole.table("poll")
    requests, interval, timeout, pause = _read_poll(poll, list(messages)) if poll is not None else ((), 10**6, 0, 0)
    whole.finish()
    frame_map = FrameMap(name, envelope, messages, requests, interval, timeout, pause, within)
    if not problems:  # what is only half understood would give problems that are none
        problems += check_map(frame_map, overlapping)
    return (None, problems) if problems else (frame_map, [])


@dataclass(frozen=True, slots=True)
class FrameMapKind(Kind):
    """A frame map: a file's name, or the map itself; the attribute is a :class:`.frame_layout.FrameMap`."""

    def takes(self, key: Key) -> str:  # noqa: ARG002 - no key changes it
        """Return what it takes."""
        return "a file's name, or the map itself under `[source.map]`"

    def read(self, key: Key, value: object) -> Any:
        """Return the map; BadValue with every problem of it."""
        if isinstance(value, Mapping):
            frame_map, problems = read_frame_map(value)
        elif isinstance(value, str) and value.strip():
            frame_map, found = read_frame_map_file(Path(value).expanduser())
            problems = [Problem("", f"{each.where} {each.what}", each.right) for each in found]
        else:
            raise BadValue("is neither a table nor a file's name", f"write {key.takes}")
        if frame_map is None:
            raise BadValue.of(problems)
        return frame_map

    def schema(self, key: Key) -> dict[str, Any]:  # noqa: ARG002 - no key changes it
        """Return the schema."""
        return {"type": ["string", "object"]}


def frame_map_of(setting: Any) -> tuple[FrameMap | None, list[Problem]]:
    """Return what a source's key ``map`` states: a table, or the name of a file; every problem under that key."""
    if isinstance(setting, Mapping):
        frame_map, problems = read_frame_map(setting)
        return frame_map, [Problem(f"map.{p.where}", p.what, p.right) for p in problems]
    if isinstance(setting, str) and setting.strip():
        frame_map, problems = read_frame_map_file(Path(setting).expanduser())
        return frame_map, [Problem("map", f"{p.where} {p.what}", p.right) for p in problems]
    what = "is missing" if setting is None else "is neither a table nor a file's name"
    return None, [Problem("map", what, 'write map = "pack.toml", or the map itself under [source.map]')]


def requests_of(setting: Any) -> tuple[bytes, ...]:
    """Return the bytes of each request of a source's key ``map``; none where there is no map or it is wrong."""
    frame_map = None if setting is None else frame_map_of(setting)[0]
    return () if frame_map is None else tuple(request.data for request in frame_map.requests)


def _read_messages(whole: Table, order: ByteOrder) -> tuple[dict[str, Message], set[tuple[str, int]]]:
    """Return the messages by name, and which fields (message, place) may overlap others."""
    section = whole.table("message")
    if section is None:
        whole.wrong("message", "is missing", "write [message.NAME.fields] for each kind of frame")
        return {}, set()
    messages: dict[str, Message] = {}
    overlapping: set[tuple[str, int]] = set()
    for name, table in zip(section.names(), section.inner(), strict=False):
        if not is_identifier(name):
            section.wrong(name, "is not a plain name", "use small letters, digits and underscores")
            continue
        message, may_overlap = _read_message(name, table, order)
        messages[name] = message
        overlapping |= {(name, place) for place in may_overlap}
    return messages, overlapping


def _read_message(name: str, table: Table, order: ByteOrder) -> tuple[Message, list[int]]:
    group = table.text("group") or name
    if not is_identifier(group):
        table.wrong("group", "is not a plain name", "use small letters, digits and underscores")
    conditions = [c for each in table.tables("when") if (c := _read_condition(each)) is not None]
    length = table.whole("length", 0, 1, 65535) if "length" in table else None
    fields: list[FrameField] = []
    may_overlap: list[int] = []
    section = table.table("fields")
    for signal, each in zip(section.names(), section.inner(), strict=False) if section is not None else ():
        field, overlaps = read_field(signal, each, order)
        if field is not None:
            may_overlap += [len(fields)] if overlaps else []
            fields.append(field)
    table.finish()
    return Message(name, group, tuple(conditions), length or None, tuple(fields)), may_overlap


def _read_condition(table: Table) -> Condition | None:
    byte = table.place("byte")
    stated = table.raw("is")
    table.finish()
    given = stated if isinstance(stated, list) else [stated]
    values = [found for each in given if (found := hex_bytes(each)) is not None]
    if not values or len(values) != len(given) or len({len(value) for value in values}) != 1:
        table.wrong("is", "is no byte", 'write is = 0x01, is = "01 03" for two in a row, or a list of either')
        return None
    return None if byte is None else Condition(byte, tuple(dict.fromkeys(values)))


def _read_poll(table: Table, messages: list[str]) -> tuple[tuple[Request, ...], int, int, int]:
    interval = table.seconds("interval_s", 1.0)
    timeout = table.seconds("response_timeout_s", 0.5)
    pause = table.seconds("pause_s", 0.0, may_be_0=True)
    requests = []
    for each in table.tables("request"):
        data = each.hex("bytes")
        if "bytes" not in each:
            each.wrong("bytes", "is missing", 'write bytes = "01 04 00 00", the request as it goes over the wire')
        stated = each.raw("answer")
        answers = [stated] if isinstance(stated, str) else stated
        if answers is None:
            answers = []
        elif not isinstance(answers, list) or not all(isinstance(name, str) for name in answers):
            each.wrong("answer", "is no message's name", f"use {', '.join(messages) or 'the name of a message'}")
            answers = []
        for name in answers:
            if name not in messages:
                right = f"use {', '.join(messages) or 'the name of a message'}{did_you_mean(name, messages)}"
                each.wrong("answer", f"there is no message {printable(name)}", right)
        every = each.whole("every", 1, 1, 100_000)
        each.finish()
        requests.append(Request(data, tuple(answers), every))
    if not requests:
        table.wrong("request", "is missing", 'write request = [{ bytes = "..." }], or leave out [poll]')
    table.finish()
    return tuple(requests), interval, timeout, pause
