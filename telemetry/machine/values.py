"""One value of a machine file held against its key's description: the value as we keep it, or what is wrong."""

from __future__ import annotations

import datetime
import json
import math
import re
import sys
from decimal import Decimal
from itertools import pairwise
from typing import Any

from telemetry.machine.keys import Check, Key
from telemetry.machine.mark_keys import TAKEN, is_key, key_name, known_keys
from telemetry.machine.typed import comma_is_open, meant
from telemetry.machine.units import converted, quantity, siblings
from telemetry.model.errors import did_you_mean, nearest, printable
from telemetry.model.signals import find_signal, nearest_signals

SMALL_GAUGES = range(1, 21)
_AUGHTS = {"0": "1/0", "00": "2/0", "000": "3/0", "0000": "4/0"}
_LARGE_GAUGES = tuple(_AUGHTS.values())


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
        case "times":
            return _times(key, value)
        case "checks":
            return _checks(key, value)


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
        what = f"is {shown}{unit}, {'more' if value > key.high else 'less'} than is plausible"
    raise BadValue(what, f"write {key.takes}{_other_unit(key, value)}")


def _other_unit(key: Key, value: int | float) -> str:
    """Return a question where the value would be plausible in another unit, such as mA for A; else nothing."""
    if abs(value) > 10**12:
        return ""
    said = Decimal(repr(value))
    found = [(unit, converted(said, unit, key.unit)) for unit in siblings(key.unit)]
    if key.unit == "%":
        found.append((" as a fraction of 1", float(said * 100)))
    if key.unit == "°C":
        found.append(("°F", round(float((said - 32) / Decimal("1.8")), 1)))
    fitting = [(unit, other) for unit, other in found if other is not None and key.low <= other <= key.high]
    # Thousands first: a slip between mm and m is more common than one between cm and m.
    if not fitting or not value:
        return ""
    fitting.sort(key=lambda each: round(abs(each[1] / value), 9) not in (0.001, 1000.0))
    unit, other = fitting[0]
    return f"; did you mean {other:g} ({value:g}{'' if unit.startswith((' ', '%')) else ' '}{unit})?"


def read_typed(key: Key, said: str) -> Any:
    """Return a value as a person types it, such as ``230,5 Ah`` or ``yes``, as the attribute for ``key`` holds it.

    Raises:
        BadValue: it is in another kind of unit, out of range, or not what the key takes.

    """
    if key.kind == "text":
        return read_value(key, said)
    value = meant(key, said)
    if value is not None:
        return read_value(key, value)
    if key.kind == "number":
        measured_in = f" in {key.unit}" if key.unit else ""
        raise BadValue(f"{described(said)} is not a number{measured_in}", _number_hint(key, said))
    return read_value(key, said)


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
    return f"write {key.name} = {number:.10g} without quotes{f', in {key.unit}' if key.unit else ''}"


def _text(key: Key, value: object) -> str:
    if not isinstance(value, str):
        raise BadValue(f"is {described(value)} where text belongs", f"write {key.takes}")
    if not value.strip():
        raise BadValue("is empty", f"write {key.takes}, or leave the line out")
    if not value.isprintable() or len(value) > key.high:
        why = "is too long" if value.isprintable() else "holds characters that cannot be shown"
        if (plain := " ".join(value.split())).isprintable() and len(plain) <= key.high:
            raise BadValue("holds a tab or a line end", f"write {key.name} = {json.dumps(plain, ensure_ascii=False)}")
        raise BadValue(f"{why} ({described(value)})", f"write {key.takes}, on one line")
    return value.strip()


def _switch(key: Key, value: object) -> bool:
    if isinstance(value, bool):
        return value
    said = meant(key, str(value)) if isinstance(value, str | int) else None
    right = f"write {key.takes}" if said is None else f"write {key.name} = {str(said).lower()}"
    raise BadValue(f"is {described(value)} where true or false belongs", right)


def _choice(key: Key, value: object) -> str | int:
    # A bool equals 0 or 1, but is no choice of numbers.
    for each in key.choices:
        if value == each and type(value) is type(each):
            return each
    if isinstance(value, str) and (said := meant(key, value)) is not None:
        shown = f'"{said}"' if isinstance(said, str) else said
        raise BadValue(f"is {described(value)}, which is not known", f"write {key.name} = {shown}")
    known = [str(each) for each in key.choices]
    near = did_you_mean(value.lower(), known) if isinstance(value, str) else ""
    raise BadValue(f"is {described(value)}, which is not known{near}", f"write {key.takes}")


def _gauge(key: Key, value: object) -> str:
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
    raise BadValue(f"is {described(value)}, which is no wire gauge we know", right)


def _gauge_named(said: str) -> str | None:
    said = _AUGHTS.get(said, said)
    if said in _LARGE_GAUGES:
        return said
    return str(int(said)) if re.fullmatch(r"[0-9]{1,2}", said, re.ASCII) and int(said) in SMALL_GAUGES else None


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


def _pairs(key: Key, value: object) -> tuple[tuple[float, float], ...]:
    pairs = value if isinstance(value, list) else []
    whole = all(isinstance(pair, list) and len(pair) == 2 and all(map(is_quantity, pair)) for pair in pairs)
    if len(pairs) < 2 or not whole:
        raise BadValue(f"is {described(value)} where two or more pairs of numbers belong", f"write {key.takes}")
    return tuple((float(first), float(second)) for first, second in pairs)


def _curve(key: Key, value: object) -> tuple[tuple[float, float], ...]:
    pairs = _pairs(key, value)
    for percent, volts in pairs:
        if not 0 <= percent <= 100 or not 0.5 <= volts <= 6:
            right = "write percent from 0 to 100 and the volts of one cell, from 0.5 to 6"
            raise BadValue(f"holds the pair [{percent:g}, {volts:g}]", right)
    for before, after in pairwise(pairs):
        if after[0] <= before[0] or after[1] < before[1]:
            what = f"goes from [{before[0]:g}, {before[1]:g}] to [{after[0]:g}, {after[1]:g}]"
            raise BadValue(what, "write the pairs by rising percent; open-circuit voltage only rises with charge")
    return pairs


def _times(key: Key, value: object) -> tuple[tuple[float, float], ...]:
    pairs = _pairs(key, value)
    for amperes, seconds in pairs:
        if not 0.1 <= amperes <= 1e6 or not 1e-4 <= seconds <= 1e6:
            right = "write amperes from 0.1 to 1000000 and seconds from 0.0001 to 1000000"
            raise BadValue(f"holds the pair [{amperes:g}, {seconds:g}]", right)
    for before, after in pairwise(pairs):
        if after[0] <= before[0] or after[1] >= before[1]:
            what = f"goes from [{before[0]:g}, {before[1]:g}] to [{after[0]:g}, {after[1]:g}]"
            raise BadValue(what, "write the pairs by rising current; a fuse opens sooner at more current")
    return pairs


def _checks(key: Key, value: object) -> tuple[Check, ...]:
    rows = value if isinstance(value, list) else [value]
    found = []
    for row in rows:
        if not isinstance(row, list) or len(row) != 3 or not all(map(is_quantity, row[1:])):
            raise BadValue(f"holds {described(row)} where a date and two readings belong", f"write {key.takes}")
        day, shown, measured = _day(key, row[0]), float(row[1]), float(row[2])
        if max(abs(shown), abs(measured)) > key.high:
            raise BadValue(f"holds the readings {shown:g} and {measured:g}", f"write {key.takes}")
        found.append(Check(day, shown, measured))
    return tuple(sorted(found))


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
