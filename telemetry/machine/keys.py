"""How a key of the machine file is described: once, on the field that holds its value.

The dataclasses of :mod:`telemetry.machine.sections` are the one table of keys. Each field says what kind of value
it takes, in which range, what it means and where an owner finds it. Checks, documentation, the comments of a new
machine file and every "unknown: this key is missing" are made from it. The unit is the end of the key's name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from datetime import date
from typing import Any, Literal, NamedTuple

Kind = Literal[
    "number", "count", "text", "switch", "choice", "gauge", "signals", "keyboard", "curve", "times", "checks"
]

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
    "_rpm": "rpm",
    "_a": "A",
    "_j": "J",
    "_v": "V",
    "_w": "W",
    "_c": "°C",
    "_m": "m",
    "_s": "s",
}


class Check(NamedTuple):
    """What an instrument showed on one day and what a meter beside it measured at the same moment."""

    day: date
    shown: float
    measured: float


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the machine file.

    Attributes:
        section: the table it stands in, as in ``[pack]``; empty until it is asked for by section.
        name: the key, and the attribute that holds its value.
        kind: ``number`` (float), ``count`` (int), ``text``, ``switch`` (true or false), ``choice`` (one of
            ``choices``), ``gauge`` (a wire gauge, kept as text such as ``"4"`` or ``"2/0"``), ``signals`` (a list of
            signal names), ``keyboard`` (a list of names of keys), ``curve`` (a list of [percent, volts] pairs),
            ``times`` (a list of [amperes, seconds] pairs), ``checks`` (a list of [date, shown, measured]).
        low, high: the range that a number or count must lie in, both ends allowed; outside it is a slip of the pen.
        choices: the allowed values of a ``choice``.
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
    low: float
    high: float
    choices: tuple[str | int, ...]
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
    def place(self) -> str:
        """The key with its section, as messages name it: ``[pack] capacity_ah``."""
        header = {"source": "[[source]]", "limits": "[limits.NAME]"}.get(self.section, f"[{self.section}]")
        return f"{header} {self.name}"

    @property
    def takes(self) -> str:
        """What it takes, in words: ``a number from 0.05 to 5000, in Ah``."""
        measured_in = f", in {self.unit}" if self.unit else ""
        match self.kind:
            case "number":
                return f"a number from {self.low:.10g} to {self.high:.10g}{measured_in}"
            case "count":
                return f"a whole number from {self.low:g} to {self.high:g}"
            case "text":
                return f"text in quotes, up to {self.high:g} characters"
            case "switch":
                return "true or false, without quotes"
            case "choice":
                quoted = [f'"{c}"' if isinstance(c, str) else str(c) for c in self.choices]
                return f"one of {', '.join(quoted)}"
            case "gauge":
                return 'a gauge from 20 to 1, or "1/0" to "4/0"'
            case "signals":
                return 'a list of signal names, such as ["pack_current"]'
            case "keyboard":
                return 'a list of keys, such as ["f5", "pagedown", "x"]'
            case "curve":
                return "a list of [percent, volts] pairs that rises, such as [[0, 2.9], [50, 3.29], [100, 3.45]]"
            case "times":
                return "a list of [amperes, seconds] pairs that falls, such as [[135, 1800], [200, 20], [600, 0.2]]"
            case "checks":
                return f'a list of ["YYYY-MM-DD", shown, measured]{measured_in}, such as {_listed(self.example)}'


def _listed(rows: object) -> str:
    return str(rows).replace("'", '"')


def keys_of(section: str, table: type) -> tuple[Key, ...]:
    """Return the keys of ``section`` in the order of their declaration in the dataclass ``table``."""
    found = []
    for each in fields(table):
        key = each.metadata.get("key")
        if key is not None:
            default = None if each.default is MISSING else each.default
            found.append(replace(key, section=section, name=each.name, default=default))
    return tuple(found)


def _declare(
    kind: Kind,
    meaning: str,
    find: str,
    example: object,
    *,
    low: float = 0.0,
    high: float = 0.0,
    choices: Sequence[str | int] = (),
    required: bool = False,
    default: object = None,
) -> Any:
    key = Key("", "", kind, low, high, tuple(choices), meaning, find, example, required)
    return field(metadata={"key": key}) if required else field(default=default, metadata={"key": key})


def number(low: float, high: float, meaning: str, find: str, example: float, *, required: bool = False) -> Any:
    """Declare a key that takes a number within a range; the attribute is a float."""
    return _declare("number", meaning, find, example, low=low, high=high, required=required)


def count(low: int, high: int, meaning: str, find: str, example: int, *, required: bool = False) -> Any:
    """Declare a key that takes a whole number within a range; the attribute is an int."""
    return _declare("count", meaning, find, example, low=low, high=high, required=required)


def text(meaning: str, find: str, example: str, *, longest: int = 60, required: bool = False) -> Any:
    """Declare a key that takes one line of printable text."""
    return _declare("text", meaning, find, example, high=longest, required=required)


def switch(meaning: str, find: str, *, example: bool, default: bool | None = None) -> Any:
    """Declare a key that takes true or false."""
    return _declare("switch", meaning, find, example, default=default)


def choice(
    choices: Sequence[str | int],
    meaning: str,
    find: str,
    example: str | int,
    *,
    required: bool = False,
    default: object = None,
) -> Any:
    """Declare a key that takes one of a few values."""
    return _declare("choice", meaning, find, example, choices=choices, required=required, default=default)


def gauge(meaning: str, find: str, example: object) -> Any:
    """Declare a key that takes an American wire gauge; the attribute is its usual text: ``"4"``, ``"2/0"``."""
    return _declare("gauge", meaning, find, example)


def signals(meaning: str, find: str, example: Sequence[str]) -> Any:
    """Declare a key that takes a list of signal names; the attribute is a tuple."""
    return _declare("signals", meaning, find, list(example), default=())


def keyboard(meaning: str, find: str, example: Sequence[str]) -> Any:
    """Declare a key that takes a list of names of keys; the attribute is a tuple of them in small letters."""
    return _declare("keyboard", meaning, find, list(example))


def curve(meaning: str, find: str, example: Sequence[Sequence[float]]) -> Any:
    """Declare a key that takes pairs of percent and volts; the attribute is a tuple of pairs."""
    return _declare("curve", meaning, find, [list(pair) for pair in example])


def times(meaning: str, find: str, example: Sequence[Sequence[float]]) -> Any:
    """Declare a key that takes pairs of amperes and seconds; the attribute is a tuple of pairs."""
    return _declare("times", meaning, find, [list(pair) for pair in example])


def checks(meaning: str, find: str, example: Sequence[Sequence[str | float]], unit: str) -> Any:
    """Declare a key that takes dated pairs of readings; the attribute is a tuple of ``Check``, by date."""
    rows = [list(row) for row in example]
    key = Key("", "", "checks", -1e5, 1e5, (), meaning, find, rows, required=False, measured_in=unit)
    return field(default=(), metadata={"key": key})
