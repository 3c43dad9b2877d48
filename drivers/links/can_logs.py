"""A log of CAN frames in a file: its frames in its order, and what of it could not be read."""

from __future__ import annotations

import gzip
import io
import mmap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from telemetry.model.errors import InputError, printable

from ..decode.can_frames import EXTENDED, CanFrame
from ..decode.candump import DumpFrames, looks_like_it
from .bounded_log import BoundedLog, BoundPassed
from .can_bus import log_reader
from .can_trouble import said_by

DUMPS = (".log", ".txt", ".candump")
"""Lines as the can-utils print them."""
BINARY = (".blf", ".mf4")
SUFFIXES = (".asc", ".blf", ".csv", ".mf4", ".trc", *DUMPS)
_LATEST = 2**61
"""Microseconds; sums and differences of times stay within 64 bits."""
_BEGINNING = 65_536
_HEADS = {".asc": "no internal events logged\n", ".csv": "\n"}
"""What python-can's reader takes for the end of the head, by suffix, so that it can begin behind it."""
_GOES_ON_AFTER = (ValueError, IndexError, KeyError, TypeError, OverflowError)
"""What readers raise over a line that is not as they expect."""


def log_suffix(path: Path) -> str:
    """Return the suffix that says which log it is, ``.gz`` aside."""
    return (Path(path.stem) if path.suffix.lower() == ".gz" else path).suffix.lower()


def is_can_log(path: Path) -> bool:
    """Return whether it is one by its name, or, where other text has such a name too, by its first frame."""
    suffix = log_suffix(path)
    if suffix == ".mf4":
        return _holds_frames(path)
    if suffix not in DUMPS:
        return suffix in SUFFIXES and suffix != ".csv"  # which may be any table
    try:
        with _opened(path) as stream:
            return looks_like_it(stream.read(_BEGINNING).splitlines())
    except (OSError, EOFError, ValueError):
        return False


class CanLogFile:
    """The frames of a log.

    Args:
        path: ends in one of :data:`SUFFIXES`, and ``.gz`` perhaps; ``.csv`` is python-can's own layout.
        channel: only frames of this channel, where the log names channels; None for all.

    Attributes:
        odd: lines passed over by the last reading: no frame, and no note.
        first_odd: of the first of them, its number, and what is wrong where that is known.

    """

    def __init__(self, path: Path, channel: str | int | None = None) -> None:
        self._path, self._shown = path, printable(path, 200)
        self._channel = None if channel is None else str(channel)
        self.odd, self.first_odd = 0, ""

    def frames(self) -> Iterator[CanFrame]:
        """Give the data frames from the beginning, with the log's times.

        Raises:
            InputError: it cannot be read, or not further; every frame before has been given.

        """
        self.odd, self.first_odd, count = 0, "", 0
        try:
            with _opened(self._path) as stream:
                for frame in self._dumped(stream) if log_suffix(self._path) in DUMPS else self._read(stream):
                    count += 1
                    yield frame
        except InputError:
            raise
        except OSError as error:
            raise InputError(
                f"{self._shown} cannot be read ({error.strerror or said_by(error)}); check its name and permissions"
            ) from error
        except (ImportError, NotImplementedError) as error:
            raise InputError(
                f"{self._shown} needs a package that is not installed ({said_by(error)}); install it"
            ) from error
        except Exception as error:  # a damaged log shows itself by whatever a reader trips over
            where = f"after frame {count}" if count else "from its beginning"
            raise InputError(
                f"{self._shown} cannot be read {where} ({said_by(error)}); export it anew, or cut it there"
            ) from error

    def _dumped(self, stream: Any) -> Iterator[CanFrame]:
        dumped = DumpFrames(stream, self._channel)
        yield from dumped
        self.odd, self.first_odd = dumped.odd, f"line {dumped.first_odd}"
        if dumped.untimed and dumped.untimed == dumped.odd:
            raise InputError(f"{self._shown}: {dumped.untimed} frames have no time; record them with candump -L")

    def _read(self, stream: Any) -> Iterator[CanFrame]:
        """Give what python-can reads; over an odd line of text its reader is started again behind it."""
        suffix, count = log_suffix(self._path), 0
        reader = log_reader(suffix)(stream)
        with reader:
            while True:
                at = getattr(stream, "number", 0)
                try:
                    for message in reader:
                        if (frame := self._frame(message)) is not None:
                            count += 1
                            yield frame
                    break
                except _GOES_ON_AFTER as error:
                    if isinstance(error, BoundPassed) or not isinstance(stream, _Lines) or stream.number == at:
                        raise
                    self.odd += 1
                    self.first_odd = self.first_odd or f"line {stream.number}: {said_by(error)}"
                    stream.go_on(_HEADS.get(suffix, ""))
        if self.odd and not count:
            raise ValueError(self.first_odd)

    def _frame(self, message: Any) -> CanFrame | None:
        if message.is_error_frame or message.is_remote_frame:
            return None
        if self._channel is not None and str(message.channel) != self._channel:
            return None
        key = message.arbitration_id | (EXTENDED if message.is_extended_id else 0)
        arrival = round(message.timestamp * 1e6)
        if abs(arrival) > _LATEST:
            raise ValueError("its time cannot be read")
        return CanFrame(arrival, key, bytes(message.data))


class _Lines(io.TextIOWrapper):
    """The lines of a text, counted; a reader that stumbled can be let loose on the rest."""

    number = 0
    _first = ""

    def go_on(self, head: str) -> None:
        """Give ``head`` as the next line, whatever stands there."""
        self._first = head

    def __next__(self) -> str:  # type: ignore[override] # text, as TextIOWrapper has it
        first, self._first = self._first, ""
        if first:
            return first
        line = super().__next__()
        self.number += 1
        return line


def _opened(path: Path) -> Any:
    """Open a log; done here since python-can leaves a file open that it cannot make out."""
    is_text = log_suffix(path) not in BINARY
    is_packed = path.suffix.lower() == ".gz"
    file = gzip.GzipFile(path, "rb") if is_packed else path.open("rb")
    log = BoundedLog(file, printable(path, 200), path.stat().st_size if is_packed else None, is_text)
    return _Lines(log, encoding="utf-8", errors="replace") if is_text else log  # type: ignore[arg-type]


def _holds_frames(path: Path) -> bool:
    """Return whether an MDF 4 file holds frames of a bus: its channels of them bear this name by the standard."""
    try:
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            return content.find(b"CAN_DataFrame") >= 0
    except (OSError, ValueError):
        return False
