"""The kinds of value that drivers have: names of groups, rows of bytes."""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from telemetry.model.keys import BadValue, Key, Kind
from telemetry.model.kinds import Text
from telemetry.model.signals import is_identifier
from telemetry.model.tables import Named


class PlainName(Text):
    """A name of small letters, digits and underscores."""

    words = "a name of small letters, digits and underscores"

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

    json: ClassVar[Mapping[str, Any]] = {"type": ["string", "integer"]}
    size: int = 0

    def takes(self, key: Key) -> str:
        return "one byte, such as 0x7D" if self.size == 1 else 'two hexadecimal digits a byte, such as "A5 5A"'

    def read(self, key: Key, value: object) -> Any:
        found = hex_bytes(value)
        if found is None or (self.size and len(found) != self.size):
            raise BadValue("is not one byte" if self.size == 1 else "is no row of bytes", f"write {key.takes}")
        return found


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
