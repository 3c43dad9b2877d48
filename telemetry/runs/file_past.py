"""The past of a recording in a file: it grows while a thread reads it, and is then judged where limits are known."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from functools import partial

import numpy as np

from telemetry.analysis.derive import Cells, Power
from telemetry.analysis.gaps import GapWatch
from telemetry.analysis.series import Series
from telemetry.machine.machine_file import Machine
from telemetry.model.batch import Span, Times, Values
from telemetry.model.errors import ShakedownError
from telemetry.model.recording import Recording
from telemetry.model.time_text import clock
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.one_source import OneSource
from telemetry.pipeline.past import Stretch
from telemetry.pipeline.stage import Chain
from telemetry.runs.alarms_anew import MISTAKE, AlarmsAnew
from telemetry.runs.past_phases import PHASE_SIGNALS, phases_of

MOST_VALUES = 24_000_000
"""Numbers kept of a file: ten hours of 25 signals ten times a second take 9 million."""
_AHEAD = 16
_AT_ONCE = 4
log = logging.getLogger(__name__)


class FilePast(LivePast):
    """A recording in a file; see :class:`~telemetry.pipeline.past.Past`.

    Args:
        recording: the file.
        machine: judges its alarms once it is read; None: there are no limits.

    """

    def __init__(self, recording: Recording, machine: Machine | None) -> None:
        super().__init__(recording.start, recording.time_basis, MOST_VALUES)
        self._recording, self._machine = recording, machine
        self._given: queue.Queue[Callable[[], None]] = queue.Queue(_AHEAD)
        self._closing = False
        self._alarms: AlarmsAnew | None = None
        self.doing = "reading"
        self._thread = threading.Thread(target=self._work, name="reading a recording", daemon=True)
        self._thread.start()

    def poll(self) -> None:
        """Take over what was read meanwhile; a little at a time, so that keys are answered."""
        for _ in range(_AT_ONCE):
            if self._given.empty():
                break
            self._given.get()()
        if self._alarms is not None:
            self._alarms.poll(self)

    def _give(self, change: Callable[[], None]) -> None:
        """Let the screen's thread make a change; wait while it has enough to do."""
        while not self._closing:
            try:
                self._given.put(change, timeout=0.1)
            except queue.Full:
                continue
            return

    def _say(self, doing: str) -> None:
        self._give(partial(setattr, self, "doing", doing))

    def _work(self) -> None:
        try:
            self._read()
        except ShakedownError as error:
            self._give(partial(setattr, self, "trouble", str(error)))
        except Exception:
            log.exception("a recording could not be looked at")
            self._give(partial(setattr, self, "trouble", MISTAKE))
        self._say("")

    def _read(self) -> None:
        stages, signals = OneSource(Chain([Cells(), Power(), GapWatch()])), _Signals()
        end = self._recording.start
        try:
            for span in self._recording.spans():
                if self._closing:
                    return
                signals.take(span)
                self._give(partial(self._take, stages.advance(span)))
                end = span.end
        finally:  # what is before a mistake further down is shown all the same
            self._give(partial(self._take, stages.advance(Span(end, final=True))))
        self._say("finding phases")
        found = list(phases_of(signals.series(), ()))
        self._give(partial(self._set_phases, found))
        if self._machine is not None:
            self._give(partial(self._judge, self._machine))

    def _take(self, span: Span) -> None:
        self.take(span)
        self.all_events += span.events
        self.doing = f"reading, {clock((self.end - self.start) / 1e6)} so far"

    def _judge(self, machine: Machine) -> None:
        self._alarms = AlarmsAnew(self._recording, machine)

    def _set_phases(self, found: list[Stretch]) -> None:
        self._phases = found

    def close(self) -> None:
        """Stop reading; safe twice."""
        self._closing = True
        self._thread.join()
        if self._alarms is not None:
            self._alarms.close()


class _Signals:
    """The signals that phases are told by, gathered as they are read."""

    def __init__(self) -> None:
        self._parts: dict[str, list[tuple[Times, Values]]] = {}

    def take(self, span: Span) -> None:
        for name in PHASE_SIGNALS:
            for batch, column in span.carrying(name):
                known = ~np.isnan(column)
                self._parts.setdefault(name, []).append((batch.t[known], column[known]))

    def series(self) -> dict[str, Series]:
        joined = {name: [np.concatenate(each) for each in zip(*p, strict=True)] for name, p in self._parts.items()}
        return {name: Series(t, values) for name, (t, values) in joined.items()}
