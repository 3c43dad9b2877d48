"""Prints the events of a run as lines."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TextIO

from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.errors import harmless
from telemetry.model.time_text import utc
from telemetry.pipeline.snapshot import Snapshot
from telemetry.report.event_lines import event_line, event_object
from telemetry.report.figure_object import rounded
from telemetry.report.unhurried import Unhurried

_DECIMALS = 6


class Printer:
    """Prints events as they come, one line each; a direct listener of the bus.

    Args:
        start: zero of the times that are printed, int microseconds.
        as_json: one JSON object a line, else plain lines.
        out: where they go.
        on_gone: called once ``out`` takes no more: its reader has gone, or its disk is full.
        values: what is known, to print as well where it is due; None: events alone.

    """

    def __init__(
        self,
        start: int,
        as_json: bool,
        out: TextIO,
        on_gone: Callable[[], None],
        values: LiveValues | None = None,
    ) -> None:
        self._start = start
        self._as_json = as_json
        self._out = out
        self._on_gone = on_gone
        self._values = values
        self._gone = False

    def take(self, span: Span) -> None:
        """Print the events of ``span`` in the order of their times, then what is known at its end."""
        if self._gone:
            return
        if isinstance(self._out, Unhurried):
            self._out.pass_on()
        for event in sorted(span.events, key=lambda event: event.t):
            self._print(_json(event_object(event, self._start)) if self._as_json else event_line(event, self._start))
        if self._values is not None:
            self._print(_json(self._values.due(span.end)))

    def _print(self, line: str | None) -> None:
        if line is not None and not self._gone and not say([line], self._out):
            self._gone = True
            self._on_gone()


def _json(shown: dict[str, Any] | None) -> str | None:
    return None if shown is None else json.dumps(shown, allow_nan=False)


def say(lines: Sequence[str], out: TextIO) -> bool:
    """Write lines; False once ``out`` takes no more: its reader has gone (``| head``), or its disk is full."""
    try:
        for line in lines:
            out.write(harmless(line) + "\n")
        out.flush()
    except (OSError, ValueError):
        return False
    return not isinstance(out, Unhurried) or out.failure is None


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
        event_object(replace(alarm.change, stands=alarm.state), snapshot.start)
        for alarm in snapshot.alarms.in_order()
    ]
    return _begun("alarms", snapshot, now) | {"alarms": standing}


def _begun(kind: str, snapshot: Snapshot, now: int) -> dict[str, Any]:
    return {"kind": kind, "t": round((now - snapshot.start) / MICROSECONDS, _DECIMALS), "time": utc(now)}
