"""Whether what a store gave back is what this program writes: each field and column of its declared type.

SQLite keeps any value in any column, so a doctored or damaged store may hold a text where a time belongs, or a state
that does not exist. Without this look such a value comes to light much later, in a calculation.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import fields
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from telemetry.model.signals import is_identifier

T = TypeVar("T")

LATEST = 2**62
"""Microseconds; sums and differences of times stay within 64 bits."""
_LARGEST = 1e12  # a reading beyond is a damaged byte: no signal comes near


@cache
def _kinds(cls: type) -> dict[str, tuple[Any, ...]]:
    """Return the types that each field may have, and the words of a Literal."""
    hints = get_type_hints(cls)
    return {each.name: tuple(_alternatives(hints[each.name])) for each in fields(cls)}


def _alternatives(hint: Any) -> list[Any]:
    if get_origin(hint) is Literal:
        return list(get_args(hint))
    if get_origin(hint) is UnionType or str(get_origin(hint)) == "typing.Union":
        return [each for part in get_args(hint) for each in _alternatives(part)]
    return [hint]


def _fits(value: Any, kinds: tuple[Any, ...]) -> bool:
    if value is None:
        return NoneType in kinds
    if isinstance(value, str):
        return str in kinds or value in kinds
    if isinstance(value, bytes):
        return bytes in kinds
    if isinstance(value, bool):
        return bool in kinds
    if isinstance(value, int):
        return (int in kinds or float in kinds) and -LATEST < value < LATEST
    return isinstance(value, float) and float in kinds


def checked(found: T) -> T:
    """Return ``found``, a dataclass of numbers and texts, as it is.

    Raises:
        ValueError: a field is not of its type; names it.

    """
    for name, kinds in _kinds(type(found)).items():  # type: ignore[arg-type]
        if not _fits(getattr(found, name), kinds):
            raise ValueError(f"{name} is {getattr(found, name)!r}")
    return found


def column_kinds(connection: sqlite3.Connection, table: str) -> dict[str, tuple[str, bool]]:
    """Return the type of each column, and whether it may be NULL."""
    rows = connection.execute(f'PRAGMA table_info("{table}")').fetchall()
    return {name: (kind, not required and not key) for _, name, kind, required, _, key in rows}


def fits_column(value: Any, kind: str, may_lack: bool) -> bool:
    """Tell whether a value can stand in a column of that type."""
    if value is None:
        return may_lack
    if kind == "INTEGER":
        return isinstance(value, int) and -LATEST < value < LATEST
    if kind == "REAL":
        return isinstance(value, int | float)
    return isinstance(value, bytes if kind == "BLOB" else str)


def is_reading(value: Any) -> bool:
    """Tell whether a value can be a reading; NULL is one that is not known."""
    return value is None or (isinstance(value, int | float) and abs(value) < _LARGEST)


def are_signals(text: Any) -> bool:
    """Tell whether a text lists the signals of a series."""
    try:
        found = json.loads(text)
    except (TypeError, ValueError):
        return False
    return (
        isinstance(found, list)
        and len(set(map(str, found))) == len(found)
        and all(isinstance(one, str) and is_identifier(one) for one in found)
    )


def is_entry(table: str, values: list[Any]) -> bool:
    """Tell whether the values can be those of an entry, by the words that stand in some columns."""
    if table == "session":
        return values[4] in ("live", "replay", "import", "bench") and values[6] in ("absolute", "relative")
    if table == "series":
        return values[4] in ("measured", "derived") and str(values[3]).startswith("group_")
    return True
