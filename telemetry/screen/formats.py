"""Figures as text. A figure's places are fixed for sign, digits and point, so that it never moves."""

from __future__ import annotations

import math
import re
import textwrap
from dataclasses import dataclass

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


def delay_text(seconds: float) -> str:
    """Return a stated length of time, without the zero behind its point: ``2 s``, ``0.2 s``, ``1 min``."""
    return length(seconds).replace(".0 s", " s")
