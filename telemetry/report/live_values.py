"""What is known now as JSON objects, for whoever reads along while a machine is watched."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from telemetry.model.batch import MICROSECONDS
from telemetry.model.time_text import utc
from telemetry.pipeline.snapshot import Snapshot
from telemetry.report.event_lines import event_object
from telemetry.report.figure_object import rounded

_DECIMALS = 6


class LiveValues:
    """Gives what is known, every so often.

    Args:
        snapshot: what is known; times count from its start.
        every_s: how often.
        takes: says which signals are wanted.

    """

    def __init__(self, snapshot: Snapshot, every_s: float, takes: Callable[[str], bool] = bool) -> None:
        self._snapshot, self._takes = snapshot, takes
        self._step, self._next = max(1, round(every_s * MICROSECONDS)), snapshot.start

    def due(self, now: int) -> dict[str, Any] | None:
        """Return the latest value of each signal that is not stale, where it is time again; else None."""
        if now < self._next:
            return None
        self._next += ((now - self._next) // self._step + 1) * self._step
        snapshot = self._snapshot
        known = ((name, snapshot.fresh(name, now)) for name in sorted(snapshot.readings) if self._takes(name))
        return _begun("values", snapshot, now) | {
            name: rounded(value, _DECIMALS) for name, value in known if value is not None
        }


def alarms_object(snapshot: Snapshot, now: int) -> dict[str, Any]:
    """Return every alarm that is active, or waits for the operator, the most urgent first."""
    standing = [
        event_object(replace(alarm.change, stands=alarm.state), snapshot.start) for alarm in snapshot.standing()
    ]
    return _begun("alarms", snapshot, now) | {"alarms": standing}


def _begun(kind: str, snapshot: Snapshot, now: int) -> dict[str, Any]:
    return {"kind": kind, "t": round((now - snapshot.start) / MICROSECONDS, _DECIMALS), "time": utc(now)}
