"""How a setting is declared: once, on the field of the dataclass that holds its value.

Each field says what kind of value it takes, in which range, what it means and where an owner finds it. Checks, the
tables of the documentation, the schema for editors, the questions of a new machine and every "this key is missing"
are made from it. The unit is the end of the key's name. A table of settings is read by :mod:`telemetry.model.tables`.
"""

# ruff: noqa: ARG002 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

import datetime
import math
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from typing import Any, ClassVar

from telemetry.model.errors import Problem, printable
from telemetry.model.toml_text import toml_value
from telemetry.model.units import bare

_UNITS = {
    "_per_kwh": "currency per kWh",
    "_per_l": "currency per L",
    "_l_per_h": "L/h",
    "_ah": "Ah",
    "_mm2": "mm²",
    "_awg": "AWG",
    "_mohm": "mΩ",
    "_ohm": "Ω",
    "_ma": "mA",
    "_mv": "mV",
    "_percent": "%",
    "_uf": "µF",
    "_kg": "kg",
    "_ha": "ha",
    "_hz": "Hz",
    "_rpm": "rpm",
    "_a": "A",
    "_j": "J",
    "_v": "V",
    "_w": "W",
    "_c": "°C",
    "_m": "m",
    "_s": "s",
}


class BadValue(Exception):
    """A value that does not fit its key: ``what`` is wrong and what would be ``right``.

    Attributes:
        problems: all that is wrong, where the value is a table; where each is, counted from the key.

    """

    def __init__(self, what: str, right: str, problems: Iterable[Problem] = ()) -> None:
        self.problems = tuple(problems) or (Problem("", what, right),)
        self.what = what
        self.right = right
        super().__init__(f"{what}; {right}")

    @classmethod
    def of(cls, problems: Sequence[Problem]) -> BadValue:
        """Return what stands for several problems within one value."""
        return cls(problems[0].what, problems[0].right, problems)


class Kind(ABC):
    """What kind of value a key takes; frozen, so that a key can be kept.

    Attributes:
        words: what it takes, where that is the same for every key.
        json: the JSON Schema of that, likewise.

    """

    words: ClassVar[str] = ""
    json: ClassVar[Mapping[str, Any]] = {}

    names_file: ClassVar[bool] = False
    """Text of it is the name of a file, counted from the folder of the machine file where it is relative."""

    def takes(self, key: Key) -> str:
        """Return what it takes, in words."""
        return self.words

    @property
    def bounds(self) -> tuple[float, float]:
        """The lowest and the highest number that it takes."""
        return -math.inf, math.inf

    @abstractmethod
    def read(self, key: Key, value: object) -> Any:
        """Return ``value``, out of a file, as the attribute for ``key`` holds it.

        Raises:
            BadValue: wrong type, out of range, or not one of the choices.

        """

    def schema(self, key: Key) -> dict[str, Any]:
        """Return the JSON Schema of what it takes."""
        return dict(self.json)

    def meant(self, key: Key, said: str) -> object | None:
        """Return the value that a person means by ``said``, in the key's unit; None where that is not clear."""
        return None


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table of settings.

    Attributes:
        section: the table of the machine file that it stands in, as in ``[pack]``; empty for other tables.
        name: the key, and the attribute that holds its value.
        kind: what it takes.
        meaning: what it is.
        find: where an owner finds it.
        example: a value as it would stand in the file.
        required: nothing can be judged without it.
        default: what holds where the key is absent.
        measured_in: the unit, where the end of the name does not say it.

    """

    section: str
    name: str
    kind: Kind
    meaning: str
    find: str
    example: object
    required: bool
    default: object = None
    measured_in: str = ""

    @property
    def unit(self) -> str:
        """The unit of the value, as a rule from the end of the name; empty where it has none."""
        return self.measured_in or next(
            (unit for ending, unit in _UNITS.items() if f"_{self.name}".endswith(ending)), ""
        )

    @property
    def in_unit(self) -> str:
        """The unit as the end of a sentence: ``, in Ah``; empty where it has none."""
        return f", in {self.unit}" if self.unit else ""

    @property
    def place(self) -> str:
        """The key with its section, as messages name it: ``[pack] capacity_ah``."""
        return f"{header_of(self.section)} {self.name}"

    @property
    def has_default(self) -> bool:
        """Whether something holds where it is absent."""
        return self.default not in (None, (), b"")

    @property
    def takes(self) -> str:
        """What it takes, in words: ``a number from 0.05 to 5000, in Ah``."""
        return self.kind.takes(self)

    @property
    def range(self) -> tuple[float, float]:
        """The lowest and the highest number that it takes; no bounds where it takes no number."""
        return self.kind.bounds

    def read(self, value: object) -> Any:
        """Return ``value`` as the attribute holds it; see :meth:`Kind.read`."""
        return self.kind.read(self, value)

    @property
    def missing(self) -> str:
        """What to write where it is absent and required."""
        return f"write {self.name} = {toml_value(self.example)}, say: {self.takes}; find it: {self.find}"

    @property
    def schema(self) -> dict[str, Any]:
        """The JSON Schema of its value, with what it means."""
        unit = f" ({self.unit})" if self.unit else ""
        about: dict[str, Any] = {"description": f"{self.meaning}{unit}. Find it: {self.find}."}
        if self.has_default:
            about["default"] = self.default
        return self.kind.schema(self) | about | {"examples": [self.example]}


LIST_SECTIONS = ("source", "publish")
"""Sections of the machine file that may stand several times."""


def header_of(section: str) -> str:
    """Return the line that a section of the machine file begins with."""
    named = {name: f"[[{name}]]" for name in LIST_SECTIONS}
    named |= {"limits": "[limits.NAME]", "fault_codes": "[fault_codes.SIGNAL]"}
    return named.get(section, f"[{section}]")


def keys_of(table: type, section: str = "") -> tuple[Key, ...]:
    """Return the keys that the dataclass ``table`` declares, in their order; a field ``is_`` is the key ``is``."""
    return _keys_of(table, section)


@cache
def _keys_of(table: Any, section: str) -> tuple[Key, ...]:
    found = []
    for each in fields(table):
        key = each.metadata.get("key")
        if key is not None:
            default = None if each.default is MISSING else each.default
            found.append(replace(key, section=section, name=each.name.rstrip("_"), default=default))
    return tuple(found)


def meant(key: Key, said: str) -> object | None:
    """Return the value that ``said`` means for ``key``, in the key's unit and type; None where that is not clear.

    One reading for all places where people type: the unit behind the number, a decimal comma, yes for true, quotes
    forgotten. Whether the value is possible is for :meth:`Key.read` to say.
    """
    plain = bare(said)
    return key.kind.meant(key, plain) if plain and plain.isprintable() else None


def setting(
    kind: Kind, meaning: str, find: str, example: object, *, required: bool = False, default: object = None
) -> Any:
    """Declare a key of any kind, as the default of a dataclass's field."""
    key = Key("", "", kind, meaning, find, example, required)
    return field(metadata={"key": key}) if required else field(default=default, metadata={"key": key})


def described(value: object) -> str:
    """Return a value out of a file in words that can be printed: ``"100 Ah"``, ``a list``."""
    match value:
        case str():
            return f'"{printable(value, 40)}"'
        case bool():
            return "true" if value else "false"
        case int():
            return str(value) if abs(value) < 10**12 else "a very large number"
        case float():
            return f"{value:g}"
        case list() | tuple():
            return "a list"
        case dict():
            return "a table"
        case datetime.date() | datetime.time():
            return "a date or time"
    return "something else"
