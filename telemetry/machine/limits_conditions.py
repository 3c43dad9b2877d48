"""Alarms without a bound: a link, a stage or a listener says when they begin and end.

They are listed with the limits so that an owner can switch one off, or set whether it latches, like any other.
"""

from __future__ import annotations

from collections.abc import Callable

from telemetry.machine.limits_frame import Frame, Ground, Limit


def _decided(origin: str) -> Callable[[Ground], Limit | str]:
    """Return how a limit without bounds is built: only its origin."""
    return lambda on: on.limit(None, None, origin, margin=0.0, raise_s=0.0, clear_s=0.0)


def _link(on: Ground) -> Limit | str:
    names = ", ".join(source.name for source in on.machine.sources)
    which = f"any source of {names}" if names else "any source"
    origin = (
        f"{which} that was live is lost, or silent for longer than its driver or its silence_s allows; "
        "a pack that sleeps by design is not alarmed"
    )
    return _decided(origin)(on)


def _fault_code(on: Ground) -> Limit | str:
    if not on.machine.fault_codes:
        return "unknown: no [fault_codes.SIGNAL] and no message catalogue says what the codes of a signal mean"
    return _decided(f"a fault that is named for {', '.join(on.machine.fault_codes)}")(on)


_CONDITIONS: dict[str, Callable[[Ground], Limit | str]] = {
    "discharge-disabled": _decided("the BMS reports that discharge is disabled, under load"),
    "supply-lost": _decided("the controller loses its supply while the pack still has voltage"),
    "charge-disabled": _decided("the BMS reports that charge is disabled while the pack is charged or regenerates"),
    "fault-code": _fault_code,
    "source-frozen": _decided("a source repeats the same values for longer than a live measurement can"),
    "link": _link,
    "recording": _decided("values were lost on their way to the store or to another listener"),
    "program-error": _decided("a part of this program failed and the run goes on without it"),
}
FRAMES = tuple(Frame(name, name, "high", build, bounded=False) for name, build in _CONDITIONS.items())
