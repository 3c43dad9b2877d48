"""Reads the values of one table of a frame map, and collects every problem instead of stopping at the first. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from telemetry.model.errors import Problem, did_you_mean, printable

from .columns import is_number


class Table:
    """One TOML table under the checks of its keys.

    Args:
        table: the table.
        where: its place, as problems name it: ``frame.checksum``; empty for the whole map.
        problems: takes what is wrong.

    """

    def __init__(self, table: Mapping[str, Any], where: str, problems: list[Problem]) -> None:
        self._table = table
        self.where = where
        self.problems = problems
        self._asked: set[str] = set()

    def __contains__(self, key: str) -> bool:
        return key in self._table

    def key(self, key: str) -> str:
        """Return the full name of ``key``."""
        return f"{self.where}.{printable(key)}" if self.where else printable(key)

    def wrong(self, key: str, what: str, right: str) -> None:
        """Report a problem at ``key``; the table itself where that is empty."""
        self.problems.append(Problem(self.key(key) if key else self.where or "the map", what, right))

    def finish(self) -> None:
        """Report the keys that nothing has asked for."""
        for key in self._table:
            if key not in self._asked:
                right = f"use {', '.join(sorted(self._asked))}{did_you_mean(key, self._asked)}"
                self.wrong(key, "is not a setting here", right)

    def raw(self, key: str) -> Any:
        """Return what stands there, as it is; None where nothing does."""
        self._asked.add(key)
        return self._table.get(key)

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        """Return a whole number from ``low`` to ``high``."""
        value = self.raw(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.wrong(
                key, f"is no whole number from {low} to {high}", f"write {key} = {min(max(default, low), high)}"
            )
            return default
        return value

    def place(self, key: str) -> int | None:
        """Return the place of a byte in a frame, from 0; None, with a problem, where none is stated."""
        if self.raw(key) is None:
            self.wrong(key, "is missing", f"write {key} = 4, say; a frame's first byte is byte 0")
            return None
        return self.whole(key, 0, 0, 65535)

    def number(self, key: str, default: float) -> float:
        """Return a finite number."""
        value = self.raw(key)
        if value is None:
            return default
        if not is_number(value):
            self.wrong(key, "is not a number", f"write {key} = {default}, say")
            return default
        return float(value)

    def seconds(self, key: str, default: float, *, may_be_0: bool = False) -> int:
        """Return a time in microseconds."""
        value = self.number(key, default)
        if value < 0 or value > 86400 or (value == 0 and not may_be_0):
            self.wrong(key, "is no possible number of seconds", f"write {key} = {default}, say")
            value = default
        return round(value * 1_000_000)

    def switch(self, key: str, default: bool = False) -> bool:
        """Return true or false."""
        value = self.raw(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.wrong(key, "is neither true nor false", f"write {key} = true, or leave it out")
            return default
        return value

    def choice(self, key: str, default: str, known: Iterable[str]) -> str:
        """Return one of ``known``."""
        value = self.raw(key)
        if value is None:
            return default
        names = list(known)
        if value not in names:
            near = did_you_mean(value, names) if isinstance(value, str) else ""
            self.wrong(key, f"{printable(value)!r} is not known", f"use {', '.join(names)}{near}")
            return default
        return str(value)

    def text(self, key: str) -> str | None:
        """Return text that is not empty."""
        value = self.raw(key)
        if value is None:
            return None
        if not isinstance(value, str) or not value:
            self.wrong(key, "is not text", f'write {key} = "..."')
            return None
        return value

    def hex(self, key: str) -> bytes:
        """Return bytes written as pairs of hexadecimal digits, or a single one as a number; empty where none are."""
        value = self.raw(key)
        if value is None:
            return b""
        found = hex_bytes(value)
        if found is None:
            self.wrong(key, "is no row of bytes", f'write {key} = "A5 5A", two hexadecimal digits a byte')
            return b""
        return found

    def table(self, key: str) -> Table | None:
        """Return an inner table; None where there is none."""
        value = self.raw(key)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            self.wrong(key, "is not a table", f"write [{self.key(key)}] and keys under it")
            return None
        return Table(value, self.key(key), self.problems)

    def tables(self, key: str) -> list[Table]:
        """Return a list of inner tables; a single one may stand without its list."""
        value = self.raw(key)
        if value is None:
            return []
        entries = value if isinstance(value, list) else [value]
        if not all(isinstance(entry, Mapping) for entry in entries):
            self.wrong(key, "is not a list of tables", f"write {key} = [{{ ... }}]")
            return []
        return [Table(e, f"{self.key(key)}[{n}]", self.problems) for n, e in enumerate(entries, 1)]

    def inner(self) -> list[Table]:
        """Return every entry as a table, whatever its key; what is none is reported."""
        return [table for name in self._table if (table := self.table(name)) is not None]

    def names(self) -> list[str]:
        """Return the keys."""
        return list(self._table)


def hex_bytes(value: Any) -> bytes | None:
    """Return the bytes that ``value`` (``"A5 5A"``, or one byte as a number) states; None where it states none."""
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 255:
        return bytes([value])
    if isinstance(value, str) and value.isascii():
        try:
            return bytes.fromhex(value) or None
        except ValueError:
            return None
    return None
