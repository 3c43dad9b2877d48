"""What devices reported in fault codes at the time of a trip: said in words beside the trip."""

from __future__ import annotations

from collections.abc import Iterable

from telemetry.model.batch import MICROSECONDS
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange

FAULT_LIMIT = "fault-code"
POWER_LOST = ("discharge-disabled", "charge-disabled", "supply-lost")
"""Alarms that a fault code may explain."""
_BESIDE = 5 * MICROSECONDS
"""A code that is polled may be read some seconds after the trip."""


def reported_beside(change: AlarmChange, changes: Iterable[AlarmChange]) -> list[str]:
    """Return the faults that devices reported within 5 s of the trip ``change``, in the order in which they came.

    Args:
        change: the raise of an alarm; of one that no fault code explains nothing is returned.
        changes: alarm changes of the session in time order, those of fault codes among them.

    """
    if change.limit not in POWER_LOST:
        return []
    since: dict[str, int] = {}
    ended: dict[str, int] = {}
    for each in changes:
        if each.limit != FAULT_LIMIT or each.t > change.t + _BESIDE:
            continue
        if each.state == "raised":
            since.setdefault(each.signal, each.t)
            ended.pop(each.signal, None)
        elif each.state == "cleared":
            ended[each.signal] = each.t
    return [printable(fault) for fault in since if ended.get(fault, change.t) >= change.t - _BESIDE]


def reported_text(faults: Iterable[str]) -> str:
    """Return them in one clause: ``reported at that time: cell voltage low, over-current``; empty where none."""
    words = ", ".join(faults)
    return f"reported at that time: {words}" if words else ""
