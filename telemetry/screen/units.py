"""Units of what the screen shows of speed, area and temperature. What is recorded stays metric."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

UnitsName = Literal["metric", "imperial"]
_AMOUNT = re.compile(r"(-?\d+(?:\.\d+)?) (°C|km/h)(?![\w/])")


@dataclass(frozen=True)
class Units:
    """One set of units: what each is called and what makes it of the metric value."""

    speed: str
    speed_factor: float
    area: str
    area_factor: float
    temperature: str
    temperature_factor: float
    temperature_zero: float

    def speed_of(self, kmh: float) -> float:
        """Return a speed of km/h in these units."""
        return self.speed_factor * kmh

    def area_of(self, hectares: float) -> float:
        """Return an area of hectares in these units."""
        return self.area_factor * hectares

    def temperature_of(self, celsius: float) -> float:
        """Return a temperature of degrees Celsius in these units."""
        return self.temperature_factor * celsius + self.temperature_zero

    def in_text(self, text: str) -> str:
        """Return ``text`` with its temperatures and speeds in these units; no differences are among them."""
        return _AMOUNT.sub(self._amount, text) if self != METRIC else text

    def _amount(self, found: re.Match[str]) -> str:
        value = float(found[1])
        if found[2] == "°C":
            return f"{self.temperature_of(value):.0f} {self.temperature}"
        return f"{self.speed_of(value):.1f} {self.speed}"


METRIC = Units("km/h", 1.0, "ha", 1.0, "°C", 1.0, 0.0)
IMPERIAL = Units("mph", 1 / 1.609344, "acres", 1 / 0.40468564224, "°F", 1.8, 32.0)
"""Exact: mile of 1609.344 m, acre of 4046.8564224 m2; source: NIST Special Publication 811, appendix B."""
UNITS: dict[UnitsName, Units] = {"metric": METRIC, "imperial": IMPERIAL}
