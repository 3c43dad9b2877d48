"""A board that prints lines, played on a pseudo-terminal: a far end for the serial-text driver.

It does what a cheap board does: a header now and then, one line an instant with its own millisecond count, empty
cells for what is not new, and lines thrown away when nobody reads. On demand it misbehaves as cheap boards do.
"""

from __future__ import annotations

import asyncio
import os
import random
import tempfile
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path
from typing import Any, Protocol

from telemetry.driver import Settings
from telemetry.model.batch import Batch
from telemetry.model.clock import Clock, SystemClock
from telemetry.model.errors import LinkUnavailable

from .serving import cancelled, machine_by

HEADER_EVERY_US = 2_000_000
"""Shorter than the time after which a reader that joined in between would call the link silent."""
PRINT_EVERY_US = 20_000
TIME_COLUMN = "ms"
TIME_WRAPS_AT = 2**32


class Machine(Protocol):
    """What plays: gives what became known up to a time, microseconds since the Unix epoch."""

    def advance_to(self, t: int) -> list[Batch]:
        """Return the batches of everything after the last call up to ``t``."""
        ...


class SerialTextFarEnd:
    """The board. Use as an async context manager; it prints for as long as that is open.

    Args:
        machine: what it measures.
        clock: real time; the machine follows it.
        seed: of the garbage.

    Attributes:
        port: path to open; it stays the same when the link is dropped and comes back.
        lines_dropped: lines thrown away since nobody read.
        lines_printed: lines that were sent whole, headers included.

    """

    def __init__(self, machine: Machine, clock: Clock, seed: int = 0) -> None:
        self._machine = machine
        self._clock = clock
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets
        self._started = clock.now()
        self._columns: tuple[str, ...] = ()
        self._header_due = self._started
        self._pending = b""
        self._silent = False
        self._garbage_until = 0
        self._master: int | None = None
        self._slave: int | None = None
        self._stack = AsyncExitStack()
        self.port = ""
        self.lines_dropped = 0
        self.lines_printed = 0

    async def __aenter__(self) -> SerialTextFarEnd:
        if not hasattr(os, "openpty"):
            raise LinkUnavailable(
                "a simulated board needs pseudo-terminals and this system has none; use watch --demo"
            )
        folder = self._stack.enter_context(tempfile.TemporaryDirectory(prefix="shakedown-"))
        self.port = str(Path(folder) / "board")
        self.connect()
        self._stack.callback(self.disconnect)
        printing = asyncio.create_task(self._print_on(), name="simulated board")
        self._stack.push_async_callback(cancelled, printing)
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self._stack.aclose()

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this board."""
        return {
            "port": self.port,
            "baud_rate": 115200,
            "time_column": TIME_COLUMN,
            "time_unit": "ms",
            "time_wraps_at": TIME_WRAPS_AT,
        }

    def connect(self) -> None:
        """Plug the board in: a new pseudo-terminal under the same path."""
        import tty

        assert self._master is None
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        Path(self.port).unlink(missing_ok=True)
        Path(self.port).symlink_to(os.ttyname(self._slave))
        self._header_due = self._clock.now()

    def disconnect(self) -> None:
        """Pull the plug: a reader's link breaks, and the path leads nowhere until :meth:`connect`."""
        Path(self.port).unlink(missing_ok=True)
        for end in (self._master, self._slave):
            if end is not None:
                os.close(end)
        self._master = self._slave = None
        self._pending = b""

    def send(self, text: bytes) -> None:
        """Send bytes as they are, as far as the line takes them at once."""
        if self._master is not None:
            with suppress(BlockingIOError):
                os.write(self._master, text)

    def cut_mid_line(self) -> None:
        """Send the first part of a line, then pull the plug."""
        self.send(b"123456,5")
        self.disconnect()

    def be_silent(self, silent: bool = True) -> None:
        """Print nothing, with the link open, or print again."""
        self._silent = silent

    def print_garbage(self, seconds: float) -> None:
        """Print random bytes in place of lines for a while, as a loose wire or a wrong baud rate does."""
        self._garbage_until = self._clock.now() + round(seconds * 1e6)

    async def _print_on(self) -> None:
        due = self._clock.now()
        while True:
            due = max(due + PRINT_EVERY_US, self._clock.now())
            await self._clock.sleep_until(due)
            now = self._clock.now()
            batches = self._machine.advance_to(now)
            if now < self._garbage_until:
                self._put(self._random.randbytes(60))
            elif not self._silent:
                for line in self._lines(batches):
                    self._put(line)

    def _lines(self, batches: Sequence[Batch]) -> Iterator[bytes]:
        """Give one line an instant, with a header before the first, every two seconds, and when it widens."""
        instants: dict[int, dict[str, float]] = {}
        for batch in batches:
            for t, row in zip(batch.t.tolist(), batch.values.tolist(), strict=True):
                instants.setdefault(t, {}).update(zip(batch.group.signals, row, strict=True))
        for t in sorted(instants):
            instant = instants[t]
            if not instant.keys() <= set(self._columns):
                self._columns += tuple(name for name in instant if name not in self._columns)
                self._header_due = t
            if t >= self._header_due:
                self._header_due = t + HEADER_EVERY_US
                yield f"{','.join((TIME_COLUMN, *self._columns))}\r\n".encode()
            count = (t - self._started) // 1000 % TIME_WRAPS_AT
            yield f"{count},{','.join(_cell(instant.get(name)) for name in self._columns)}\r\n".encode()

    def _put(self, line: bytes) -> None:
        """Send a line; what does not fit waits if it was begun, and is thrown away if not. Never blocks."""
        if self._master is None:
            return
        if self._pending:
            self._pending = self._pending[self._write(self._pending) :]
        if self._pending:
            self.lines_dropped += 1
            return
        sent = self._write(line)
        if sent == 0:
            self.lines_dropped += 1
            return
        self._pending = line[sent:]
        self.lines_printed += 1

    def _write(self, data: bytes) -> int:
        assert self._master is not None
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0


def _cell(value: float | None) -> str:
    return "" if value is None or value != value else f"{value:.7g}"


@asynccontextmanager
async def simulated_far_end(settings: Settings) -> AsyncIterator[Mapping[str, Any]]:
    """Put a simulated machine behind a pseudo-terminal, and give the settings that reach it.

    Args:
        settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

    """
    clock = SystemClock()
    machine = machine_by(settings, clock)
    async with SerialTextFarEnd(machine, clock) as far_end:
        yield far_end.settings
