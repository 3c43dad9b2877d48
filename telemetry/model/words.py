"""Sentences, units and numbers as a person reads them: one way everywhere, no more digits than that takes."""

from __future__ import annotations

import math
import re

_WORD = re.compile(r"[a-z]+[ ,:'-]")
"""What may be given a capital: no signal or setting, whose names hold underscores and points."""
_SIGNS = {"degC": "°C", "ohm": "Ω"}


def capital(text: str) -> str:
    """Return ``text`` with its first letter a capital."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return ``text`` with a capital where it begins with a word, and a full stop."""
    text = text.strip()
    text = capital(text) if _WORD.match(text) else text
    return text if not text or text[-1] in ".!?" else f"{text}."


def counted(number: int, thing: str) -> str:
    """Return ``1 alarm``, ``2 alarms``."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def printed_unit(unit: str) -> str:
    """Return a signal's unit as it is printed: ``°C``, ``Ω``, any other as it is."""
    return _SIGNS.get(unit, unit)


def fixed(value: float, places: int) -> str:
    """Return ``value`` with so many decimal places, never as minus zero."""
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def power_text(watts: float) -> str:
    """Return a power with its unit: ``640 W``, ``5.24 kW``."""
    return f"{watts:.0f} W" if abs(watts) < 999.5 else f"{watts / 1000:.2f} kW"


def energy_text(watt_hours: float) -> str:
    """Return an energy with its unit: ``640 Wh``, ``5.24 kWh``."""
    return f"{watt_hours:.0f} Wh" if abs(watt_hours) < 9999.5 else f"{watt_hours / 1000:.2f} kWh"


_DECIMALS = {
    "V": 2,
    "A": 1,
    "W": 0,
    "%": 0,
    "degC": 0,
    "Ah": 2,
    "Wh": 0,
    "km/h": 1,
    "rpm": 0,
    "deg": 5,
    "ohm": 4,
    "min": 0,
    "ha": 2,
}


def value_text(value: float, unit: str, decimals: int | None = None) -> str:
    """Return a value with its unit as printed: degrees with their sign, power and energy scaled."""
    if unit == "W":
        return power_text(value)
    if unit == "Wh":
        return energy_text(value)
    if not unit:
        return f"{value:g}" if value == round(value) else f"{value:.3g}"
    number = f"{value:.{_DECIMALS.get(unit, 3) if decimals is None else decimals}f}"
    number = number.lstrip("-") if float(number) == 0.0 else number
    printed = {"degC": " °C", "deg": "°"}.get(unit, f" {unit}")
    return f"{number}{printed}"


def amount_text(signal: str, value: float) -> str:
    """Return a value of ``signal`` as printed: a cell's voltage to the millivolt, a pack's to a tenth."""
    from telemetry.model.signals import find_signal  # late: words are needed before the screen stands

    known = find_signal(signal)
    unit = known.unit if known is not None else ""
    if unit == "V":
        return value_text(value, unit, 3 if signal.startswith("cell_") else 1 if abs(value) >= 10 else 2)
    return value_text(value, unit)


def nice_step(rough: float) -> float:
    """Return the least of 1, 2 and 5 times a power of ten that is not below ``rough``, > 0."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough * (1 - 1e-9))
