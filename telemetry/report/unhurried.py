"""A stream for a live run: a reader that is slow, stuck or gone never makes the recording wait."""

from __future__ import annotations

import io
import select
import sys
import time
from collections import deque
from contextlib import suppress
from typing import TextIO

_PIECE = 1000
"""Characters written at once: at most 4 bytes each in UTF-8, so they fit where a pipe says that it has room.

POSIX.1-2017, ``write`` and ``poll``: a pipe that is ready takes {PIPE_BUF} bytes without blocking, on Linux 4096.
"""
_PIECES_AT_MOST = 10_000


class Unhurried(io.TextIOBase):
    """Passes text on to ``out`` as fast as its reader takes it; keeps what waits, up to a bound.

    Args:
        out: the stream.
        waits: wait for the reader all the same: a replay loses no line, and nothing is recorded late by it.

    Attributes:
        failure: why ``out`` takes nothing any more; None while it does.
        dropped: pieces of text that found no room.

    """

    def __init__(self, out: TextIO, waits: bool) -> None:
        self._out = out
        self._waits = waits
        self._waiting: deque[str] = deque()
        self.failure: Exception | None = None
        self.dropped = 0

    def write(self, text: str) -> int:
        """Take ``text``; it is written at once if the reader is ready."""
        for begin in range(0, len(text), _PIECE):
            if len(self._waiting) >= _PIECES_AT_MOST:
                self.dropped += 1
            elif self.failure is None:
                self._waiting.append(text[begin : begin + _PIECE])
            self.pass_on()
        return len(text)

    def pass_on(self, wait_s: float = 0.0) -> None:
        """Write what the reader takes; wait for it up to ``wait_s`` seconds, or for as long as it takes."""
        until = time.monotonic() + wait_s
        try:
            while self._waiting and (self._waits or _is_ready(self._out, max(0.0, until - time.monotonic()))):
                self._out.write(self._waiting[0])
                self._out.flush()
                self._waiting.popleft()
        except (OSError, ValueError) as error:
            self.failure = error
            self._waiting.clear()


def _is_ready(out: TextIO, wait_s: float) -> bool:
    if sys.platform == "win32":  # it can wait for sockets only
        return True
    with suppress(io.UnsupportedOperation, AttributeError):
        return bool(select.select([], [out.fileno()], [], wait_s)[1])
    return True  # not a file of the system, so nobody to wait for
