"""A board that prints numbered lines on a pseudo-terminal, and remembers when it printed each."""

from __future__ import annotations

import fcntl
import os
import sys
import termios
import threading
import time
from pathlib import Path
from types import TracebackType

HEADER_EVERY = 25
_READ_WITHIN_S = 10.0
MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 100

[[source]]
driver = "serial-text"
name = "board"
port = "{port}"
silence_s = 5

[source.columns]
n = "extra_number"
"""


class NumberedBoard:
    """Prints ``n,pack_voltage,pack_current`` lines from a thread of its own; use as a context manager.

    Args:
        folder: where the machine file and the port's name go.
        rate_hz: lines a second.

    Attributes:
        machine_file: to watch it with; the numbers arrive as ``extra_number``.
        sent: when each number was handed to the line, by ``time.time()``; those it had no room for are left out.

    """

    header = b"n,pack_voltage,pack_current\n"

    def __init__(self, folder: Path, rate_hz: float = 50.0) -> None:
        self.port = folder / "board"
        self.machine_file = folder / "machine.toml"
        self.sent: dict[int, float] = {}
        self.rate_hz = rate_hz
        self._master, self._slave = os.openpty()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._print_on, daemon=True)

    def __enter__(self) -> NumberedBoard:
        import tty

        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port.symlink_to(os.ttyname(self._slave))
        self.machine_file.write_text(MACHINE.format(port=self.port))
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        os.close(self._master)
        os.close(self._slave)

    def line(self, number: int) -> bytes:
        """Return the line of a number."""
        return b"%d,%.2f,%.1f\n" % (number, 52.0 + number % 7 / 100, 10.0 + number % 13)

    def stop(self) -> None:
        """Print nothing more; safe twice."""
        self._stopping.set()
        self._thread.join()

    def stop_and_be_read(self) -> None:
        """Print nothing more, and wait until the program has had the time to record what the line still held."""
        self.stop()
        until = time.monotonic() + _READ_WITHIN_S
        while self._unread() and time.monotonic() < until:
            time.sleep(0.05)
        time.sleep(0.3)

    def _unread(self) -> int:
        return int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)

    def _print_on(self) -> None:
        due, number, pending = time.monotonic(), 0, b""
        while not self._stopping.wait(max(0.0, due - time.monotonic())):
            due = max(due + 1.0 / self.rate_hz, time.monotonic() - 1.0)
            header = self.header if number % HEADER_EVERY == 0 else b""
            if pending:
                pending = pending[self._write(pending) :]
            if not pending:
                line = header + self.line(number)
                written = self._write(line)
                if written:
                    pending = line[written:]
                    self.sent[number] = time.time()
            number += 1

    def _write(self, data: bytes) -> int:
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0
