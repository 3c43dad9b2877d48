"""Pack resistance in earlier sessions of the same machine: a plain value."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

LIKE_TEMPERATURE_C = 5.0
"""Resistances are compared within so many degrees: over 5 degC a lithium cell's changes by some 15 %. From memory,
common practice."""
LIKE_CHARGE = 20.0
"""And within so many percent of charge: near empty and, on some chemistries, near full it rises. Common practice."""
LEAST_LIKE = 5


@dataclass(frozen=True, slots=True)
class ResistanceHistory:
    """Resistances of earlier sessions, one entry each.

    Attributes:
        ohm: n of them.
        temperature_c: of the pack at that time, n of them; NaN where unknown.
        charge: state of charge at that time, %, n of them; NaN where unknown.
        sessions: how many sessions they come from.

    """

    ohm: tuple[float, ...] = ()
    temperature_c: tuple[float, ...] = ()
    charge: tuple[float, ...] = ()
    sessions: int = 0

    def like(self, temperature_c: float, charge: float) -> float | None:
        """Return the median resistance in like conditions, ohm; None for fewer than five entries.

        Args:
            temperature_c, charge: of now; NaN for unknown, which is like nothing.
        """
        near = [
            ohm
            for ohm, celsius, level in zip(self.ohm, self.temperature_c, self.charge, strict=True)
            if abs(celsius - temperature_c) <= LIKE_TEMPERATURE_C and abs(level - charge) <= LIKE_CHARGE
        ]
        return median(near) if len(near) >= LEAST_LIKE else None


NO_HISTORY = ResistanceHistory()
