"""What applies to alarms beside their limits: which latch, which are quiet by design, and which are out of service.

Each table is read from the top: the first row whose limit fits counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import Literal

from telemetry.alarms.priorities import Priority, priority_of
from telemetry.machine.limits import LIMIT_SIGNALS
from telemetry.machine.sections import Machine
from telemetry.model.events import AlarmLevel

LATCHING: Mapping[str, str] = {
    "cell-voltage-low": "a cell that went below its lowest voltage must be checked, even if it recovers at rest",
    "cell-voltage-high": "a cell that was overcharged must be checked, even if its voltage falls by itself",
    "charging-cold": "lithium plated by charging below freezing stays in the cell, and no value shows it",
    "pack-temperature-high": "what got that hot must be checked, even if it cools by itself",
    "discharge-disabled": "the BMS had a reason to trip; find it, even if the pack is back",
}
"""Limits whose trip latches unless the owner says ``latched = false``: harm may stay that no value shows."""


@dataclass(frozen=True)
class Condition:
    """When something that keeps alarms quiet holds: a signal beyond a bound, with margin and delays as for limits."""

    signal: str
    side: Literal["high", "low"]
    bound: float
    clear_margin: float
    raise_delay_s: float
    clear_delay_s: float
    words: str


CONDITIONS: Mapping[str, Condition] = {
    # A stage distinguishes a charger from regenerative braking, with delays of its own.
    "charging": Condition("charging", "high", 0.5, 0.25, 0.0, 0.0, "a charger feeds the pack"),
}


@dataclass(frozen=True)
class SuppressionRow:
    """One row of the table of what is quiet by design.

    Attributes:
        limit: a limit's name or pattern.
        levels: which of its levels are quiet.
        condition: while which of ``CONDITIONS`` holds.
        reason: why that is right.

    """

    limit: str
    levels: tuple[AlarmLevel, ...]
    condition: str
    reason: str


SUPPRESSION_TABLE: tuple[SuppressionRow, ...] = (
    SuppressionRow("pack-voltage-low", ("warn", "trip"), "charging", "the charge raises it"),
    SuppressionRow(
        "cell-voltage-low",
        ("warn",),
        "charging",
        "the charge raises it; its trip stays, because a cell below its lowest voltage must not be charged hard",
    ),
    SuppressionRow(
        "auxiliary-voltage-low",
        ("warn", "trip"),
        "charging",
        "the key is usually off, and the 12 V converter with it",
    ),
    SuppressionRow("soc-low", ("warn", "trip"), "charging", "the charge raises it"),
    SuppressionRow("energy-left", ("warn", "trip"), "charging", "nothing is driven while charging"),
)

LONGEST_SHELVE_S: Mapping[Priority, float] = {"high": 900.0, "medium": 3600.0, "low": 3600.0}
"""How long an alarm of each priority may be shelved at most, seconds. Ours: a quarter of an hour, an hour."""
SHELVE_CHOICES_S = (300.0, 900.0, 3600.0)
"""What the screen offers, seconds."""


@dataclass(frozen=True)
class AlarmRules:
    """What follows from a machine file for its alarms, beside the limits.

    Attributes:
        latched: what the owner says of latching, by the limit's name; the others follow ``LATCHING``.
        out_of_service: why a limit is switched off, by its name.

    """

    latched: Mapping[str, bool] = field(default_factory=dict)
    out_of_service: Mapping[str, str] = field(default_factory=dict)

    def latches(self, limit: str) -> bool:
        """Return whether the trip of that limit latches."""
        return self.latched.get(limit, limit in LATCHING)


def rules_for(machine: Machine | None) -> AlarmRules:
    """Return the rules that a machine file states."""
    if machine is None:
        return AlarmRules()
    overrides = machine.limit_overrides
    return AlarmRules(
        {name: each.latched for name, each in overrides.items() if each.latched is not None},
        {
            name: f"switched off by [limits.{name}] enabled = false"
            for name, each in overrides.items()
            if not each.enabled and name in LIMIT_SIGNALS
        },
    )


def suppression_rows(limit: str) -> list[SuppressionRow]:
    """Return the rows of the table for the limit of that name."""
    return [row for row in SUPPRESSION_TABLE if fnmatchcase(limit, row.limit)]


def longest_shelve_s(limit: str, level: AlarmLevel) -> float:
    """Return for how many seconds the alarm of that limit may be shelved at most."""
    return LONGEST_SHELVE_S[priority_of(limit, level)]
