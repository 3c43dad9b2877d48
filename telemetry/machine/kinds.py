"""The kinds of value that only a machine file has: wire gauges, signals, keys of the keyboard, curves, checks."""

# ruff: noqa: ARG002, D102 - what the methods and their arguments of each kind are for stands with the base class
from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, ClassVar, NamedTuple

from telemetry.model.keys import BadValue, Key, Kind, described, meant
from telemetry.model.kinds import Words, is_quantity
from telemetry.model.signals import find_signal, nearest_signals
from telemetry.model.toml_text import toml_value
from telemetry.model.units import quantity

_NAMED = (
    *("pageup", "pagedown", "home", "end", "insert", "delete", "left", "right"),
    *(f"f{n}" for n in range(1, 25)),
)
TAKEN: Mapping[str, str] = {
    "space": "already sets a mark",
    "enter": "acknowledges an alarm",
    "z": "shelves an alarm",
    "u": "unshelves an alarm",
    "r": "resets a latched alarm",
    **{str(view): "chooses a view" for view in range(1, 7)},
    "up": "chooses in a list",
    "down": "chooses in a list",
    "h": "shows the help",
    "c": "opens the list of commands",
    "v": "shows an alarm's moment, or a cell, in the traces",
    "y": "tries a link again",
    "d": "shows the raw lines of a link",
    "w": "shows the names of signals in files",
    "f": "finds sessions",
    "g": "goes on with a guided drive",
    "k": "skips a step of a guided drive",
    "x": "compares sessions, or ends a guided drive",
    "e": "writes a session to a file",
    "n": "names a session",
    "o": "orders cells, or writes a note on a session",
    "t": "changes the colours",
    "s": "sounds the test",
    "m": "mutes the sound",
    "q": "ends the run",
    "p": "pauses a replay",
    "escape": "goes back",
    "backspace": "removes the last mark",
}
"""What each key of the screen does already, by the name a machine file would give it."""


def key_name(name: str) -> str:
    """Return the name of a key as the screen compares it: small letters, a blank as ``space``."""
    return "space" if name == " " else name.strip().lower()


def is_key(name: str) -> bool:
    """Return whether ``name``, as :func:`key_name` returns it, is a key that may set a mark."""
    character = len(name) == 1 and "!" <= name <= "~"
    return name not in TAKEN and (character or name in _NAMED)


def known_keys() -> tuple[str, ...]:
    """Return the names of the keys that are no character."""
    return _NAMED


SMALL_GAUGES = range(1, 21)
_AUGHTS = {"0": "1/0", "00": "2/0", "000": "3/0", "0000": "4/0"}
_LARGE_GAUGES = tuple(_AUGHTS.values())
_GAUGE = re.compile(r"(?:awg|#)?\s*(0{1,4}|[1-4]/0|\d{1,2})\s*(?:awg|ga|gauge)?", re.ASCII)


class Check(NamedTuple):
    """What an instrument showed on one day and what a meter beside it measured at the same moment."""

    day: datetime.date
    shown: float
    measured: float


class Gauge(Kind):
    """An American wire gauge; the attribute is its usual text: ``"4"``, ``"2/0"``."""

    def takes(self, key: Key) -> str:
        return 'a gauge from 20 to 1, or "1/0" to "4/0"'

    def read(self, key: Key, value: object) -> Any:
        said = str(value).strip() if isinstance(value, str | int) and not isinstance(value, bool) else ""
        known = _gauge_named(said)
        if known is not None:
            return known
        other = _gauge_named(str(meant(key, said)))
        area = quantity(said)
        right = f"write {key.takes}"
        if other is not None:
            right = f'write {key.name} = "{other}"'
        elif area is not None and area.unit == "mm²":
            right = f"write {key.name.replace('_awg', '_mm2')} = {area.number} instead"
        raise BadValue(f"is {described(value)}, which is not a wire gauge we know", right)

    def meant(self, key: Key, said: str) -> object | None:
        gauge = _GAUGE.fullmatch(said.lower())
        return gauge[1] if gauge else None

    def schema(self, key: Key) -> dict[str, Any]:
        texts = r"^\s*(0{1,4}|0?[1-9]|1\d|20|[1-4]/0)\s*$"
        return {"anyOf": [{"type": "integer", "minimum": 0, "maximum": 20}, {"type": "string", "pattern": texts}]}


def _gauge_named(said: str) -> str | None:
    said = _AUGHTS.get(said, said)
    if said in _LARGE_GAUGES:
        return said
    return str(int(said)) if re.fullmatch(r"[0-9]{1,2}", said, re.ASCII) and int(said) in SMALL_GAUGES else None


class Signals(Words):
    """A list of signal names."""

    of_what: ClassVar[str] = "signal names"

    def each(self, key: Key, words: tuple[str, ...]) -> tuple[str, ...]:
        for each in words:
            if find_signal(each) is None:
                near = nearest_signals(each)
                right = f"did you mean {', '.join(near)}?" if near else f"write {key.takes}"
                raise BadValue(f"names {described(each)}, which is not a signal", right)
        return words


class Keyboard(Words):
    """A list of keys of the keyboard, kept in small letters."""

    of_what: ClassVar[str] = "keys"

    def each(self, key: Key, words: tuple[str, ...]) -> tuple[str, ...]:
        names = tuple(dict.fromkeys(key_name(each) for each in words))
        for name in names:
            if name in TAKEN:
                raise BadValue(f"names {described(name)}, which {TAKEN[name]}", "choose a key that does nothing else")
            if not is_key(name):
                right = f"write one character, or one of {', '.join(known_keys()[:8])}, f1 to f24"
                raise BadValue(f"names {described(name)}, which is not a key", right)
        return names


@dataclass(frozen=True, eq=False)
class Pairs(Kind):
    """A list of two or more pairs of numbers, the first rising; the attribute is a tuple of pairs.

    Attributes:
        first, second: the range of each number.
        names: what the two are, in words.
        ranges: what to write, in words.
        falls: whether the second must fall from pair to pair; else it must not.
        why: the reason for that.

    """

    first: tuple[float, float]
    second: tuple[float, float]
    names: str
    ranges: str
    falls: bool
    why: str

    def takes(self, key: Key) -> str:
        how = "falls" if self.falls else "rises"
        return f"a list of [{self.names}] pairs that {how}, such as {toml_value(key.example)}"

    def read(self, key: Key, value: object) -> Any:
        pairs = value if isinstance(value, list) else []
        whole = all(isinstance(pair, list) and len(pair) == 2 and all(map(is_quantity, pair)) for pair in pairs)
        if len(pairs) <= 1 or not whole:
            raise BadValue(f"is {described(value)} where two or more pairs of numbers belong", f"write {key.takes}")
        for pair in pairs:
            if not all(
                low <= each <= high for each, (low, high) in zip(pair, (self.first, self.second), strict=True)
            ):
                raise BadValue(f"holds the pair [{pair[0]:g}, {pair[1]:g}]", f"write {self.ranges}")
        for before, after in pairwise(pairs):
            wrong = after[1] >= before[1] if self.falls else after[1] < before[1]
            if after[0] <= before[0] or wrong:
                what = f"goes from [{before[0]:g}, {before[1]:g}] to [{after[0]:g}, {after[1]:g}]"
                raise BadValue(what, f"write the pairs by rising {self.why}")
        return tuple((float(first), float(second)) for first, second in pairs)

    def schema(self, key: Key) -> dict[str, Any]:
        numbers = [{"type": "number", "minimum": low, "maximum": high} for low, high in (self.first, self.second)]
        pair = {"type": "array", "prefixItems": numbers, "minItems": 2, "maxItems": 2}
        return {"type": "array", "minItems": 2, "items": pair}


CURVE = Pairs(
    *((0, 100), (0.5, 6), "percent, volts", "percent from 0 to 100 and the volts of one cell, from 0.5 to 6"),
    falls=False,
    why="percent; open-circuit voltage only rises with charge",
)
TIMES = Pairs(
    *((0.1, 1e6), (1e-4, 1e6), "amperes, seconds"),
    "amperes from 0.1 to 1000000 and seconds from 0.0001 to 1000000",
    falls=True,
    why="current; a fuse opens sooner at more current",
)


@dataclass(frozen=True, eq=False)
class Checks(Kind):
    """A list of dated pairs of readings in ``unit``; the attribute is a tuple of :class:`Check`, by date."""

    unit: str
    most: ClassVar[float] = 1e5

    def takes(self, key: Key) -> str:
        return f'a list of ["YYYY-MM-DD", shown, measured], in {self.unit}, such as {toml_value(key.example)}'

    def read(self, key: Key, value: object) -> Any:
        rows = value if isinstance(value, list) else [value]
        found = []
        for row in rows:
            if not isinstance(row, list) or len(row) != 3 or not all(map(is_quantity, row[1:])):
                raise BadValue(f"holds {described(row)} where a date and two readings belong", f"write {key.takes}")
            day, shown, measured = _day(key, row[0]), float(row[1]), float(row[2])
            if max(abs(shown), abs(measured)) > self.most:
                raise BadValue(f"holds the readings {shown:g} and {measured:g}", f"write {key.takes}")
            found.append(Check(day, shown, measured))
        return tuple(sorted(found))

    def schema(self, key: Key) -> dict[str, Any]:
        reading = {"type": "number", "minimum": -self.most, "maximum": self.most}
        row = [{"type": "string", "format": "date"}, reading, reading]
        return {"type": "array", "items": {"type": "array", "prefixItems": row, "minItems": 3, "maxItems": 3}}


def _day(key: Key, value: object) -> datetime.date:
    """Return the day of a check, written as text or as a TOML date; the time of day is dropped."""
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, datetime.date):
        return value
    try:
        return datetime.date.fromisoformat(str(value))
    except ValueError:
        raise BadValue(f"dates a check {described(value)}", f"write {key.takes}") from None
