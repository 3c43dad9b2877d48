"""Whether what a store gave back is what this program writes: each field of its declared type.

SQLite keeps any value in any column, so a doctored or damaged store may hold a text where a time belongs, or a state
that does not exist. Without this look such a value comes to light much later, in a calculation.
"""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

T = TypeVar("T")

LATEST = 2**62
"""Microseconds; sums and differences of times stay within 64 bits."""


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
