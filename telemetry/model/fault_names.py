"""Fault and status codes in words: which bit, or which value, of a signal means which fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

LONGEST = 40
"""Characters of a fault's name."""
MOST_BIT = 52
"""A float64 holds every whole number of 53 bits."""


@dataclass(frozen=True)
class FaultNames:
    """What the codes of one signal mean.

    Attributes:
        bits: fault by the number of its bit, 0 for the lowest.
        codes: fault by the whole value.

    """

    bits: Mapping[int, str] = field(default_factory=dict)
    codes: Mapping[int, str] = field(default_factory=dict)

    def said(self, value: float) -> dict[str, str]:
        """Return each fault that ``value`` says, with where it stands: ``{"cell voltage low": "bit 4"}``.

        A bit or value that has no name says nothing.
        """
        if not (0 <= value < 2**53 and value == int(value)):
            return {}
        number = int(value)
        found = {name: f"bit {bit}" for bit, name in self.bits.items() if number >> bit & 1}
        return found | ({self.codes[number]: f"code {number}"} if number in self.codes else {})
