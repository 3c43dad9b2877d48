"""A log of a device's lines in a file: what a terminal program kept of a serial port, compressed or not."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from pathlib import Path

from telemetry.model.batch import Batch
from telemetry.model.capture import CapturedPiece
from telemetry.model.errors import InputError, NothingReadable, printable
from telemetry.model.recording import HeldRecording

from ..decode.log_stamps import LogStamps
from .bounded_log import BoundedLog
from .can_logs import is_can_log

_LOOKED_AT = 200
"""Lines by which it is known what a log is."""
_SUFFIXES = ("", ".csv", ".log", ".nmea", ".txt")


def lines_of(path: Path) -> Iterator[bytes]:
    """Give the lines of a text, each with its end.

    Raises:
        InputError: it cannot be read, or would fill the memory.

    """
    shown = printable(path, 200)
    is_packed = path.suffix.lower() == ".gz"
    try:
        file = gzip.GzipFile(path, "rb") if is_packed else path.open("rb")
        with BoundedLog(file, shown, path.stat().st_size if is_packed else None, True) as log:
            rest = b""
            while part := log.read1():
                *whole, rest = (rest + part).splitlines(keepends=True)
                if rest.endswith(b"\n"):
                    whole.append(rest)
                    rest = b""
                yield from whole
            if rest:
                yield rest
    except (OSError, EOFError, ValueError) as error:
        raise InputError(
            f"{shown} cannot be read further ({printable(error, 120)}); save it again, or cut it"
        ) from error


def first_lines(path: Path) -> list[bytes]:
    """Return the first lines of a text; none where it cannot be read or is no text."""
    try:
        lines = list(islice(lines_of(path), _LOOKED_AT))
    except InputError:
        return []
    return [] if any(b"\0" in line for line in lines) else lines


def is_text_log(path: Path) -> bool:
    """Return whether a file holds lines of text, and no frames of a CAN bus."""
    suffix = (Path(path.stem) if path.suffix.lower() == ".gz" else path).suffix.lower()
    return suffix in _SUFFIXES and not is_can_log(path) and bool(first_lines(path))


def stamped(path: Path, source: str, stamps: LogStamps) -> Iterator[CapturedPiece]:
    """Give each line with the time that stands in front of it."""
    for line in lines_of(path):
        t, rest = stamps.taken_off(line)
        yield CapturedPiece(t, source, "in", rest)


def held(
    path: Path,
    batches: Iterable[Batch],
    is_absolute: bool,
    advice: Callable[[], str] = str,
    stamps: LogStamps | None = None,
) -> HeldRecording:
    """Return the rows of a log as a recording; its warnings hold what ``stamps`` tells of the times.

    Raises:
        NothingReadable: there are none; ``advice``, or who makes the batches, says what was seen.

    """
    name = printable(path.name, 200)
    try:
        rows = [batch for batch in batches if len(batch)]
    except NothingReadable as error:
        raise NothingReadable(f"{name}: {error}") from None
    if not rows:
        raise NothingReadable(f"{name}: {advice() or 'it holds no reading'}")
    told = () if stamps is None else tuple(f"{name}: {each}" for each in stamps.told)
    return HeldRecording(name, rows, "absolute" if is_absolute else "relative", warnings=told)
