"""What the load has shown of each cell by the cursor of a review: found by a thread, from the rows before it."""

from __future__ import annotations

import logging
import threading

from telemetry.analysis.cells_forward import BLOCK
from telemetry.analysis.cells_live import CellWatch
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS
from telemetry.model.cell_figures import CellFigures
from telemetry.model.errors import ShakedownError
from telemetry.model.recording import Recording
from telemetry.pipeline.past import Past

LOOKED_AT = 900 * MICROSECONDS
"""The rows before the cursor that are compared: older steps of load have faded in a run, too."""
log = logging.getLogger(__name__)


class CellsAtCursor:
    """Compares the cells at one moment after another, as a run that had come as far would.

    Args:
        machine: what its owner states.

    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._of: int | None = None
        self._found: CellFigures | None = None
        self._thread: threading.Thread | None = None

    def at(self, past: Past, t: int) -> CellFigures | None:
        """Return what is known at ``t``, int microseconds; what was known shortly before until that is found."""
        block = t // BLOCK
        if self._of != block and (self._thread is None or not self._thread.is_alive()):
            self._of = block
            try:
                recording = past.recording(max(past.start, t - LOOKED_AT), t)
            except ShakedownError:  # no longer in memory
                self._found = None
                return None
            self._thread = threading.Thread(target=self._find, args=(recording,), name="cells", daemon=True)
            self._thread.start()
        found = self._found
        return found if found is not None and t - LOOKED_AT <= found.t <= t else None

    def _find(self, recording: Recording) -> None:
        watch, found = CellWatch(self._machine), None
        try:
            for span in recording.spans():
                found = watch.advance(span).cells or found
        except ShakedownError:  # the traces say so
            found = None
        except Exception:
            log.exception("the cells at the cursor could not be compared")
        self._found = found

    def wait(self) -> None:
        """Wait for what is being found."""
        if self._thread is not None:
            self._thread.join()
