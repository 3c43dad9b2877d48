"""What a run would have made of a recording that none has judged, found beside the screen by its whole chain."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable

from telemetry.machine.machine_file import Machine
from telemetry.model.batch import Span
from telemetry.model.errors import ShakedownError
from telemetry.model.events import AlarmChange, Gap
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
        machine: states the limits; None: there are none.
        derived: takes the derived rows, and gaps are told as well; None where a past has both from elsewhere.

    """

    def __init__(
        self, recording: Recording, machine: Machine | None, derived: Callable[[Span], None] | None = None
    ) -> None:
        self._found: queue.Queue[tuple[Span, str]] = queue.Queue(_AHEAD)
        self._derived = derived
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
            span, trouble = self._found.get()
            self._said = f"judging, {clock((span.end - self._start) / 1e6)} so far"
            past.trouble = past.trouble or trouble
            for event in span.events:
                past.take_event(event)
                past.all_events.append(event)
            if self._derived is not None:
                self._derived(span)
                past.version += 1  # what is drawn of older times changes
        past.doing = self._said if self._thread.is_alive() or not self._found.empty() else ""

    def _work(self, recording: Recording, machine: Machine | None) -> None:
        told = AlarmChange if self._derived is None else AlarmChange | Gap
        try:
            for span in judging(recording, machine):
                if self._closing:
                    return
                batches = tuple(batch for batch in span.batches if batch.group.origin == "derived")
                self._give(Span(span.end, batches, tuple(event for event in span.events if isinstance(event, told))))
        except ShakedownError as error:
            self._give(Span(self._start), str(error))
        except Exception:
            log.exception("a recording could not be judged")
            self._give(Span(self._start), MISTAKE)

    def _give(self, span: Span, trouble: str = "") -> None:
        """Hand over; wait while the screen has enough to do."""
        while not self._closing:
            try:
                self._found.put((span, trouble), timeout=0.1)
            except queue.Full:
                continue
            return

    def close(self) -> None:
        """Stop; safe twice."""
        self._closing = True
        self._thread.join()
