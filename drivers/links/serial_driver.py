"""What every driver of a serial port is made of: it opens, pumps, advises, closes and looks round."""

from __future__ import annotations

import asyncio
import logging
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from telemetry.driver import Declared, DriverContext
from telemetry.model.batch import Batch
from telemetry.model.errors import LinkError, printable
from telemetry.model.keys import number

from . import serial_port
from .pump import Piece, Pump

log = logging.getLogger(__name__)

BYTES_BEFORE_ADVICE = 2000


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


class SerialDriver(Declared, ABC):
    """Reads a serial port; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"
    found: ClassVar[dict[str, Any]] = {"baud_rate": 115200}
    """What stands beside the port in the settings of a source that was found."""

    def __init__(self, context: DriverContext, settings: SerialSettings, gather_s: float) -> None:
        self.silence_s: float | None = settings.silence_s
        self._source = context.source
        self._clock = context.clock
        self._port = printable(settings.port)
        self._pump = Pump(
            lambda: serial_port.open_serial(settings, gather_s),
            context.clock,
            f"serial port {self._port}",
            tap=context.tap,
        )
        self._advised = False

    @abstractmethod
    def decode(self, pieces: list[Piece[bytes]]) -> Iterable[Batch]:
        """Return the rows that what was read, or the quiet since, completes."""

    @abstractmethod
    def advice(self) -> str | None:
        """Return what to say of a device whose bytes give nothing; empty while that is open, None once they do."""

    def wait_s(self) -> float | None:
        """Return how long :meth:`decode` may be left without anything read; None: for ever."""
        return None

    def begin(self) -> Iterable[Batch]:
        """Return the rows that are due before anything is read; the place to ask for more."""
        return ()

    def rest(self) -> Iterable[Batch]:
        """Return the rows held, though nothing completes them: the link is over."""
        return ()

    async def open(self) -> None:
        """Open the port.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        await self._pump.start_in_time(self._port)

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield the rows that each read, or the quiet after it, completes.

        Raises:
            LinkLost: the port broke or the device closed it.

        """
        try:
            while True:
                for batch in self.begin():
                    yield batch
                for batch in self.decode(await self._pump.take(self.wait_s())):
                    yield batch
                if not self._advised:
                    self._advise()
        except LinkError:
            for batch in self.rest():
                yield batch
            raise

    async def close(self) -> None:
        """Let the reading thread close the port, and wait until it has."""
        await self._pump.stop()

    def _advise(self) -> None:
        """Say once in the log what is wrong with a device whose bytes give nothing."""
        advice = self.advice()
        if advice:
            log.warning("source %s: %s", self._source, advice)
        self._advised = advice != ""

    @classmethod
    async def discover(cls) -> list[dict[str, Any]]:
        """Return a source's settings for each serial port in reach; what speaks there, they cannot tell."""
        ports = await asyncio.to_thread(serial_port.serial_ports)
        return [{"port": device, **cls.found} for device, _ in ports]
