"""The limits that follow from a machine file: which signal is checked against which bound, how long, and why.

A ``trip`` is the bound itself: beyond it the BMS or the controller acts or should have acted. A ``warn`` comes before
it, while releasing the throttle still helps. This program only warns: it switches nothing off.

Sign rule: discharge limits watch the current on the high side, charge limits on the low side with negative numbers.

The delays are ours, chosen for small machines: a pull-away loads the pack for about a second, a BMS acts
on a voltage after one to a few seconds (common practice, from memory), so low voltage must last 2 s and high
voltage 1 s. Temperatures move slowly and sensors glitch, so 10 s. An alarm clears after 10 s well inside the limit,
so that a rough field does not raise one at every bump.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from telemetry.machine import (
    limits_cells,
    limits_current,
    limits_vehicle,
    limits_voltage,
    limits_work,
)
from telemetry.machine.limits_frame import NO_HISTORY, Frame, Ground, Limit, ResistanceHistory, Side, Sign
from telemetry.machine.sections import LimitOverride, Machine

__all__ = [
    "CONDITION_NAMES",
    "LIMIT_NAMES",
    "LIMIT_SIDES",
    "LIMIT_SIGNALS",
    "LIMIT_SIGNS",
    "Limit",
    "default_limits",
    "limits_for",
    "unjudged",
]


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
"""Alarms without a bound: a link, a stage or a listener says when they begin and end.

They are listed with the limits so that an owner can switch one off, or set whether it latches, like any other."""
_CONDITION_FRAMES = tuple(Frame(name, name, "high", build, bounded=False) for name, build in _CONDITIONS.items())

_FRAMES = (
    *limits_voltage.FRAMES,
    *limits_current.FRAMES,
    *limits_cells.FRAMES,
    *limits_work.FRAMES,
    *limits_vehicle.FRAMES,
    *_CONDITION_FRAMES,
)
LIMIT_NAMES = tuple(frame.name for frame in _FRAMES)
"""Every name that ``[limits.NAME]`` may have, in the order in which limits are shown."""
LIMIT_SIGNALS = {frame.name: frame.signal for frame in _FRAMES}
LIMIT_SIDES: dict[str, Side] = {frame.name: frame.side for frame in _FRAMES}
LIMIT_SIGNS: dict[str, Sign] = {frame.name: frame.sign for frame in _FRAMES}
"""The signal, or pattern of signals, that each limit watches, on which side, and the sign of its bounds."""
CONDITION_NAMES = tuple(frame.name for frame in _FRAMES if not frame.bounded)
"""The limits that no bound decides."""


def limits_for(machine: Machine, history: ResistanceHistory = NO_HISTORY) -> tuple[Limit, ...]:
    """Return the limits in force for ``machine``: what follows from its figures, with the owner's overrides.

    A limit with no figure to rest on (no rating stated, no bound set by the owner) or switched off is left out;
    :func:`unjudged` says why.

    Args:
        machine: what its file states.
        history: resistances of earlier sessions of the same machine.

    """
    built = [_with_override(machine, frame, frame.build(Ground(machine, history, frame))) for frame in _FRAMES]
    return tuple(limit for limit in built if isinstance(limit, Limit))


def default_limits(machine: Machine) -> tuple[Limit, ...]:
    """Return the limits as they would be in force without any override."""
    return limits_for(replace(machine, limit_overrides={}))


def unjudged(machine: Machine, history: ResistanceHistory = NO_HISTORY) -> dict[str, str]:
    """Return for each limit that is not in force one sentence that says why, by the limit's name."""
    reasons = {}
    for frame in _FRAMES:
        limit = _with_override(machine, frame, frame.build(Ground(machine, history, frame)))
        if isinstance(limit, str):
            reasons[frame.name] = limit
    return reasons


def _with_override(machine: Machine, frame: Frame, limit: Limit | str) -> Limit | str:
    """Return ``limit`` with what the owner set; a sentence where switched off, or neither side gives a bound."""
    override = machine.limit_overrides.get(frame.name)
    if override is None:
        return limit
    if not override.enabled:
        was = f"; otherwise: {limit.origin}" if isinstance(limit, Limit) else ""
        return f"switched off by [limits.{frame.name}] enabled = false{was}"
    return _overridden(frame, limit, override)


def _overridden(frame: Frame, limit: Limit | str, override: LimitOverride) -> Limit | str:
    names = ("warn", "trip", "clear_margin", "raise_delay_s", "clear_delay_s")
    changed = {name: getattr(override, name) for name in names if getattr(override, name) is not None}
    if isinstance(limit, str):
        if "warn" not in changed and "trip" not in changed:
            return limit
        return replace(frame.blank(), **changed)
    if not changed:
        return limit
    stated = ", ".join(f"{name} {_shown(getattr(limit, name))} to {value:g}" for name, value in changed.items())
    return replace(limit, **changed, origin=f"{limit.origin}; changed by [limits.{frame.name}]: {stated}")


def _shown(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"
