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

from dataclasses import replace

from telemetry.machine import (
    limits_cells,
    limits_conditions,
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

_FRAMES = (
    *limits_voltage.FRAMES,
    *limits_current.FRAMES,
    *limits_cells.FRAMES,
    *limits_work.FRAMES,
    *limits_vehicle.FRAMES,
    *limits_conditions.FRAMES,
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
