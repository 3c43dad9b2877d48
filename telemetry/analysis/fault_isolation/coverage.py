"""Which parts a drive could show a fault of, and which not, with what that takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from telemetry.analysis.fault_isolation.drive import Drive
from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.fault_isolation.observations import Observations

_CUT_S, _JOINT_S = 0.25, 0.25
"""Slower readings miss a cut of half a second, and the wobble of a joint."""


def _within(drive: Drive, most_s: float, *names: str) -> bool:
    """Tell whether all of these signals came at least so often."""
    return all(drive.interval_s.get(name, most_s + 1) <= most_s for name in names)


_NEEDS: Mapping[Cause, tuple[Callable[[Observations], bool], str]] = {
    "pedal-sensor": (lambda o: o.pedal is not None, "throttle_voltage at 10 Hz or faster"),
    "controller": (
        lambda o: o.response is not None and _within(o.drive, _CUT_S, "throttle_voltage"),
        "throttle_voltage and pack_current together at 5 Hz or faster while the machine drives",
    ),
    "power-connection": (
        lambda o: o.path is not None and _within(o.drive, _JOINT_S, "controller_voltage"),
        "controller_voltage at 5 Hz or faster, and a changing current",
    ),
    "pack-weak": (lambda o: o.drive.supply is not None and bool(o.usable.any()), "voltage and pack_current"),
    "bms-trip": (
        lambda o: o.drive.get("discharge_allowed") is not None or _within(o.drive, _JOINT_S, "controller_voltage"),
        "discharge_allowed, or controller_voltage at 5 Hz or faster",
    ),
    "mechanical-drag": (
        lambda o: o.force is not None,
        "throttle, current, voltage and speed for 15 s and more under power",
    ),
}
"""For each cause whether what was seen can show it, and what that takes."""


def covered(parts: Sequence[Observations]) -> tuple[Cause, ...]:
    """Return the causes that at least one piece of the drive could show."""
    return tuple(cause for cause in CAUSES if cause in _NEEDS and any(_NEEDS[cause][0](part) for part in parts))


def not_covered(known: Sequence[Cause]) -> dict[Cause, str]:
    """Return what it takes to judge each of the other causes."""
    return {cause: why for cause, (_, why) in _NEEDS.items() if cause not in known}
