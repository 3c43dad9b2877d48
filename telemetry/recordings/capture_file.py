"""The file in which ``watch --capture`` keeps the raw bytes of links."""

from __future__ import annotations

import logging
import threading
from contextlib import suppress
from pathlib import Path
from typing import Self

from telemetry.model.capture import CapturedPiece, CaptureWriter
from telemetry.model.errors import InputError, printable
from telemetry.model.whole_file import private

log = logging.getLogger(__name__)


class CaptureFile:
    """Keeps raw bytes in a file; trouble with it is said once and never stops the run."""

    def __init__(self, path: Path, began: int) -> None:
        self._path = path
        self._began = began
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        try:
            self._file = open(self._path, "x", encoding="ascii", newline="\n", opener=private)
        except FileExistsError:
            raise InputError(f"{printable(self._path, 200)} exists; name another file for the capture") from None
        except OSError as error:
            raise InputError(f"{printable(self._path, 200)} cannot be written: {error.strerror}") from error
        self._writer: CaptureWriter | None = CaptureWriter(self._file, self._began)
        return self

    def __exit__(self, *exc: object) -> None:
        with self._lock, suppress(OSError):
            self._writer = None
            self._file.close()

    def take(self, piece: CapturedPiece) -> None:
        """Keep one piece; called from reading threads."""
        with self._lock:
            if self._writer is None:
                return
            try:
                self._writer.write(piece)
            except OSError as error:
                self._writer = None
                log.warning("%s is not written any further: %s", printable(self._path, 200), error.strerror)
