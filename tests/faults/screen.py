"""The real program with its screen, on a pseudo-terminal of 80 by 24."""

from __future__ import annotations

import os
import re
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from tests.faults.program import BUSY_S, environment

_COLOURS = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")


class Screen:
    """``shakedown watch`` on a terminal; use as a context manager, which kills what still runs.

    Args:
        machine_file: what to watch.
        store: where to record.
        module: what to start in place of the program, with the same words.
        variables: of the environment.

    """

    def __init__(
        self,
        machine_file: Path,
        store: Path,
        module: str = "telemetry.cli",
        variables: Mapping[str, str] | None = None,
    ) -> None:
        import fcntl
        import termios

        self._ours, theirs = os.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self._drawn = bytearray()
        words = ["watch", "--yes", "--silent", "--store", str(store), str(machine_file)]
        state = str(machine_file.parent)
        self.process = subprocess.Popen(
            [sys.executable, "-m", module, *words],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=environment(TERM="xterm-256color", XDG_STATE_HOME=state, **(variables or {})),
        )
        os.close(theirs)
        self._reader = threading.Thread(target=self._read_on, daemon=True)
        self._reader.start()

    def __enter__(self) -> Screen:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.process.kill()
        self.process.wait()
        self._reader.join(5.0)
        os.close(self._ours)

    def wait_for(self, text: bytes) -> float:
        """Wait until ``text`` has been drawn since the last :meth:`press`; return how long that took, s."""
        return self.wait_until(lambda: text in self.drawn(), repr(text))

    def wait_until(self, condition: Callable[[], object], what: str) -> float:
        """Wait until ``condition`` holds; return how long that took, s."""
        begun = time.monotonic()
        while not condition():
            assert self.process.poll() is None, f"ended before {what}: {self.drawn()[-500:]!r}"
            assert time.monotonic() < begun + BUSY_S, f"waited in vain for {what}: {self.drawn()[-500:]!r}"
            time.sleep(0.02)
        return time.monotonic() - begun

    def drawn(self) -> bytes:
        """Return what has been drawn since the last :meth:`press`, without colours and positions."""
        return _COLOURS.sub(b"", bytes(self._drawn))

    def press(self, keys: bytes) -> None:
        """Press keys."""
        self._drawn.clear()
        os.write(self._ours, keys)

    def end(self) -> int:
        """End it as a shutdown does; return its exit status."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(BUSY_S)

    def _read_on(self) -> None:
        with suppress(OSError):  # the other end is closed
            while data := os.read(self._ours, 65536):
                self._drawn.extend(data)
