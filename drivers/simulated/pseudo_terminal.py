"""A pseudo-terminal as a simulated device holds it: plugged in, unplugged, written to without ever blocking."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from telemetry.model.errors import LinkUnavailable


class PseudoTerminal:
    """The device's end of a serial line.

    Args:
        port: path at which the other end is to be found while it is plugged in.
        received: takes what the other end sends.

    Attributes:
        dropped: pieces thrown away since nobody read them.

    """

    def __init__(self, port: Path, received: Callable[[bytes], None]) -> None:
        if not hasattr(os, "openpty"):
            raise LinkUnavailable(
                "a simulated device needs pseudo-terminals and this system has none; use watch --demo"
            )
        self.port = port
        self._received = received
        self._master: int | None = None
        self._slave: int | None = None
        self._pending = b""
        self.dropped = 0

    def connect(self) -> None:
        """Plug the device in: a new pseudo-terminal under the same path."""
        import tty

        assert self._master is None
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self._master, self._read)

    def disconnect(self) -> None:
        """Pull the plug: a reader's link breaks, and the path leads nowhere until :meth:`connect`."""
        self.port.unlink(missing_ok=True)
        if self._master is not None:
            asyncio.get_running_loop().remove_reader(self._master)
        for end in (self._master, self._slave):
            if end is not None:
                os.close(end)
        self._master = self._slave = None
        self._pending = b""

    def send(self, data: bytes) -> None:
        """Send bytes as they are, as far as the line takes them at once."""
        if self._master is not None:
            self._write(data)

    def put(self, piece: bytes) -> bool:
        """Send a piece whole; what does not fit waits if it was begun, and is thrown away if not. Never blocks."""
        if self._master is None:
            return False
        if self._pending:
            self._pending = self._pending[self._write(self._pending) :]
        sent = 0 if self._pending else self._write(piece)
        if sent == 0:
            self.dropped += 1
            return False
        self._pending = piece[sent:]
        return True

    def _write(self, data: bytes) -> int:
        assert self._master is not None
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0

    def _read(self) -> None:
        assert self._master is not None
        with suppress(BlockingIOError):
            self._received(os.read(self._master, 65536))
