"""What the owner measured by hand or counted: evidence beside what was recorded.

How much each answer weighs, in natural-logarithm odds, is our judgement of how often such a reading misleads; common
practice gives the bounds themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from telemetry.analysis.fault_isolation.findings import CAUSES, Cause

Code = Literal["none", "pedal", "voltage", "temperature", "current"]
GOOD_JOINT_OHM = 0.0004
BAD_JOINT_OHM = 0.001
"""A good bolted joint or contactor stays well below half a milliohm; from one milliohm it heats. Common practice."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Answers, each None where not given.

    Attributes:
        pedal_jumps: the pedal's signal jumps or vanishes on a meter while the pedal is pressed slowly.
        joint_ohm: the highest voltage across one joint under load over the current at that time, ohm.
        code: what the controller's blinks mean by its sheet; ``none`` where it does not blink.
        enable_steady: the enable line at the controller stayed at full voltage while it hesitated.
        wheels_free: jacked up, every wheel turns by hand and runs on.
    """

    pedal_jumps: bool | None = None
    joint_ohm: float | None = None
    code: Code | None = None
    enable_steady: bool | None = None
    wheels_free: bool | None = None


def evidence_of_readings(readings: Readings) -> dict[Cause, float]:
    """Return what to add to the evidence for every cause."""
    added: dict[Cause, float] = dict.fromkeys(CAUSES, 0.0)
    if readings.pedal_jumps is not None:
        added["pedal-sensor"] += 4.0 if readings.pedal_jumps else -3.0
    if readings.joint_ohm is not None:
        bad, good = readings.joint_ohm >= BAD_JOINT_OHM, readings.joint_ohm <= GOOD_JOINT_OHM
        added["power-connection"] += 4.0 if bad else -2.0 if good else 0.0
    if readings.wheels_free is not None:
        added["mechanical-drag"] += -4.0 if readings.wheels_free else 4.0
    if readings.enable_steady is not None:
        added["controller"] += 0.5 if readings.enable_steady else 3.0
    if readings.code is not None:
        for cause, weight in _OF_CODE[readings.code].items():
            added[cause] += weight
    return added


_OF_CODE: dict[Code, dict[Cause, float]] = {
    "none": {"controller": -0.5},
    "pedal": {"pedal-sensor": 3.0},
    "voltage": {"pack-weak": 2.0, "power-connection": 1.5},
    "temperature": {"controller": 3.0},
    "current": {"mechanical-drag": 0.5, "bms-trip": 1.0},
}
