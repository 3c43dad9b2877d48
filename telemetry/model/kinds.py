"""The kinds of value that keys of any table take, and how each is declared: numbers, text, choices, words."""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, ClassVar

from telemetry.model.errors import did_you_mean
from telemetry.model.keys import BadValue, Key, Kind, described, meant, setting
from telemetry.model.toml_text import toml_value
from telemetry.model.units import comma_is_open, converted, number_meant, quantity, siblings

_SWITCHES = {
    **dict.fromkeys(("true", "yes", "y", "on", "1", "enabled"), True),
    **dict.fromkeys(("false", "no", "n", "off", "0", "disabled"), False),
}


def read_typed(key: Key, said: str) -> Any:
    """Return a value as a person types it, such as ``230,5 Ah`` or ``yes``, as the attribute for ``key`` holds it.

    Raises:
        BadValue: it is in another kind of unit, out of range, or not what the key takes.

    """
    if isinstance(key.kind, Text):
        return key.read(said)
    value = meant(key, said)
    if value is not None:
        return key.read(value)
    if isinstance(key.kind, Number):
        measured_in = f" in {key.unit}" if key.unit else ""
        raise BadValue(f"{described(said)} is not a number{measured_in}", _number_hint(key, said))
    return key.read(said)


@dataclass(frozen=True, eq=False)
class Number(Kind):
    """A number (float) within a range, both ends allowed; outside it is a typing error."""

    low: float
    high: float

    @property
    def bounds(self) -> tuple[float, float]:
        return self.low, self.high

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
        near = ""
        if isinstance(value, str):  # slips spare the first letter; "Li-ion" is another chemistry than "sodium-ion"
            begin_so = (str(each) for each in self.choices if str(each)[:1] == value[:1].lower())
            near = did_you_mean(value.lower(), begin_so)
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
