"""A device that prints lines of text, on anything pyserial opens: how most signals outside the pack will come.

See ``docs/serial-text.md`` for what a board must print and for each setting. The driver only listens: it never
writes to the device.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Any, ClassVar

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import Batch, Group
from telemetry.model.keys import setting
from telemetry.model.tables import settings_of

from .decode.kinds import PlainName
from .decode.text_batches import TextBatches
from .decode.text_settings import TextSettings
from .links.pump import Piece
from .links.serial_driver import SerialDriver, SerialSettings
from .links.serial_port import GATHER_S

LINES_BEFORE_ADVICE = 20


@dataclass(frozen=True, kw_only=True)
class SerialTextSettings(TextSettings, SerialSettings):
    """What a ``[[source]]`` of this driver states."""

    group: str = setting(PlainName(), "name under which the rows are stored", "your choice", "pedal", default="lines")


class SerialTextDriver(SerialDriver):
    """Reads text lines from a serial port; a :class:`telemetry.driver.Driver`."""

    table: ClassVar = SerialTextSettings
    decoder: TextBatches

    def __init__(self, context: DriverContext) -> None:
        settings = settings_of(SerialTextSettings, context.settings)
        super().__init__(context, settings, GATHER_S)
        self.decoder = TextBatches(Group(context.source, settings.group, ()), settings)

    def decode(self, pieces: list[Piece[bytes]]) -> Iterable[Batch]:
        """Return one batch for what each read brought."""
        batch = self.decoder.feed(pieces)
        return () if batch is None else (batch,)

    def advice(self) -> str | None:
        """Say what is wrong with lines that give nothing."""
        text = self.decoder.figures
        if text.rows or text.lines < LINES_BEFORE_ADVICE:
            return None if text.rows else ""
        reasons = ", ".join(f"{reason}: {count}" for reason, count in text.bad.most_common(3)) or "blank lines"
        return (
            f"none of the first {text.lines} lines from {self._port} is of use ({reasons}); check baud_rate, format "
            "and header"
        )

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a board on a simulated machine behind a pseudo-terminal."""
        from .simulated.peer import simulated
        from .simulated.text_peer import TextPeer

        return simulated(TextPeer, settings)
