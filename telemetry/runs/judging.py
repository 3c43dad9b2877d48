"""The process that finds what sessions came to, as a list of sessions sees it."""

from __future__ import annotations

import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue

from telemetry.store.outcomes import Outcome, outcome_from


class JudgingProcess:
    """Finds the outcomes that are missing in a store; a :class:`~telemetry.screen.session_list.Judging`."""

    def __init__(self, store: Path) -> None:
        self._made: SimpleQueue[Outcome] = SimpleQueue()
        self._process = subprocess.Popen(  # noqa: S603 - this program itself
            [sys.executable, "-m", "telemetry.runs.outcomes", str(store)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="utf-8",
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with suppress(ValueError):  # half a line, of a process that was ended
                self._made.put(outcome_from(line))

    def ready(self) -> list[Outcome]:
        """Return those made since the last call."""
        found = []
        with suppress(Empty):
            while True:
                found.append(self._made.get_nowait())
        return found

    @property
    def is_done(self) -> bool:
        """Whether there are no more to come."""
        return not self._reader.is_alive()

    def close(self) -> None:
        """End the process; what it has kept stays kept."""
        with suppress(OSError):
            self._process.terminate()
        self._process.wait()
        self._reader.join()
        if self._process.stdout is not None:
            self._process.stdout.close()
