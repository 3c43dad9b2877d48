"""Quantities as people write them, ``230,5 Ah`` or ``50 mV``, and the same quantity in another unit of its kind."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import NamedTuple

_QUANTITY = re.compile(r"([+−-]?\s*(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*([^\W\d_][\w²/]*|[%°µμΩ]\s?\w*)?\.?")
_QUOTES = "\"'“”„‟‘’‚«»`´"
# What one unit of a kind is in the kind's base unit. Inch, foot and pound are exact (international yard and pound
# agreement of 1959), so is the acre that follows from them.
_KINDS: dict[str, dict[str, str]] = {
    "voltage": {"mV": "0.001", "V": "1", "kV": "1000"},
    "current": {"mA": "0.001", "A": "1", "kA": "1000"},
    "charge": {"mAh": "0.001", "Ah": "1"},
    "power": {"mW": "0.001", "W": "1", "kW": "1000"},
    "energy": {"Wh": "1", "kWh": "1000"},
    "resistance": {"µΩ": "0.000001", "mΩ": "0.001", "Ω": "1", "kΩ": "1000", "MΩ": "1000000"},
    "capacitance": {"µF": "1", "mF": "1000", "F": "1000000"},
    "length": {"mm": "0.001", "cm": "0.01", "m": "1", "in": "0.0254", "ft": "0.3048"},
    "mass": {"g": "0.001", "kg": "1", "t": "1000", "lb": "0.45359237"},
    "area": {"ha": "1", "acre": "0.40468564224"},
    "section": {"mm²": "1"},
    "time": {"ms": "0.001", "s": "1", "min": "60", "h": "3600"},
    "temperature": {"°C": "1"},
    "share": {"%": "1"},
    "gauge": {"AWG": "1"},
    "flow": {"L/h": "1"},
}
_WORDS = {
    "V": "volt volts",
    "mV": "millivolt millivolts",
    "A": "amp amps ampere amperes",
    "Ah": "amphours amp-hours",
    "W": "watt watts",
    "µΩ": "uohm",
    "mΩ": "mohm mohms milliohm milliohms",
    "Ω": "ohm ohms",
    "kΩ": "kohm kohms",
    "MΩ": "megohm megohms",
    "µF": "uf",
    "mm²": "mm2 mm^2 sqmm",
    "s": "sec second seconds",
    "min": "minute minutes",
    "h": "hour hours",
    "°C": "c degc celsius",
    "%": "percent pct",
    "AWG": "gauge",
    "m": "metre metres meter meters",
    "ft": "foot feet",
    "in": "inch inches",
    "lb": "lbs",
    "acre": "acres",
}
_EXACT = {unit: kind for kind, units in _KINDS.items() for unit in units}
# The letter case of a unit decides only between milli and mega; a small m is milli, as in the ends of our keys.
_LOOSE = {unit.lower(): unit for unit in reversed(_EXACT)}
_LOOSE |= {word: unit for unit, words in _WORDS.items() for word in words.split()}


class Quantity(NamedTuple):
    """A number as written, and its unit by its usual sign; empty where none is written."""

    number: Decimal
    unit: str


def quantity(said: str) -> Quantity | None:
    """Return the number and unit of ``52 V``, ``230,5``, ``120mOhm``, ``- 5 A``; None where it is something else."""
    plain = said.replace("\N{NO-BREAK SPACE}", " ").strip()
    match = _QUANTITY.fullmatch(plain)
    if match is None or not plain.isprintable():
        return None
    unit = unit_named(match[2] or "")
    if unit is None:
        return None
    number = match[1].replace(" ", "").replace(",", ".").replace("−", "-")
    return Quantity(Decimal(number), unit)


def unit_named(said: str) -> str | None:
    """Return the usual sign of a unit, ``Ω`` for ``ohms``; empty for none, None for one that is not known."""
    plain = said.strip().replace("\N{OHM SIGN}", "Ω").replace("μ", "µ").replace("° ", "°")
    if plain in _EXACT or not plain:
        return plain
    if plain.lower() in ("mohm", "mohms") and plain[0] == "M":
        return "MΩ"
    return _LOOSE.get(plain.lower())


def converted(number: Decimal, unit: str, wanted: str) -> float | None:
    """Return a number of ``unit`` in ``wanted``; None where the two measure different things."""
    if unit == wanted:
        return float(number)
    kind = _EXACT.get(unit)
    if kind is None or wanted not in _KINDS[kind]:
        return None
    return float(number * Decimal(_KINDS[kind][unit]) / Decimal(_KINDS[kind][wanted]))


def siblings(unit: str) -> tuple[str, ...]:
    """Return the other units of the same kind, ``mV`` and ``kV`` for ``V``."""
    kind = _EXACT.get(unit)
    return () if kind is None else tuple(each for each in _KINDS[kind] if each != unit)


def key_ending(unit: str) -> str:
    """Return how a key of that unit ends: ``_mv``, ``_mohm``, ``_percent``; empty where keys have no such ending."""
    plain = unit.lower().replace("ω", "ohm").replace("µ", "u").replace("²", "2")
    ending = {"%": "percent", "°c": "c"}.get(plain, plain)
    return f"_{ending}" if ending.isascii() and ending.isalnum() and unit != "MΩ" else ""


def bare(said: str) -> str:
    """Return ``said`` without blanks and quotes, straight or curly, around it."""
    return said.replace("\N{NO-BREAK SPACE}", " ").strip().strip(_QUOTES).strip()


def number_meant(said: str, unit: str, *, whole: bool = False) -> int | float | None:
    """Return the number of ``unit`` that ``said`` gives, ``0.05`` for ``50 mV`` in V; None where it gives none.

    Three digits behind a comma are left open: ``1,250`` is a thousand to some and little more than one to others.
    """
    found = quantity(said)
    if found is None or comma_is_open(said):
        return None
    value = float(found.number) if not found.unit else converted(found.number, found.unit, unit)
    if value is None or (whole and value != int(value)):
        return None
    return int(value) if whole or (value == int(value) and "." not in said and "," not in said) else value


def comma_is_open(said: str) -> bool:
    """Tell whether a comma in ``said`` may mark thousands as well as decimals."""
    return re.search(r"(?<![\d.,])[1-9]\d{0,2},\d{3}(?!\d)", said) is not None
