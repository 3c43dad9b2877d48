"""How a setting is declared: once, on the field of the dataclass that holds its value.

Each field says what kind of value it takes, in which range, what it means and where an owner finds it. Checks, the
tables of the documentation, the schema for editors, the questions of a new machine and every "this key is missing"
are made from it. The unit is the end of the key's name. A table of settings is read by :mod:`telemetry.model.tables`.
"""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

import datetime
import math
import sys
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from decimal import Decimal
from functools import cache
from typing import Any, ClassVar

from telemetry.model.errors import Problem, did_you_mean, printable
from telemetry.model.toml_text import toml_value
from telemetry.model.units import bare, comma_is_open, converted, number_meant, quantity, siblings

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
_SWITCHES = {
    **dict.fromkeys(("true", "yes", "y", "on", "1", "enabled"), True),
    **dict.fromkeys(("false", "no", "n", "off", "0", "disabled"), False),
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
        return (self.kind.low, self.kind.high) if isinstance(self.kind, Number) else (-math.inf, math.inf)

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


def read_value(key: Key, value: object) -> Any:
    """Return ``value`` as the attribute for ``key`` holds it; see :meth:`Kind.read`."""
    return key.kind.read(key, value)


def meant(key: Key, said: str) -> object | None:
    """Return the value that ``said`` means for ``key``, in the key's unit and type; None where that is not clear.

    One reading for all places where people type: the unit behind the number, a decimal comma, yes for true, quotes
    forgotten. Whether the value is possible is for :func:`read_value` to say.
    """
    plain = bare(said)
    return key.kind.meant(key, plain) if plain and plain.isprintable() else None


def read_typed(key: Key, said: str) -> Any:
    """Return a value as a person types it, such as ``230,5 Ah`` or ``yes``, as the attribute for ``key`` holds it.

    Raises:
        BadValue: it is in another kind of unit, out of range, or not what the key takes.

    """
    if isinstance(key.kind, Text):
        return read_value(key, said)
    value = meant(key, said)
    if value is not None:
        return read_value(key, value)
    if isinstance(key.kind, Number):
        measured_in = f" in {key.unit}" if key.unit else ""
        raise BadValue(f"{described(said)} is not a number{measured_in}", _number_hint(key, said))
    return read_value(key, said)


@dataclass(frozen=True, eq=False)
class Number(Kind):
    """A number (float) within a range, both ends allowed; outside it is a typing error."""

    low: float
    high: float

    def takes(self, key: Key) -> str:
        return f"a number{'' if math.isinf(self.high) else f' from {self.low:.10g} to {self.high:.10g}'}{key.in_unit}"

    def read(self, key: Key, value: object) -> Any:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise BadValue(f"is {described(value)} where a number belongs", _number_hint(key, value))
        if isinstance(value, float) and not math.isfinite(value):
            raise BadValue(f"is {value}, which is not a quantity", f"write {key.takes}")
        return float(self.in_range(key, value))

    def in_range(self, key: Key, value: int | float) -> int | float:
        """Return ``value``, or raise BadValue with a guess at the unit that was meant."""
        if self.low <= value <= self.high:
            return value
        unit = f" {key.unit}" if key.unit else ""
        shown = f"{value:g}" if abs(value) < 10**12 else "far too large"
        if value <= 0 < self.low:
            what = f"is {shown}{unit}, and must be above 0"
        else:
            what = f"is {shown}{unit}, {'more' if value > self.high else 'less'} than is plausible"
        raise BadValue(what, f"write {key.takes}{self._other_unit(key, value)}")

    def _other_unit(self, key: Key, value: float) -> str:
        """Return a question where the value would be plausible in another unit, such as mA for A; else nothing."""
        if abs(value) > 10**12:
            return ""
        said = Decimal(repr(value))
        found = [(unit, converted(said, unit, key.unit)) for unit in siblings(key.unit)]
        if key.unit == "%":
            found.append((" as a fraction of 1", float(said * 100)))
        if key.unit == "°C":
            found.append(("°F", round(float((said - 32) / Decimal("1.8")), 1)))
        fitting = [(unit, other) for unit, other in found if other is not None and self.low <= other <= self.high]
        # Thousands first: a slip between mm and m is more common than one between cm and m.
        if not fitting or not value:
            return ""
        fitting.sort(key=lambda each: round(abs(each[1] / value), 9) not in (0.001, 1000.0))
        unit, other = fitting[0]
        return f"; did you mean {other:g} ({value:g}{'' if unit.startswith((' ', '%')) else ' '}{unit})?"

    def meant(self, key: Key, said: str) -> object | None:
        return number_meant(said, key.unit)

    def schema(self, key: Key) -> dict[str, Any]:
        return {"type": "number"} | ({} if math.isinf(self.high) else {"minimum": self.low, "maximum": self.high})


ANY_NUMBER = Number(-math.inf, math.inf)


class Count(Number):
    """A whole number (int) within a range."""

    def takes(self, key: Key) -> str:
        return f"a whole number from {int(self.low)} to {int(self.high)}"

    def read(self, key: Key, value: object) -> Any:
        if isinstance(value, bool) or not isinstance(value, int):
            if isinstance(value, float):
                raise BadValue(f"is {value:g} where a whole number belongs", f"write {key.takes}, without a point")
            raise BadValue(f"is {described(value)} where a whole number belongs", _number_hint(key, value))
        return int(self.in_range(key, value))

    def meant(self, key: Key, said: str) -> object | None:
        return number_meant(said, key.unit, whole=True)

    def schema(self, key: Key) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


def _number_hint(key: Key, value: object) -> str:
    """Return what to write in place of a value that is no number: the number meant, where that is clear."""
    if not isinstance(value, str):
        return f"write {key.takes}"
    if comma_is_open(value) and (found := quantity(value.replace(",", ""))) is not None:
        decimal = quantity(value)
        if decimal is not None:
            return f"write {key.name} = {found.number} or {key.name} = {decimal.number.normalize():f}"
    number = meant(key, value)
    if number is None:
        return f"write {key.takes}"
    return f"write {key.name} = {number:.10g} without quotes{key.in_unit}"


@dataclass(frozen=True, eq=False)
class Text(Kind):
    """One line of printable text, without blanks around it; ``shortest`` 0: it may be empty."""

    longest: int = 60
    shortest: int = 1

    def takes(self, key: Key) -> str:
        return self.words or f"text in quotes, up to {self.longest} characters"

    def read(self, key: Key, value: object) -> Any:
        if not isinstance(value, str):
            raise BadValue(f"is {described(value)} where text belongs", f"write {key.takes}")
        if not value.strip() and self.shortest:
            raise BadValue("is empty", f"write {key.takes}, or leave the line out")
        if not value.isprintable() or len(value) > self.longest:
            why = "is too long" if value.isprintable() else "holds characters that cannot be shown"
            if (plain := " ".join(value.split())).isprintable() and len(plain) <= self.longest:
                raise BadValue("holds a tab or a line end", f"write {key.name} = {toml_value(plain)}")
            raise BadValue(f"{why} ({described(value)})", f"write {key.takes}, on one line")
        return value.strip()

    def meant(self, key: Key, said: str) -> object | None:
        return said

    def schema(self, key: Key) -> dict[str, Any]:
        return {"type": "string", "maxLength": self.longest} | ({"pattern": r"\S"} if self.shortest else {})


@dataclass(frozen=True, eq=False)
class FileName(Text):
    """The name of a file."""

    words = "a file's name"

    longest: int = 500
    names_file: ClassVar[bool] = True


class Switch(Kind):
    """True or false."""

    words = "true or false, without quotes"
    json: ClassVar[Mapping[str, Any]] = {"type": "boolean"}

    def read(self, key: Key, value: object) -> Any:
        if isinstance(value, bool):
            return value
        said = meant(key, str(value)) if isinstance(value, str | int) else None
        right = f"write {key.takes}" if said is None else f"write {key.name} = {str(said).lower()}"
        raise BadValue(f"is {described(value)} where true or false belongs", right)

    def meant(self, key: Key, said: str) -> object | None:
        return _SWITCHES.get(said.lower())


@dataclass(frozen=True, eq=False)
class Choice(Kind):
    """One of a few values."""

    choices: tuple[str | float, ...]

    def takes(self, key: Key) -> str:
        return f"one of {', '.join(map(toml_value, self.choices))}"

    def read(self, key: Key, value: object) -> Any:
        # A bool equals 0 or 1, but is no choice of numbers.
        for each in self.choices:
            if value == each and isinstance(value, str) == isinstance(each, str) and not isinstance(value, bool):
                return each
        if isinstance(value, str) and (said := meant(key, value)) is not None:
            raise BadValue(f"is {described(value)}, which is not known", f"write {key.name} = {toml_value(said)}")
        near = did_you_mean(value.lower(), map(str, self.choices)) if isinstance(value, str) else ""
        raise BadValue(f"is {described(value)}, which is not known{near}", f"write {key.takes}")

    def meant(self, key: Key, said: str) -> object | None:
        for each in self.choices:
            if said.lower() == str(each):
                return each
        number = number_meant(said, key.unit)
        return number if number in self.choices else None

    def schema(self, key: Key) -> dict[str, Any]:
        return {"enum": list(self.choices)}


@dataclass(frozen=True, eq=False)
class Words(Kind):
    """A list of words; the attribute is a tuple of them. ``fewest``: how many there must be."""

    json: ClassVar[Mapping[str, Any]] = {"type": "array", "items": {"type": "string"}}

    fewest: int = 0
    of_what: ClassVar[str] = "names"

    def takes(self, key: Key) -> str:
        return f"a list of {self.of_what}, such as {toml_value(key.example)}"

    def read(self, key: Key, value: object) -> Any:
        words = list(value) if isinstance(value, list | tuple) else [None]
        if len(words) < self.fewest or not all(isinstance(each, str) for each in words):
            raise BadValue(f"is {described(value)} where a list of {self.of_what} belongs", f"write {key.takes}")
        return self.each(key, tuple(map(str, words)))

    def each(self, key: Key, words: tuple[str, ...]) -> tuple[str, ...]:
        """Return the words as they are kept; raise BadValue for one that is not known."""
        return words


def setting(
    kind: Kind, meaning: str, find: str, example: object, *, required: bool = False, default: object = None
) -> Any:
    """Declare a key of any kind, as the default of a dataclass's field."""
    key = Key("", "", kind, meaning, find, example, required)
    return field(metadata={"key": key}) if required else field(default=default, metadata={"key": key})


def number(low: float, high: float, meaning: str, find: str, example: float, **more: Any) -> Any:
    """Declare a key that takes a number within a range; the attribute is a float."""
    return setting(Number(low, high), meaning, find, example, **more)


def count(low: int, high: int, meaning: str, find: str, example: int, **more: Any) -> Any:
    """Declare a key that takes a whole number within a range; the attribute is an int."""
    return setting(Count(low, high), meaning, find, example, **more)


def text(meaning: str, find: str, example: str, *, longest: int = 60, **more: Any) -> Any:
    """Declare a key that takes one line of printable text."""
    return setting(Text(longest), meaning, find, example, **more)


def switch(meaning: str, find: str, *, example: bool, **more: Any) -> Any:
    """Declare a key that takes true or false."""
    return setting(Switch(), meaning, find, example, **more)


def choice(choices: Iterable[str | float], meaning: str, find: str, example: str | float, **more: Any) -> Any:
    """Declare a key that takes one of a few values."""
    return setting(Choice(tuple(choices)), meaning, find, example, **more)


def is_quantity(value: object) -> bool:
    """Tell whether ``value`` is a number that a float can hold: no bool, not infinite, no NaN."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= sys.float_info.max


def described(value: object) -> str:
    """Return a value out of a file in words that can be printed: ``the text "100 Ah"``, ``a list``."""
    match value:
        case str():
            return f'the text "{printable(value, 40)}"'
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
