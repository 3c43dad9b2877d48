"""Figures of the span, and its rows as a file: made by a thread, for a span of hours takes seconds."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from telemetry.analysis.series import read_series
from telemetry.analysis.stretch import find_stretch
from telemetry.machine.pack_keys import Pack
from telemetry.model.errors import ShakedownError, printable
from telemetry.model.recording import Recording
from telemetry.model.time_text import clock
from telemetry.pipeline.past import Past
from telemetry.screen.span_text import span_items

log = logging.getLogger(__name__)
_COUNTING = ["counting ..."]


class SpanFigures:
    """Finds the figures of one span at a time, and writes spans to files.

    Args:
        pack: what its owner states; None where no machine file does.
        say: shows one sentence.

    """

    def __init__(self, pack: Pack | None, say: Callable[[str], None] = lambda _: None) -> None:
        self._pack = pack
        self.say = say
        self._of: tuple[int, int] | None = None
        self._found: list[str] = []
        self._threads: list[threading.Thread] = []

    def items(self, past: Past, begin: int, end: int) -> list[str]:
        """Return the figures from ``begin`` to ``end``, microseconds after the start, once they are found."""
        if self._of != (begin, end):
            self._of, self._found = (begin, end), _COUNTING
            try:
                recording = past.recording(past.start + begin, past.start + end)
            except ShakedownError as error:
                self._found = [str(error)]
                return self._found
            self._start(self._find, (begin, end), recording)
        return self._found

    def _find(self, of: tuple[int, int], recording: Recording) -> None:
        try:
            series = read_series(recording)
            found = span_items(find_stretch(series, self._pack)) if series.signals else ["nothing was measured in it"]
        except ShakedownError as error:
            found = [str(error)]
        if self._of == of:
            self._found = found

    def write(self, past: Past, begin: int, end: int) -> None:
        """Write the measured rows from ``begin`` to ``end`` to a new CSV file in the working folder."""
        recording = past.recording(past.start + begin, past.start + end)
        times = (clock(t / 1e6).replace(":", "-") for t in (begin, end))
        name = "_".join([recording.name.removesuffix(".csv").replace(" ", "-"), *times])
        self._start(self._write, recording, name)

    def _write(self, recording: Recording, name: str) -> None:
        from telemetry.recordings.writing import write_recording

        path = next(
            path for n in range(1, 10_000) if not (path := Path(f"{name}{'' if n == 1 else f'-{n}'}.csv")).exists()
        )
        try:
            rows = write_recording(recording, path)
            self.say(f"{rows} rows written to {printable(path, 100)}")
        except ShakedownError as error:
            self.say(f"not written: {error}")

    def _start(self, work: Callable[..., None], *arguments: object) -> None:
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        thread = threading.Thread(target=self._contained, args=(work, *arguments), name="span", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _contained(self, work: Callable[..., None], *arguments: object) -> None:
        try:
            work(*arguments)
        except Exception:
            log.exception("the figures of the span failed")
            self.say("the program made a mistake here; the log file has the details")

    def wait(self) -> None:
        """Wait for what is being found or written."""
        for thread in self._threads:
            thread.join()
