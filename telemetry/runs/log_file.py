"""The log file: where it lies, and how an error of the program itself is written into it."""

from __future__ import annotations

import logging
import tempfile
import traceback
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import platformdirs

from telemetry.model.errors import harmless

_NAME = "shakedown.log"


class HarmlessLines(logging.Formatter):
    """A log record as text that cannot steer a terminal: it may contain what arrived over a link."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the record's lines."""
        return harmless(super().format(record))


class HarmlessSentences(HarmlessLines):
    """The same for a terminal: a traceback goes to the log file, and the line says where that is."""

    def formatException(self, ei: Any) -> str:  # noqa: N802 - the library's own name
        """Return where the details are."""
        path = keep_traceback(ei[1])
        return "no log file could be written" if path is None else f"the details are in {path}"


def keep_libraries_off_the_terminal() -> None:
    """Keep what libraries log from standard error; by default Python prints it there as it comes.

    Their messages hold pieces of the files that they read. What is wrong with a file this program says itself.
    """
    root = logging.getLogger()
    if not root.handlers:
        root.addHandler(logging.NullHandler())


def log_to(handler: logging.Handler, formatter: logging.Formatter) -> None:
    """Send what our own parts log to ``handler`` alone."""
    logging.getLogger().addHandler(logging.NullHandler())
    handler.setFormatter(formatter)
    for name in ("telemetry", "drivers"):
        logger = logging.getLogger(name)
        logger.propagate = False
        logger.handlers = [handler]


def log_to_file() -> None:
    """Send it to the log file, where it cannot paint over the screen; nowhere where there can be no such file."""
    handler: logging.Handler = logging.NullHandler()
    with suppress(OSError):
        log_path().parent.mkdir(parents=True, exist_ok=True)
        handler = logging.FileHandler(log_path(), encoding="utf-8", delay=True)
    log_to(handler, HarmlessLines())


def log_path() -> Path:
    """Return the log file's place in the user's log folder of this platform."""
    return Path(platformdirs.user_log_path("shakedown", appauthor=False)) / _NAME


def keep_traceback(error: BaseException) -> Path | None:
    """Append the traceback of ``error`` to the log file, else to one in the temporary folder; None if both fail."""
    text = "".join(traceback.format_exception(error))
    for path in (log_path(), Path(tempfile.gettempdir()) / _NAME):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("a", encoding="utf-8", errors="backslashreplace") as log:
                log.write(f"{datetime.now(UTC).isoformat(timespec='seconds')} internal error\n{text}\n")
        except OSError:
            continue
        return path
    return None
