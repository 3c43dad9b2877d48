"""Reads a table of settings that is declared as a dataclass (see :mod:`telemetry.model.keys`): all problems at once.

::

    @dataclass(frozen=True, kw_only=True)
    class BoardSettings(Table):
        port: str = text("the port it is on", "shakedown sources", "/dev/ttyUSB0", required=True)
        silence_s: float = number(0.1, 3600, "longest pause", "how often it sends", 5.0, default=5.0)

    settings, problems = read_table(BoardSettings, {"port": "COM4"})

What keys may not stand together is said by rules: functions that are given the table and yield problems. A rule is
held only against values that are right by themselves: it ends where it asks for one that is not.
"""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, TypeVar, cast

from telemetry.model.errors import InputError, Problem, did_you_mean, nearest, printable
from telemetry.model.keys import BadValue, Key, Kind, described, keys_of

Rules = tuple[Callable[[Any], Iterable[Problem]], ...]
"""What keys may not state together: functions of the table that yield problems."""


@dataclass(frozen=True, kw_only=True)
class Table:
    """Base of a table of settings.

    Attributes:
        rules: what its keys may not state together.
        stated: what was given, right or wrong, by key.

    """

    rules: ClassVar[Rules] = ()
    stated: Mapping[str, Any] = field(default_factory=dict, compare=False, repr=False)


T = TypeVar("T", bound=Table)


class _Spoilt(Exception):
    """A rule asked for a value that is wrong or missing."""


class _Right:
    """Stands for a table while some of its values are wrong."""

    def __init__(self, values: Mapping[str, Any], spoilt: frozenset[str]) -> None:
        self.__dict__.update(values, _spoilt=spoilt)

    def __getattr__(self, name: str) -> Any:
        if name in self.__dict__.get("_spoilt", ()):
            raise _Spoilt
        raise AttributeError(name)


def read_table(table: type[T], values: Mapping[str, Any]) -> tuple[T | None, list[Problem]]:
    """Return the settings that ``values`` states, or None and every problem; where each is, by the key alone."""
    right, problems = _read(table, values)
    attributes = _attributes(table)
    stated = {attributes[key.name] for key in keys_of(table) if key.name in right["stated"] or key.required}
    spoilt = frozenset(stated - set(right))
    absent = {each.name: each.default for each in fields(table) if each.name not in spoilt}
    view = _Right(absent | right, spoilt)
    for rule in _rules(table):
        try:
            problems.extend(rule(view))
        except _Spoilt:
            continue
    return (None if problems else table(**right)), problems


def settings_of(table: type[T], values: Mapping[str, Any]) -> T:
    """Return the settings that ``values``, found good before, states; the rules are not held again.

    Raises:
        InputError: a value is no longer right, as when a file that it names has changed.

    """
    right, problems = _read(table, values)
    if problems:
        raise InputError("; ".join(map(str, problems)))
    return table(**right)


def _read(table: type, values: Mapping[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """Return the values that are right, by attribute, and what is wrong with the others by themselves."""
    values = {name: value for name, value in values.items() if value is not None}
    found, problems = read_values(keys_of(table), values)
    attributes = _attributes(table)
    return {"stated": values} | {attributes[name]: value for name, value in found.items()}, problems


def read_values(
    keys: Iterable[Key], values: Mapping[str, Any], meant: Callable[[str, Iterable[str]], str] | None = None
) -> tuple[dict[str, Any], list[Problem]]:
    """Return the values that are right, by key, and what is wrong with the others by themselves.

    Args:
        keys: those that the table may have.
        values: what it states.
        meant: says what to write in place of a key that it may not have; :func:`known_key` where it is None.

    """
    by_name = {key.name: key for key in keys}
    problems: list[Problem] = []
    right: dict[str, Any] = {}
    for name, value in values.items():
        if name not in by_name:
            problems.append(Problem(printable(name), "is an unknown key", (meant or known_key)(name, by_name)))
            continue
        try:
            right[name] = by_name[name].read(value)
        except BadValue as bad:
            problems += within(name, bad.problems)
    missing = [key for key in by_name.values() if key.required and key.name not in values]
    return right, problems + [Problem(key.name, "is missing", key.missing) for key in missing]


def known_key(name: str, keys: Iterable[str]) -> str:
    """Return what to write in place of an unknown key: the nearest name, else all there are."""
    near = nearest(name.lower(), keys, 1)
    return f"did you mean {near[0]}?" if near else f"the keys here are {', '.join(keys)}"


def within(place: str, problems: Iterable[Problem]) -> list[Problem]:
    """Return problems of a value as those of the table that holds it under ``place``."""
    return [Problem(f"{printable(place)}{_joined(each.where)}", each.what, each.right) for each in problems]


def _joined(where: str) -> str:
    return where if not where or where.startswith("[") else f".{where}"


def _attributes(table: type) -> dict[str, str]:
    """Return the attribute that holds each key's value, by the key's name."""
    return {each.name.rstrip("_"): each.name for each in fields(table) if "key" in each.metadata}


def _rules(table: type) -> Iterator[Callable[[Any], Iterable[Problem]]]:
    """Give the rules of the class and of those that it is made from."""
    for each in reversed(table.__mro__):
        yield from cast("Rules", vars(each).get("rules", ()))


def table_schema(table: type) -> dict[str, Any]:
    """Return the JSON Schema of a table of settings."""
    keys = keys_of(table)
    required = [key.name for key in keys if key.required]
    properties = {key.name: key.schema for key in keys}
    found = {"type": "object", "additionalProperties": False, "properties": properties}
    return found | ({"required": required} if required else {})


@dataclass(frozen=True, eq=False)
class Inner(Kind):
    """A table within the table; a value that is none is read as that table's key ``short``, where it has one."""

    table: type[Table]
    short: str = ""

    def takes(self, key: Key) -> str:
        of = f"a table of {', '.join(each.name for each in keys_of(self.table))}"
        return f"{self._short.takes}, or {of}" if self.short else of

    @property
    def _short(self) -> Key:
        return next(each for each in keys_of(self.table) if each.name == self.short)

    def read(self, key: Key, value: object) -> Any:
        if isinstance(value, Mapping):
            found, problems = read_table(self.table, value)
        elif self.short:
            found, problems = read_table(self.table, {self.short: value})
            problems = [Problem("", each.what, each.right) for each in problems]
        else:
            raise BadValue(f"is {described(value)} where a table belongs", f"write {key.takes}")
        if found is None:
            raise BadValue.of(problems)
        return found

    def schema(self, key: Key) -> dict[str, Any]:
        found = table_schema(self.table)
        return {"anyOf": [self._short.kind.schema(self._short), found]} if self.short else found


@dataclass(frozen=True, eq=False)
class Either(Kind):
    """A plain value or a table."""

    plain: Kind
    table: Inner

    def takes(self, key: Key) -> str:
        return f"{self.plain.takes(key)}, or {self.table.takes(key)}"

    def read(self, key: Key, value: object) -> Any:
        return (self.table if isinstance(value, Mapping) else self.plain).read(key, value)

    def schema(self, key: Key) -> dict[str, Any]:
        return {"anyOf": [self.plain.schema(key), self.table.schema(key)]}


@dataclass(frozen=True, eq=False)
class Several(Kind):
    """A list of values of one kind; one alone may stand without its list. The attribute is a tuple."""

    each: Kind

    def takes(self, key: Key) -> str:
        return f"{self.each.takes(key)}; or a list of such"

    def read(self, key: Key, value: object) -> Any:
        entries = value if isinstance(value, list | tuple) else [value]
        found, problems = [], list[Problem]()
        for number, entry in enumerate(entries, 1):
            try:
                found.append(self.each.read(key, entry))
            except BadValue as bad:
                problems += within(f"[{number}]", bad.problems)
        if problems:
            raise BadValue.of(problems)
        return tuple(found)

    def schema(self, key: Key) -> dict[str, Any]:
        one = self.each.schema(key)
        return {"anyOf": [one, {"type": "array", "items": one}]}


@dataclass(frozen=True, eq=False)
class Named(Kind):
    """A table of the owner's own names, with a value of one kind behind each; the attribute is a dictionary."""

    each: Kind

    def takes(self, key: Key) -> str:
        return f"a table; behind each name {self.each.takes(key)}"

    def read(self, key: Key, value: object) -> Any:
        if not isinstance(value, Mapping):
            raise BadValue(f"is {described(value)} where a table belongs", f"write {key.takes}")
        found, problems = {}, list[Problem]()
        for name, entry in value.items():
            try:
                self.check_name(name)
            except BadValue as bad:
                problems += within(name, bad.problems)
            try:
                read = self.each.read(key, entry)
                found[name] = read if problems else self.finish(name, read)
            except BadValue as bad:
                problems += within(name, bad.problems)
        if problems:
            raise BadValue.of(problems)
        return found

    def check_name(self, name: str) -> None:
        """Raise BadValue for a name that cannot be one."""

    def finish(self, name: str, value: Any) -> Any:
        """Return a value as it is kept under ``name``; raise BadValue where the two do not fit."""
        return value

    def schema(self, key: Key) -> dict[str, Any]:
        return {"type": "object", "additionalProperties": self.each.schema(key)}


def unknown_word(what: str, word: str, known: Iterable[str]) -> BadValue:
    """Return the error for a word that is not known: ``there is no fault pedal``, with the nearest."""
    known = list(known)
    return BadValue(f"there is no {what} {printable(word)}", f"use {', '.join(known)}{did_you_mean(word, known)}")
