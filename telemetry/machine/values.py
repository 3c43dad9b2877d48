"""One value of a machine file held against its key's description: the value as we keep it, or what is wrong."""

from __future__ import annotations

import datetime
import math
import re
from itertools import pairwise
from typing import Any

from telemetry.machine.keys import Key
from telemetry.machine.mark_keys import TAKEN, is_key, key_name, known_keys
from telemetry.model.errors import did_you_mean, nearest, printable
from telemetry.model.signals import find_signal, nearest_signals

SMALL_GAUGES = range(1, 21)
_AUGHTS = {"0": "1/0", "00": "2/0", "000": "3/0", "0000": "4/0"}
_LARGE_GAUGES = tuple(_AUGHTS.values())
_LEADING_NUMBER = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)")


class BadValue(Exception):
    """A value that does not fit its key: ``what`` is wrong and what would be ``right``."""

    def __init__(self, what: str, right: str) -> None:
        self.what = what
        self.right = right
        super().__init__(f"{what}; {right}")


def read_value(key: Key, value: object) -> Any:
    """Return ``value`` as the attribute for ``key`` holds it.

    Raises:
        BadValue: wrong type, out of range, or not one of the choices.

    """
    match key.kind:
        case "number":
            return _number(key, value)
        case "count":
            return _count(key, value)
        case "text":
            return _text(key, value)
        case "switch":
            return _switch(key, value)
        case "choice":
            return _choice(key, value)
        case "gauge":
            return _gauge(key, value)
        case "signals":
            return _signals(key, value)
        case "keyboard":
            return _keyboard(key, value)
        case "curve":
            return _curve(key, value)


def _number(key: Key, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadValue(f"is {described(value)} where a number belongs", _number_hint(key, value))
    if isinstance(value, float) and not math.isfinite(value):
        raise BadValue(f"is {value}, which is no quantity", f"write {key.takes}")
    return float(_in_range(key, value))


def _count(key: Key, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        if isinstance(value, float):
            raise BadValue(f"is {value:g} where a whole number belongs", f"write {key.takes}, without a point")
        raise BadValue(f"is {described(value)} where a whole number belongs", _number_hint(key, value))
    return int(_in_range(key, value))


def _in_range(key: Key, value: int | float) -> int | float:
    if key.low <= value <= key.high:
        return value
    unit = f" {key.unit}" if key.unit else ""
    shown = f"{value:g}" if isinstance(value, float) or abs(value) < 10**12 else "far too large"
    if value <= 0 < key.low:
        what = f"is {shown}{unit}, and must be above 0"
    else:
        what = f"is {shown}{unit}, {'more' if value > key.high else 'less'} than this program takes for possible"
    raise BadValue(what, f"write {key.takes}{_other_unit(key, value)}")


_THOUSANDTHS = {"A": "mA", "Ah": "mAh", "V": "mV", "W": "mW", "m": "mm", "s": "ms"}
_THOUSANDS = {"mA": "A", "mΩ": "Ω", "W": "kW"}


def _other_unit(key: Key, value: int | float) -> str:
    """Return a hint where the value would be right in another unit of the same kind, such as mA for A."""
    smaller, larger = _THOUSANDTHS.get(key.unit), _THOUSANDS.get(key.unit)
    if smaller is not None and value > key.high and key.low <= value / 1000 <= key.high:
        return f"; if {value:g} are {smaller}, write {value / 1000:g}"
    if larger is not None and 0 < value < key.low and value * 1000 <= key.high:
        return f"; if {value:g} are {larger}, write {value * 1000:g}"
    return ""


def _number_hint(key: Key, value: object) -> str:
    leading = _LEADING_NUMBER.match(value) if isinstance(value, str) else None
    if leading is None:
        return f"write {key.takes}"
    unit = f", in {key.unit}" if key.unit else ""
    return f"write {key.name} = {leading[1].replace(',', '.')} without quotes{unit}"


def _text(key: Key, value: object) -> str:
    if not isinstance(value, str):
        raise BadValue(f"is {described(value)} where text belongs", f"write {key.takes}")
    if not value.strip():
        raise BadValue("is empty", f"write {key.takes}, or leave the line out")
    if not value.isprintable() or len(value) > key.high:
        why = "is too long" if value.isprintable() else "holds characters that cannot be shown"
        raise BadValue(f"{why} ({described(value)})", f"write {key.takes}, on one line")
    return value.strip()


def _switch(key: Key, value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise BadValue(f"is {described(value)} where true or false belongs", f"write {key.takes}")


def _choice(key: Key, value: object) -> str | int:
    # A bool equals 0 or 1, but is no choice of numbers.
    for each in key.choices:
        if value == each and type(value) is type(each):
            return each
    known = [str(each) for each in key.choices]
    meant = did_you_mean(value.lower(), known) if isinstance(value, str) else ""
    raise BadValue(f"is {described(value)}, which is not known{meant}", f"write {key.takes}")


def _gauge(key: Key, value: object) -> str:
    said = str(value).strip() if isinstance(value, str | int) and not isinstance(value, bool) else ""
    said = _AUGHTS.get(said, said)
    if said in _LARGE_GAUGES or (re.fullmatch(r"[0-9]{1,2}", said, re.ASCII) and int(said) in SMALL_GAUGES):
        return said if said in _LARGE_GAUGES else str(int(said))
    raise BadValue(f"is {described(value)}, which is no wire gauge we know", f"write {key.takes}")


def _signals(key: Key, value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
        raise BadValue(f"is {described(value)} where a list of signal names belongs", f"write {key.takes}")
    for each in value:
        if find_signal(each) is None:
            near = nearest_signals(each)
            meant = f"did you mean {', '.join(near)}?" if near else f"write {key.takes}"
            raise BadValue(f"names {described(each)}, which is no signal", meant)
    return tuple(value)


def _keyboard(key: Key, value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
        raise BadValue(f"is {described(value)} where a list of keys belongs", f"write {key.takes}")
    names = tuple(dict.fromkeys(key_name(each) for each in value))
    for name in names:
        if name in TAKEN:
            raise BadValue(f"names {described(name)}, which {TAKEN[name]}", "choose a key that does nothing else")
        if not is_key(name):
            right = f"write one character, or one of {', '.join(known_keys()[:8])}, f1 to f24"
            raise BadValue(f"names {described(name)}, which is not a key", right)
    return names


def _curve(key: Key, value: object) -> tuple[tuple[float, float], ...]:
    pairs = value if isinstance(value, list) else []
    whole = all(isinstance(pair, list) and len(pair) == 2 and all(map(_is_quantity, pair)) for pair in pairs)
    if len(pairs) < 2 or not whole:
        raise BadValue(f"is {described(value)} where two or more pairs of numbers belong", f"write {key.takes}")
    for percent, volts in pairs:
        if not 0 <= percent <= 100 or not 0.5 <= volts <= 6:
            right = "write percent from 0 to 100 and the volts of one cell, from 0.5 to 6"
            raise BadValue(f"holds the pair [{percent:g}, {volts:g}]", right)
    for before, after in pairwise(pairs):
        if after[0] <= before[0] or after[1] < before[1]:
            what = f"goes from [{before[0]:g}, {before[1]:g}] to [{after[0]:g}, {after[1]:g}]"
            raise BadValue(what, "write the pairs by rising percent; a rested voltage only rises with charge")
    return tuple((float(percent), float(volts)) for percent, volts in pairs)


def _is_quantity(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


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
        case list():
            return "a list"
        case dict():
            return "a table"
        case datetime.date() | datetime.time():
            return "a date or time"
    return "something else"


def nearest_of(name: str, known: tuple[str, ...]) -> str | None:
    """Return the one of ``known`` that looks most like ``name``, or None."""
    return next(iter(nearest(name.lower(), known, 1)), None)
