"""The alarms of a recording that no run has judged, found beside the screen by the whole chain of a run."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Sequence

from telemetry.machine.machine_file import Machine
from telemetry.model.errors import ShakedownError
from telemetry.model.events import AlarmChange
from telemetry.model.recording import Recording
from telemetry.model.time_text import clock
from telemetry.pipeline.past import Past
from telemetry.report.alarm_review import judging

MISTAKE = "the program made a mistake here; the log file has the details"
_AHEAD = 16
_AT_ONCE = 4
log = logging.getLogger(__name__)


class AlarmsAnew:
    """Judges a recording in a thread of its own; :meth:`poll` lets a past have what is found so far.

    Args:
        recording: is read from its beginning.
        machine: states the limits.

    """

    def __init__(self, recording: Recording, machine: Machine) -> None:
        self._found: queue.Queue[tuple[int, Sequence[AlarmChange], str]] = queue.Queue(_AHEAD)
        self._closing = False
        self._said = "judging"
        self._start = recording.start
        self._thread = threading.Thread(
            target=self._work, args=(recording, machine), name="judging a recording", daemon=True
        )
        self._thread.start()

    def poll(self, past: Past) -> None:
        """Give ``past`` what was found meanwhile; a little at a time, so that keys are answered."""
        for _ in range(_AT_ONCE):
            if self._found.empty():
                break
            end, changes, trouble = self._found.get()
            self._said = f"judging, {clock((end - self._start) / 1e6)} so far"
            past.trouble = past.trouble or trouble
            for change in changes:
                past.take_event(change)
                past.all_events.append(change)
        past.doing = self._said if self._thread.is_alive() or not self._found.empty() else ""

    def _work(self, recording: Recording, machine: Machine) -> None:
        try:
            for end, events in judging(recording, machine):
                if self._closing:
                    return
                self._give(end, [event for event in events if isinstance(event, AlarmChange)])
        except ShakedownError as error:
            self._give(self._start, (), str(error))
        except Exception:
            log.exception("a recording could not be judged")
            self._give(self._start, (), MISTAKE)

    def _give(self, end: int, changes: Sequence[AlarmChange], trouble: str = "") -> None:
        """Hand over; wait while the screen has enough to do."""
        while not self._closing:
            try:
                self._found.put((end, changes, trouble), timeout=0.1)
            except queue.Full:
                continue
            return

    def close(self) -> None:
        """Stop; safe twice."""
        self._closing = True
        self._thread.join()
