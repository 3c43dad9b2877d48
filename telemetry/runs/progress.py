"""How far long work has come, on standard error of a terminal; ctrl-c cancels it and leaves nothing half-written."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from types import TracebackType
from typing import TextIO

from telemetry.model.batch import Group, Span
from telemetry.model.errors import harmless
from telemetry.model.recording import Recording, TimeBasis
from telemetry.model.time_text import clock, length
from telemetry.store.stored_recording import StoredRecording

AFTER_S = 1.0
"""Work that is done sooner needs no line."""
_EVERY_S = 0.25
_WIDTH = 78


class Progress:
    """A line that says what is being done; a context manager. Says nothing where nobody sits at a terminal.

    Args:
        stream: where it goes; standard error where None.
        after_s: seconds before the first line.

    """

    def __init__(self, stream: TextIO | None = None, after_s: float = AFTER_S) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._after_s = after_s
        self._lock = threading.Lock()
        self._what, self._how_far = "", ""
        self._is_shown = False
        self._done = threading.Event()
        self._begun = time.monotonic()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Progress:
        self._begun = time.monotonic()
        if self._stream.isatty():
            self._thread = threading.Thread(target=self._show, daemon=True)
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._done.set()
        if self._thread is not None:
            self._thread.join()
        self._clear()
        if kind is not None and issubclass(kind, KeyboardInterrupt):
            self._stream.write("cancelled\n")

    def at(self, what: str, how_far: str = "") -> None:
        """Say from now on that ``what`` is being done, and how far it has come."""
        self._what, self._how_far = what, how_far

    def warn(self, text: str) -> None:
        """Write a warning above the line."""
        with self._lock:
            self._clear()
            self._stream.write(f"warning: {harmless(text)}\n")

    def watched(self, recording: Recording, end: int | None = None) -> Recording:
        """Return ``recording`` so that reading it shows; ``end`` is about where it ends, where it does not say."""
        return _Watched(recording, self, recording.end if isinstance(recording, StoredRecording) else end)

    def _show(self) -> None:
        while not self._done.wait(_EVERY_S):
            seconds = time.monotonic() - self._begun
            if self._what and seconds >= self._after_s:
                parts = [self._how_far, length(seconds)]
                text = f"{self._what} ... {', '.join(part for part in parts if part)}  (ctrl-c cancels)"
                with self._lock:
                    self._stream.write(f"\r{harmless(text)[:_WIDTH]:<{_WIDTH}}")
                    self._stream.flush()
                    self._is_shown = True

    def _clear(self) -> None:
        if self._is_shown:
            self._stream.write(f"\r{'':<{_WIDTH}}\r")
            self._stream.flush()
            self._is_shown = False


class _Watched:
    """A recording whose reading is told of; a :class:`~telemetry.model.recording.Recording`."""

    def __init__(self, recording: Recording, progress: Progress, end: int | None) -> None:
        self._recording, self._progress, self._end = recording, progress, end
        self.name: str = recording.name
        self.time_basis: TimeBasis = recording.time_basis
        self.start: int = recording.start
        self.groups: tuple[Group, ...] = recording.groups
        self.machine_text: str | None = recording.machine_text

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the user should know of it; complete once it has been read."""
        return self._recording.warnings

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """Give the spans, and say how far they have come."""
        what = f"reading {self.name}"
        self._progress.at(what)
        for span in self._recording.spans(rows):
            whole = None if self._end is None else self._end - self.start
            read = span.end - self.start
            self._progress.at(what, f"{min(99, 100 * read // whole)} %" if whole else f"{clock(read / 1e6)} read")
            yield span
