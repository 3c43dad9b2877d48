"""Which parts a drive could show a fault of, and which not, with the reason."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from telemetry.analysis.fault_isolation.findings import CAUSES, Cause
from telemetry.analysis.fault_isolation.observations import Observations

_NEEDS: Mapping[Cause, tuple[Callable[[Observations], bool], str]] = {
    "pedal-sensor": (lambda o: o.pedal is not None, "throttle_voltage at 10 Hz or faster"),
    "controller": (lambda o: o.response is not None, "throttle and current together while the machine drives"),
    "power-connection": (lambda o: o.path is not None, "voltage and a changing current"),
    "pack-weak": (lambda o: bool(o.usable.any()), "pack_current"),
    "bms-trip": (
        lambda o: o.drive.get("discharge_allowed") is not None or (o.path is not None and bool(o.usable.any())),
        "discharge_allowed, or voltage and current",
    ),
    "mechanical-drag": (lambda o: o.resistance is not None, "throttle and speed for 15 s and more under power"),
}
"""For each cause whether what was seen can show it, and what that takes."""


def coverage(parts: Sequence[Observations]) -> tuple[tuple[Cause, ...], dict[Cause, str]]:
    """Return the causes that at least one piece of the drive could show, and what it takes for each of the others."""
    covered = tuple(cause for cause in CAUSES if cause in _NEEDS and any(_NEEDS[cause][0](part) for part in parts))
    return covered, {cause: why for cause, (_, why) in _NEEDS.items() if cause not in covered}
