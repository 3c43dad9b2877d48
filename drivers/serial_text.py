"""A device that prints lines of text, on anything pyserial opens: how most signals outside the pack will come.

See ``docs/serial-text.md`` for what a board must print and for each setting. The driver only listens: it never
writes to the device.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from telemetry.driver import DriverContext, Heard, Listening, Settings
from telemetry.model.batch import Batch, Group
from telemetry.model.errors import InputError, NothingReadable, printable
from telemetry.model.keys import setting
from telemetry.model.recording import HeldRecording
from telemetry.model.tables import settings_of

from .decode.device_clock import OwnTime, SteadyTime
from .decode.kinds import PlainName
from .decode.log_stamps import LogStamps
from .decode.text_batches import TextBatches
from .decode.text_settings import TextSettings
from .links import text_log
from .links.pump import Piece
from .links.serial_driver import SerialDriver, SerialSettings
from .links.serial_port import GATHER_S


@dataclass(frozen=True, kw_only=True)
class SerialTextSettings(TextSettings, SerialSettings):
    """What a ``[[source]]`` of this driver states."""

    group: str = setting(PlainName(), "name under which the rows are stored", "your choice", "pedal", default="lines")


class SerialTextDriver(SerialDriver):
    """Reads text lines from a serial port; a :class:`telemetry.driver.Driver`."""

    table: ClassVar = SerialTextSettings
    decoder: TextBatches
    log_of: ClassVar[tuple[str, ...]] = ()
    reads_any_text: ClassVar = True

    def __init__(self, context: DriverContext) -> None:
        settings = settings_of(SerialTextSettings, context.settings)
        super().__init__(context, settings, GATHER_S)
        self.decoder = TextBatches(Group(context.source, settings.group, ()), settings)

    def decode(self, pieces: list[Piece[bytes]]) -> Iterable[Batch]:
        """Return one batch for what each read brought."""
        batch = self.decoder.feed(pieces)
        return () if batch is None else (batch,)

    def advice(self) -> str:
        """Say what is wrong with lines that give nothing."""
        text = self.decoder.figures
        if text.rows or not text.bytes:
            return ""
        reasons = ", ".join(f"{reason}: {count}" for reason, count in text.bad.most_common(3)) or "blank lines"
        if text.bad["before a header"] > text.lines / 2:
            return (
                f"none of {text.lines} lines ({text.bytes} bytes) could be read: no header line came yet; let the "
                "board print it more often than silence_s, or state columns_in_order; if the lines are not the "
                "board's, check baud_rate and the port"
            )
        return (
            f"none of {text.lines} lines ({text.bytes} bytes) could be read ({reasons}); check baud_rate and format"
        )

    @staticmethod
    async def tried(how: Listening) -> list[Heard]:
        """Listen on every serial port, whatever may speak there."""
        from .links.trying import try_ports

        return await try_ports(how)

    @staticmethod
    def is_log(path: Path) -> bool:
        """Return whether it holds lines of text."""
        return text_log.is_text_log(path)

    @classmethod
    def recording(cls, path: Path, context: DriverContext) -> HeldRecording:
        """Return lines that were kept as a recording, by the times before them, ``time_column`` or ``interval_s``.

        Raises:
            InputError: none of these is there, or the file cannot be read.
            NothingReadable: no line is of use.

        """
        stamps = LogStamps(text_log.first_lines(path))
        driver = cls(context)
        settings = settings_of(SerialTextSettings, context.settings)
        if stamps.is_found:
            stamped = cls.decoded(context, text_log.stamped(path, context.source, stamps))
            return text_log.held(path, stamped, stamps.is_absolute, driver.advice, stamps)
        own: OwnTime | SteadyTime
        if settings.time_column is not None:
            own = OwnTime(settings.time_unit, settings.time_wraps_at)
        elif settings.interval_s is not None:
            own = SteadyTime(settings.interval_s)
        else:
            raise InputError(
                f"{printable(path, 200)} has no time in front of its lines, and the source states no time_column;"
                " state the column with the board's own time, or else interval_s, the seconds between its rows"
            )
        driver.decoder.device_clock = own
        batches = (batch for line in text_log.lines_of(path) for batch in driver.decode([Piece(0, line)]))
        log = text_log.held(path, batches, is_absolute=False, advice=driver.advice)
        if not own.is_heard:
            raise NothingReadable(f"{printable(path.name, 200)}: no line has a time under {settings.time_column}")
        if isinstance(own, SteadyTime):
            apart = f"each row is {settings.interval_s:g} s after the last"
            log.warnings = (f"{log.name}: no line has a time, so {apart}; missing lines shorten the recording",)
        return log

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a board on a simulated machine behind a pseudo-terminal."""
        from .simulated.peer import simulated
        from .simulated.text_peer import TextPeer

        return simulated(TextPeer, settings)
