"""A satellite receiver on anything pyserial opens: position and speed over ground, by NMEA 0183 sentences.

See ``docs/satellite-position.md``. The driver only listens: it never writes to the receiver. No fix, no value.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.capture import CapturedPiece
from telemetry.model.held_recording import HeldRecording
from telemetry.model.kinds import count
from telemetry.model.tables import settings_of

from .decode.log_stamps import LogStamps
from .decode.position_log import date_of, holds_sentences, timed
from .decode.position_sentences import PositionSentences
from .links import text_log
from .links.pump import Piece
from .links.serial_driver import SerialDriver, SerialSettings
from .links.serial_port import GATHER_S

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
        return text_log.held(path, cls.decoded(context, pieces), is_absolute)

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a receiver on a simulated machine behind a pseudo-terminal."""
        from .simulated.peer import simulated
        from .simulated.position_peer import PositionPeer

        return simulated(PositionPeer, settings)
