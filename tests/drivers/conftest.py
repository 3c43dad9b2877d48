from __future__ import annotations

import os
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest


class Line:
    """A pseudo-terminal: ``port`` is what pyserial opens, ``send`` is what the device at the other end sends."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.port = os.ttyname(self.slave)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def drop(self) -> None:
        """The device is unplugged."""
        for end in (self.master, self.slave):
            if end >= 0:
                os.close(end)
        self.master = self.slave = -1


@pytest.fixture
def line() -> Iterator[Line]:
    line = Line()
    yield line
    line.drop()


@pytest.fixture
def held():
    """What this process holds: open files and threads. Call it before and after to compare.

    The loop's own pool starts a thread more where none happens to be idle, and keeps it for later: no driver's.
    """

    def count() -> tuple[int, int]:
        threads = [each for each in threading.enumerate() if not each.name.startswith("asyncio_")]
        return len(list(Path("/dev/fd").iterdir())), len(threads)

    return count
