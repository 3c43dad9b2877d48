"""The last raw pieces of every link, to be read on the screen; nothing of it is kept."""

from __future__ import annotations

import threading
from collections import deque

from telemetry.model.capture import CapturedPiece

PIECES = 400
_MOST_BYTES = 4096


class RawTail:
    """Holds the last pieces of each source; given pieces from reading threads, read by the screen."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pieces: dict[str, deque[CapturedPiece]] = {}

    def take(self, piece: CapturedPiece) -> None:
        """Hold one piece, of a long one its beginning."""
        if len(piece.data) > _MOST_BYTES:
            piece = CapturedPiece(piece.t, piece.source, piece.direction, piece.data[:_MOST_BYTES])
        with self._lock:
            self._pieces.setdefault(piece.source, deque(maxlen=PIECES)).append(piece)

    def last(self, source: str) -> list[CapturedPiece]:
        """Return the pieces of ``source`` that are held, oldest first."""
        with self._lock:
            return list(self._pieces.get(source, ()))
