"""The unit that a column's name or a row of units states, and how its numbers become a signal's unit."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import NamedTuple

from telemetry.model.units import converted, unit_named


class Conversion(NamedTuple):
    """``raw * scale + offset`` is in ``unit``, which is a signal's."""

    unit: str
    scale: float = 1.0
    offset: float = 0.0


# Exact by definition: the degree Fahrenheit and the kelvin against the degree Celsius (SI brochure, 2.3.4; NIST SP
# 811, B.8), the mile (international yard, 1959), the nautical mile (SI brochure, table 8 of the 8th edition).
_OWN = {
    ("°f", "f", "degf", "fahrenheit"): Conversion("degC", 5 / 9, -160 / 9),
    ("k", "kelvin", "degk"): Conversion("degC", 1.0, -273.15),
    ("km/h", "kmh", "kph", "kmph"): Conversion("km/h"),
    ("mph", "mi/h", "mile/h"): Conversion("km/h", 1.609344),
    ("m/s", "mps"): Conversion("km/h", 3.6),
    ("kn", "kt", "kts", "knot", "knots"): Conversion("km/h", 1.852),
    ("rpm", "1/min", "r/min", "min-1", "rev/min"): Conversion("rpm"),
    ("deg", "°", "degrees"): Conversion("deg"),
    ("us", "µs", "microseconds"): Conversion("s", 1e-6),
    ("milliseconds", "millis", "msec"): Conversion("s", 1e-3),
}
_BY_WORD = {word: conversion for words, conversion in _OWN.items() for word in words}
_OURS = {"V": "V", "A": "A", "W": "W", "Ω": "ohm", "s": "s", "%": "%", "°C": "degC"}
_BRACKETED = re.compile(r"\s*[\[({]\s*([^\[\](){}]{1,12}?)\s*[\])}]\s*$")
_BEHIND = re.compile(r"(?:[\s_,/;:]|\bin\b)+\s*([^\s_,;:]{1,8})\s*$")
_MINIMUM = "min"
"""Bare behind a name it is the lowest: ``Cell min``; as minutes it stands in brackets or in a row of units."""
_CAMEL = re.compile(r"(?<=[a-z])(mV|kV|mA|kW|degC|degF|V|A|W|Pct|Ms)$")


def conversion_of(said: str) -> Conversion | None:
    """Return what the unit ``said`` means; None for one that is not known, or for none."""
    plain = said.strip().strip("[](){}").strip()
    if not plain:
        return None
    if own := _BY_WORD.get(plain.lower().replace(" ", "")):
        return own
    unit = unit_named(plain)
    for base, ours in _OURS.items():
        if unit and (factor := converted(Decimal(1), unit, base)) is not None:
            return Conversion(ours, factor)
    return None


def parted(name: str) -> tuple[str, Conversion | None]:
    """Return a column's name without its unit, and the unit: of ``Cell 1 [mV]``, ``T_motor_F``, ``ibat, A``."""
    for pattern in (_BRACKETED, _BEHIND, _CAMEL):
        match = pattern.search(name)
        if pattern is _BEHIND and match and match[1].lower() == _MINIMUM:
            continue
        if match and match.start() > 0 and (found := conversion_of(match[1])):
            return name[: match.start()].rstrip(" _,/;:"), found
    return name, None
