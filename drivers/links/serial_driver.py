"""What every driver of a serial port is made of: the port's settings, and a look round for ports."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any, ClassVar

from telemetry.driver import DriverContext
from telemetry.model.capture import CapturedPiece
from telemetry.model.errors import printable
from telemetry.model.kinds import number

from . import serial_port
from .pumped_driver import PumpedDriver


@dataclass(frozen=True, kw_only=True)
class SerialSettings(serial_port.PortSettings):
    """The keys that every source on a serial port has."""

    silence_s: float = number(
        *(
            0.1,
            3600,
            "seconds without a row after which the link counts as failed; longer than the device's interval",
        ),
        *("how often the device sends", 5.0),
        default=5.0,
    )


class SerialDriver(PumpedDriver[bytes]):
    """Reads a serial port; a :class:`telemetry.driver.Driver`."""

    found: ClassVar[dict[str, Any]] = {"baud_rate": 115200}
    only_listens: ClassVar[bool] = True
    """What stands beside the port in the settings of a source that was found."""

    def __init__(self, context: DriverContext, settings: SerialSettings, gather_s: float) -> None:
        self.silence_s = settings.silence_s
        self._port = printable(settings.port)
        super().__init__(context, self._port, lambda: serial_port.open_serial(settings, gather_s), context.tap)

    def as_read(self, piece: CapturedPiece) -> bytes:
        """Return the bytes."""
        return piece.data

    @classmethod
    async def discover(cls) -> list[dict[str, Any]]:
        """Return a source's settings for each serial port in reach; what speaks there, they cannot tell."""
        ports = await asyncio.to_thread(serial_port.serial_ports)
        return [{"port": device, **cls.found} for device, _ in ports]
