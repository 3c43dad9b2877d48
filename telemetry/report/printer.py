"""Prints the events of a run as lines."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import TextIO

from telemetry.model.batch import Span
from telemetry.model.errors import harmless
from telemetry.model.events import Event
from telemetry.report.event_lines import event_line, event_object
from telemetry.report.unhurried import Unhurried


class Printer:
    """Prints events as they come, one line each; a direct listener of the bus.

    Args:
        start: zero of the times that are printed, int microseconds.
        as_json: one JSON object a line, else plain lines.
        out: where they go.
        on_gone: called once ``out`` takes no more: its reader has gone, or its disk is full.

    """

    def __init__(self, start: int, as_json: bool, out: TextIO, on_gone: Callable[[], None]) -> None:
        self._start = start
        self._as_json = as_json
        self._out = out
        self._on_gone = on_gone
        self._gone = False

    def take(self, span: Span) -> None:
        """Print the events of ``span`` in the order of their times."""
        if self._gone:
            return
        if isinstance(self._out, Unhurried):
            self._out.pass_on()
        for event in sorted(span.events, key=lambda event: event.t):
            self._print(event)

    def _print(self, event: Event) -> None:
        if self._as_json:
            shown = event_object(event, self._start)
            line = None if shown is None else json.dumps(shown, allow_nan=False)
        else:
            line = event_line(event, self._start)
        if line is not None and not self._gone and not say([line], self._out):
            self._gone = True
            self._on_gone()


def say(lines: Sequence[str], out: TextIO) -> bool:
    """Write lines; False once ``out`` takes no more: its reader has gone (``| head``), or its disk is full."""
    try:
        for line in lines:
            out.write(harmless(line) + "\n")
        out.flush()
    except (OSError, ValueError):
        return False
    return not isinstance(out, Unhurried) or out.failure is None
