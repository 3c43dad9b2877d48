"""A satellite receiver on anything pyserial opens: position and speed over ground, by NMEA 0183 sentences.

See ``docs/satellite-position.md``. The driver only listens: it never writes to the receiver. No fix, no value.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import LinkError, Problem, did_you_mean, printable

from .decode.columns import is_number
from .decode.position_sentences import PositionFigures, PositionSentences
from .links import serial_port
from .links.pump import Piece, Pump, PumpFigures

log = logging.getLogger(__name__)

DEFAULT_BAUD_RATE = 9600
"""Common practice among receivers; the standard itself says 4800."""
DEFAULT_SILENCE_S = 5.0
GROUP = "position"
KEYS = (*serial_port.KEYS, "silence_s")
BYTES_BEFORE_ADVICE = 2000


@dataclass(frozen=True, slots=True)
class SatellitePositionFigures:
    """What the link and the sentences are doing.

    Attributes:
        queue: the queue between the reading thread and the event loop.
        sentences: bytes, sentences, rows, and what was bad, by reason.

    """

    queue: PumpFigures
    sentences: PositionFigures


class SatellitePositionDriver:
    """Reads a satellite receiver; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"

    def __init__(self, context: DriverContext) -> None:
        settings = context.settings
        self.silence_s: float | None = float(settings.get("silence_s", DEFAULT_SILENCE_S))
        self._source = context.source
        self._clock = context.clock
        port = serial_port.port_settings({"baud_rate": DEFAULT_BAUD_RATE, **settings})
        self._port = printable(port.port)
        self._sentences = PositionSentences(context.source, GROUP)
        self._pump = Pump(
            lambda: serial_port.open_serial(port), context.clock, f"serial port {self._port}", tap=context.tap
        )
        self._advised = False

    @property
    def figures(self) -> SatellitePositionFigures:
        """The figures of this opening, at any time."""
        return SatellitePositionFigures(self._pump.figures, self._sentences.figures)

    async def open(self) -> None:
        """Open the port.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        await self._pump.start_in_time(self._port)

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield the rows that each read, or the quiet after it, completes.

        Raises:
            LinkLost: the port broke or the far end closed it.

        """
        try:
            while True:
                pieces = await self._take()
                now = self._clock.now()
                batch = self._sentences.quiet(now) if pieces is None else self._sentences.feed(pieces)
                if batch is not None:
                    yield batch
                elif not self._advised:
                    self._advise()
        except LinkError:
            batch = self._sentences.finish()
            if batch is not None:
                yield batch
            raise

    async def _take(self) -> list[Piece[bytes]] | None:
        """Return what has been read; None once the line has been quiet for as long as completes a row."""
        wake = self._sentences.wake
        limit_s = None if wake is None else max(0.0, (wake - self._clock.now()) / MICROSECONDS)
        return await self._pump.take(limit_s) or None

    async def close(self) -> None:
        """Let the reading thread close the port, and wait until it has."""
        await self._pump.stop()

    def _advise(self) -> None:
        """Say once in the log what is wrong with a receiver whose bytes give nothing."""
        figures = self._sentences.figures
        if figures.sentences == 0 and figures.bytes >= BYTES_BEFORE_ADVICE:
            self._advised = True
            reasons = ", ".join(f"{reason}: {count}" for reason, count in figures.bad.most_common(3))
            log.warning(
                "source %s: the first %d bytes from %s hold no RMC, GGA, VTG or GLL sentence (%s); check baud_rate "
                "(4800, 9600, 38400 and 115200 are usual) and that the receiver is set to NMEA 0183",
                *(self._source, figures.bytes, self._port, reasons or "other sentences only"),
            )

    @staticmethod
    def check(settings: Settings) -> list[Problem]:
        """Return every problem of a source's keys."""
        problems = [
            Problem(printable(key), "is not a setting of this driver", f"leave it out{did_you_mean(key, KEYS)}")
            for key in settings
            if key not in KEYS
        ]
        problems += serial_port.check_port(settings)
        silence_s = settings.get("silence_s", DEFAULT_SILENCE_S)
        if not is_number(silence_s) or silence_s <= 0:
            problems.append(Problem("silence_s", "is not a number of seconds above 0", "write silence_s = 5.0, say"))
        return problems

    @staticmethod
    async def discover() -> list[dict[str, Any]]:
        """Return a source's settings for each serial port in reach; what speaks there, they cannot tell."""
        ports = await asyncio.to_thread(serial_port.serial_ports)
        return [{"port": device, "baud_rate": DEFAULT_BAUD_RATE} for device, _ in ports]

    @staticmethod
    def far_end(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a receiver on a simulated machine behind a pseudo-terminal; gives the settings that reach it.

        Args:
            settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

        """
        from .simulated.position_far_end import simulated_far_end

        return simulated_far_end(settings)
