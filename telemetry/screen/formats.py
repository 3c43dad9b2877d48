"""Figures as text. A figure's places are fixed for sign, digits and point, so that it never moves."""

from __future__ import annotations

import math
import re
import textwrap
from dataclasses import dataclass

from telemetry.model.signals import find_signal
from telemetry.model.time_text import length
from telemetry.screen.digits import UNKNOWN

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:V|A|W|kW|Wh|kWh|Ah|%|°C|ohm)\b|%|°)")


@dataclass(frozen=True)
class Places:
    """The places of a figure: for a sign or not, digits before the point, digits behind it, and what divides it."""

    signed: bool
    whole: int
    decimals: int
    divisor: float = 1.0
    unit: str = ""

    @property
    def widest(self) -> str:
        """A text that takes all the places."""
        return ("-" if self.signed else "") + "0" * self.whole + ("." + "0" * self.decimals if self.decimals else "")

    def narrower(self) -> Places:
        """Return the places with one decimal less; the same where there is none."""
        return Places(self.signed, self.whole, max(0, self.decimals - 1), self.divisor, self.unit)

    def text(self, value: float | None) -> str:
        """Return ``value`` in these places, for :func:`telemetry.screen.digits.figure_rows`; dashes where None.

        A value too large gives up decimals for digits; one too large even so shows as all nines.
        """
        if value is None or not math.isfinite(value):
            return UNKNOWN
        shown = value / self.divisor
        for decimals in range(self.decimals, -1, -1):
            digits = f"{abs(shown):.{decimals}f}"
            room = self.whole + self.decimals - decimals
            if len(digits.split(".", maxsplit=1)[0]) <= room:
                minus = shown < 0 and float(digits) > 0
                return ("-" if minus else "") + digits
        return ("-" if shown < 0 else "") + "9" * (self.whole + self.decimals)


def wrapped(text: str, width: int) -> list[str]:
    """Return ``text`` in lines of at most ``width`` cells, broken between words; a number keeps its unit."""
    kept = _BEFORE_UNIT.sub("\u00a0", text)
    return [line.replace("\u00a0", " ") for line in textwrap.wrap(kept, max(width, 1))]


def age_text(seconds: float) -> str:
    """Return an age in whole seconds, from two minutes on in minutes: it changes once a second at most."""
    return f"{seconds:.0f} s" if seconds < 119.5 else length(seconds)


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
        return f"{value:g}"
    number = f"{value:.{_DECIMALS.get(unit, 3) if decimals is None else decimals}f}"
    number = number.lstrip("-") if float(number) == 0.0 else number
    printed = {"degC": " °C", "deg": "°"}.get(unit, f" {unit}")
    return f"{number}{printed}"


def delay_text(seconds: float) -> str:
    """Return a stated length of time, without the zero behind its point: ``2 s``, ``0.2 s``, ``1 min``."""
    return length(seconds).replace(".0 s", " s")


def amount_text(signal: str, value: float) -> str:
    """Return a value of ``signal`` as printed: a cell's voltage to the millivolt, a pack's to a tenth."""
    known = find_signal(signal)
    unit = known.unit if known is not None else ""
    if unit == "V":
        return value_text(value, unit, 3 if signal.startswith("cell_") else 1 if abs(value) >= 10 else 2)
    return value_text(value, unit)
