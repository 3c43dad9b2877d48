"""The kinds of value that drivers have: names of signals and groups, rows of bytes."""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from telemetry.model.errors import printable
from telemetry.model.keys import BadValue, Key, Kind, Text, described
from telemetry.model.signals import extra_name, find_signal, is_identifier, known_names, nearest_signals
from telemetry.model.tables import Named


class SignalName(Text):
    """The name of a signal that a device may send, or ``extra_...``."""

    def takes(self, key: Key) -> str:
        return 'a signal\'s name, such as "pack_voltage", or extra_NAME'

    def read(self, key: Key, value: object) -> Any:
        if not isinstance(value, str):
            raise BadValue(f"is {described(value)} where a signal's name belongs", f"write {key.takes}")
        check_signal(value)
        return value


def check_signal(name: str) -> None:
    """Raise BadValue for a name that is no signal, or one that is computed here and not read."""
    signal = find_signal(name)
    shown = printable(name)
    if signal is None:
        near = nearest_signals(name)
        right = f"did you mean {', '.join(near)}?" if near else f"use a signal such as {', '.join(known_names()[:3])}"
        raise BadValue(f"there is no signal {shown}", f"{right} or carry it as {extra_name(name)}")
    if signal.is_derived:
        raise BadValue(f"{shown} is computed here and not read", f"carry it as {extra_name(name)}")


class PlainName(Text):
    """A name of small letters, digits and underscores."""

    def takes(self, key: Key) -> str:
        return "a name of small letters, digits and underscores"

    def read(self, key: Key, value: object) -> Any:
        name = Text.read(self, key, value)
        check_plain(name)
        return name


def check_plain(name: str) -> None:
    """Raise BadValue for a name that is not plain."""
    if not is_identifier(name):
        raise BadValue("is not a plain name", "use small letters, digits and underscores")


class PlainNamed(Named):
    """A table of the owner's own names, all of them plain."""

    def check_name(self, name: str) -> None:
        check_plain(name)


@dataclass(frozen=True, eq=False)
class HexBytes(Kind):
    """Bytes as pairs of hexadecimal digits, or a single one as a number; ``size``: so many, 0 for any number."""

    size: int = 0

    def takes(self, key: Key) -> str:
        return "one byte, such as 0x7D" if self.size == 1 else 'two hexadecimal digits a byte, such as "A5 5A"'

    def read(self, key: Key, value: object) -> Any:
        found = hex_bytes(value)
        if found is None or (self.size and len(found) != self.size):
            raise BadValue("is not one byte" if self.size == 1 else "is no row of bytes", f"write {key.takes}")
        return found

    def schema(self, key: Key) -> dict[str, Any]:
        return {"type": ["string", "integer"]}


def hex_bytes(value: object) -> bytes | None:
    """Return the bytes that ``value`` (``"A5 5A"``, or one byte as a number) states; None where it states none."""
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 255:
        return bytes([value])
    if isinstance(value, str) and value.isascii():
        try:
            return bytes.fromhex(value) or None
        except ValueError:
            return None
    return None
