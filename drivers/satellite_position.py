"""A satellite receiver on anything pyserial opens: position and speed over ground, by NMEA 0183 sentences.

See ``docs/satellite-position.md``. The driver only listens: it never writes to the receiver. No fix, no value.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, ClassVar

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.capture import CapturedPiece
from telemetry.model.kinds import count
from telemetry.model.recording import HeldRecording
from telemetry.model.tables import settings_of

from .decode.log_stamps import LogStamps
from .decode.position_sentences import Fix, PositionSentences, read_sentence
from .links import text_log
from .links.pump import Piece
from .links.serial_driver import SerialDriver, SerialSettings
from .links.serial_port import GATHER_S

_DAY_US = 86_400 * MICROSECONDS
_MIDNIGHT_US = _DAY_US // 2
_CENTURY, _GPS_BEGAN = 2000, 80  # years of two digits: 1980 is the first that a receiver can mean
_RMC_DATE = 9
DEFAULT_BAUD_RATE = 9600
"""Common practice among receivers; the standard itself says 4800."""
GROUP = "position"


@dataclass(frozen=True, kw_only=True)
class SatellitePositionSettings(SerialSettings):
    """What a ``[[source]]`` of this driver states."""

    baud_rate: int = count(
        *(50, 12_000_000, "bits a second; on a USB receiver it usually does not matter"),
        *("the receiver's sheet; 4800 by the standard, 9600 in common practice", 4800),
        default=DEFAULT_BAUD_RATE,
    )


class SatellitePositionDriver(SerialDriver):
    """Reads a satellite receiver; a :class:`telemetry.driver.Driver`."""

    table: ClassVar = SatellitePositionSettings
    decoder: PositionSentences
    tells_position: ClassVar = True
    log_of: ClassVar[tuple[str, ...]] = ()
    reads_any_text: ClassVar = False
    found: ClassVar = {"baud_rate": DEFAULT_BAUD_RATE}

    def __init__(self, context: DriverContext) -> None:
        super().__init__(context, settings_of(SatellitePositionSettings, context.settings), GATHER_S)
        self.decoder = PositionSentences(context.source, GROUP)

    def wait_s(self) -> float | None:
        """Return when the row held is complete if the line stays quiet."""
        wake = self.decoder.wake
        return None if wake is None else max(0.0, (wake - self._clock.now()) / MICROSECONDS)

    def decode(self, pieces: list[Piece[bytes]]) -> Iterable[Batch]:
        """Return the rows that these pieces, or the quiet, complete."""
        batch = self.decoder.feed(pieces) if pieces else self.decoder.quiet(self._clock.now())
        return () if batch is None else (batch,)

    def rest(self) -> Iterable[Batch]:
        """Return the row held."""
        batch = self.decoder.finish()
        return () if batch is None else (batch,)

    def advice(self) -> str:
        """Say what is wrong with a receiver whose bytes give nothing."""
        figures = self.decoder.figures
        if figures.sentences or not figures.bytes:
            return ""
        reasons = ", ".join(f"{reason}: {count}" for reason, count in figures.bad.most_common(3))
        return (
            f"its {figures.bytes} bytes hold no RMC, GGA, VTG or GLL sentence ({reasons or 'other sentences only'}); "
            "check baud_rate (4800, 9600, 38400 and 115200 are usual) and that the receiver is set to NMEA 0183"
        )

    @staticmethod
    def is_log(path: Path) -> bool:
        """Return whether sentences are among its first lines."""
        return text_log.is_text_log(path) and holds_sentences(text_log.first_lines(path))

    @classmethod
    def recording(cls, path: Path, context: DriverContext) -> HeldRecording:
        """Return sentences that were kept as a recording, by the times in front of them or else by their own.

        Raises:
            InputError: the file cannot be read.
            NothingReadable: no sentence of it is of use.

        """
        stamps = LogStamps(text_log.first_lines(path))
        day = None if stamps.is_found else date_of(text_log.lines_of(path))
        if stamps.is_found:
            pieces = text_log.stamped(path, context.source, stamps)
        else:
            lines = timed(text_log.lines_of(path), day)
            pieces = (CapturedPiece(t, context.source, "in", line) for t, line in lines)
        is_absolute = stamps.is_absolute if stamps.is_found else day is not None
        return text_log.held(path, cls.decoded(context, pieces), is_absolute, stamps=stamps)

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a receiver on a simulated machine behind a pseudo-terminal."""
        from .simulated.peer import simulated
        from .simulated.position_peer import PositionPeer

        return simulated(PositionPeer, settings)


def holds_sentences(lines: Iterable[bytes]) -> bool:
    """Return whether any line is a sentence that is read, with a right checksum."""
    return any(_read(line) is not None for line in lines)


def date_of(lines: Iterable[bytes]) -> date | None:
    """Return the first date that an RMC sentence states; None where none does."""
    return next((day for line in lines if (day := _date(line)) is not None), None)


def timed(lines: Iterable[bytes], first: date | None) -> Iterator[tuple[int, bytes]]:
    """Give each line with its time, int microseconds: from 1970 on, or from the first instant where no date is known.

    Args:
        lines: of the log.
        first: the date of its first lines; the log's own dates follow.

    """
    day = 0 if first is None else _micro(first)
    last: int | None = None
    start = 0
    for line in lines:
        fix = _read(line)
        if fix is not None and fix.instant is not None:
            clock = fix.instant
            t = ((clock.hour * 60 + clock.minute) * 60 + clock.second) * MICROSECONDS + clock.microsecond
            if first is not None and (stated := _date(line)) is not None:
                day = _micro(stated)
            elif last is not None and day + t < last - _MIDNIGHT_US:
                day += _DAY_US  # the new date comes with the next RMC
            if last is None and first is None:
                start = t
            last = day + t
        yield (last or start) - start, line


def _micro(day: date) -> int:
    return (day - date(1970, 1, 1)).days * _DAY_US


def _read(line: bytes) -> Fix | None:
    try:
        return read_sentence(line[max(line.rfind(b"$"), 0) :].decode("ascii").strip())
    except (UnicodeDecodeError, ValueError):
        return None


def _date(line: bytes) -> date | None:
    """Return the date of an RMC sentence that is sound; None for any other line."""
    fields = line[max(line.rfind(b"$"), 0) :].split(b",")
    if fields[0][-3:] != b"RMC" or len(fields) <= _RMC_DATE or _read(line) is None:
        return None
    try:
        day, month, year = (int(fields[_RMC_DATE][at : at + 2]) for at in (0, 2, 4))
        return date(_CENTURY + year - (100 if year >= _GPS_BEGAN else 0), month, day)
    except ValueError:
        return None
