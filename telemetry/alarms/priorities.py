"""How urgent each alarm is: three priorities, few at the top, by limit and level, each with its reason.

Priority follows what happens if nobody acts, and how soon it happens. The published share is about 80 % low, 15 %
medium and 5 % high (EEMUA 191 and ISA-18.2, from memory), as guidance for how many alarms *occur*; ``shakedown
alarms`` sets that of a session beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

from telemetry.model.events import AlarmLevel

Priority = Literal["high", "medium", "low"]
PRIORITIES: tuple[Priority, ...] = ("high", "medium", "low")
"""The most urgent first."""
GUIDANCE: dict[Priority, float] = {"high": 0.05, "medium": 0.15, "low": 0.80}
"""Share of the alarms that should have each priority; from memory."""


@dataclass(frozen=True)
class PriorityRow:
    """One row of the table: a limit's name or pattern, the priority of its warn and trip, and the reason."""

    limit: str
    warn: Priority
    trip: Priority
    reason: str


PRIORITY_TABLE: tuple[PriorityRow, ...] = (
    PriorityRow("cell-voltage-high", "low", "high", "an overcharged cell is damaged for good and may burn"),
    PriorityRow("cell-voltage-low", "low", "high", "a cell discharged below its lowest voltage is damaged for good"),
    PriorityRow("pack-temperature-high", "medium", "high", "heat feeds on itself; stop and let it cool"),
    PriorityRow("charging-cold", "medium", "high", "charging a frozen cell damages it for good"),
    PriorityRow("discharge-disabled", "high", "high", "the machine loses drive and regenerative braking"),
    PriorityRow("supply-lost", "high", "high", "the machine loses drive and regenerative braking"),
    PriorityRow("insulation-low", "medium", "high", "a second fault puts pack voltage on the frame; do not touch"),
    PriorityRow("charging-cool", "low", "medium", "too fast a charge below 10 °C plates lithium over time"),
    PriorityRow(
        "charging-hot",
        "medium",
        "medium",
        "charging hot cells wears and heats them; switch the charger off, let it cool",
    ),
    PriorityRow(
        "joint-heating", "medium", "high", "a hot joint chars its insulation and burns; stop, isolate, find it"
    ),
    PriorityRow("motor-temperature-high", "low", "medium", "winding insulation ages fast; ease off and let it cool"),
    PriorityRow("controller-temperature-high", "low", "medium", "it is about to fold back or cut out; ease off"),
    PriorityRow("auxiliary-voltage-low", "low", "medium", "contactors may drop out and lamps fail"),
    PriorityRow("pack-voltage-high", "low", "medium", "the cell voltage limits are more exact"),
    PriorityRow("pack-voltage-low", "low", "medium", "the controller is about to cut out; turn back"),
    PriorityRow("discharge-peak", "low", "medium", "the BMS may trip at once; release the throttle"),
    PriorityRow("discharge-current", "low", "medium", "wire and fuse heat within seconds to minutes; ease off"),
    PriorityRow("charge-disabled", "medium", "medium", "regen has nowhere to go: braking gets weaker"),
    PriorityRow("charger-left-on", "low", "medium", "cells held full for hours age; switch the charger off"),
    PriorityRow("charge-*", "low", "medium", "too fast a charge wears and heats the cells"),
    PriorityRow("energy-left", "low", "medium", "the charge will not last for the way back; turn back"),
    PriorityRow("recording", "medium", "medium", "the drive goes on, the recording does not"),
    PriorityRow("program-error", "medium", "medium", "what that part computes or shows is missing"),
    PriorityRow("fault-code", "medium", "medium", "a trip may follow; the device says what is wrong"),
    PriorityRow("source-frozen", "medium", "medium", "frozen values are not checked against limits"),
    PriorityRow("link", "low", "medium", "missing values are not checked against limits"),
    PriorityRow("soc-low", "low", "medium", "plan the way back; the low-voltage limits come later and harder"),
    PriorityRow("cell-resistance", "low", "medium", "a loose link heats at every pull; stop when you can"),
    PriorityRow("pack-temperature-low", "low", "low", "power and range fall; no charge until it is warm"),
    PriorityRow("cell-*", "low", "low", "for the next stop: find the cell, balance, check its lugs"),
    PriorityRow("resistance-up", "low", "low", "for the next stop: lugs first, then the cells' age"),
    PriorityRow("*", "low", "low", "for the next stop"),
)
"""The first row whose limit fits counts."""


def priority_row(limit: str) -> PriorityRow:
    """Return the row of the table that counts for the limit of that name."""
    return next(row for row in PRIORITY_TABLE if fnmatchcase(limit, row.limit))


def priority_of(limit: str, level: AlarmLevel) -> Priority:
    """Return how urgent the alarm of that limit is at that level."""
    row = priority_row(limit)
    return row.trip if level == "trip" else row.warn
