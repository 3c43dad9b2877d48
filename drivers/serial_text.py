"""A device that prints lines of text, on anything pyserial opens: how most signals outside the pack will come.

See ``docs/serial-text.md`` for what a board must print and for each setting. The driver only listens: it never
writes to the device.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import Batch, Group
from telemetry.model.errors import Problem, did_you_mean, printable
from telemetry.model.signals import is_identifier

from .decode import text_settings
from .decode.columns import is_number
from .decode.text_batches import TextBatches
from .decode.text_lines import TextFigures
from .links import serial_port
from .links.pump import Pump, PumpFigures

log = logging.getLogger(__name__)

DEFAULT_SILENCE_S = 5.0
DEFAULT_GROUP = "lines"
KEYS = (*serial_port.KEYS, *text_settings.KEYS, "group", "silence_s")
LINES_BEFORE_ADVICE = 20


@dataclass(frozen=True, slots=True)
class SerialTextFigures:
    """What the link and the text are doing.

    Attributes:
        queue: the queue between the reading thread and the event loop.
        text: bytes, lines, rows, and what was bad, by reason.
        device_restarts: times that the device's own time began anew.
        rows_without_device_time: rows timed by their neighbours since their device time was missing or unfit.

    """

    queue: PumpFigures
    text: TextFigures
    device_restarts: int
    rows_without_device_time: int


class SerialTextDriver:
    """Reads text lines from a serial port; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"

    def __init__(self, context: DriverContext) -> None:
        settings = context.settings
        self.silence_s: float | None = float(settings.get("silence_s", DEFAULT_SILENCE_S))
        self._source = context.source
        port = serial_port.port_settings(settings)
        self._port = printable(port.port)
        self._text = TextBatches(Group(context.source, settings.get("group", DEFAULT_GROUP), ()), settings)
        self._pump = Pump(
            lambda: serial_port.open_serial(port), context.clock, f"serial port {self._port}", tap=context.tap
        )
        self._advised = False

    @property
    def figures(self) -> SerialTextFigures:
        """The figures of this opening, at any time."""
        clock = self._text.device_clock
        restarts, untimed = (0, 0) if clock is None else (clock.restarts, clock.untimed)
        return SerialTextFigures(self._pump.figures, self._text.figures, restarts, untimed)

    async def open(self) -> None:
        """Open the port.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        await self._pump.start_in_time(self._port)

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield one batch for what each read brought.

        Raises:
            LinkLost: the port broke or the far end closed it.

        """
        while True:
            batch = self._text.feed(await self._pump.take())
            if batch is not None:
                yield batch
            elif not self._advised:
                self._advise()

    async def close(self) -> None:
        """Let the reading thread close the port, and wait until it has."""
        await self._pump.stop()

    def _advise(self) -> None:
        """Say once in the log what is wrong with a device whose lines give nothing."""
        text = self._text.figures
        if text.rows == 0 and text.lines >= LINES_BEFORE_ADVICE:
            self._advised = True
            reasons = ", ".join(f"{reason}: {count}" for reason, count in text.bad.most_common(3)) or "blank lines"
            log.warning(
                "source %s: none of the first %d lines from %s is of use (%s); check baud_rate, format and header",
                *(self._source, text.lines, self._port, reasons),
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
        problems += text_settings.check_text(settings)
        group = settings.get("group", DEFAULT_GROUP)
        if not isinstance(group, str) or not is_identifier(group):
            problems.append(Problem("group", "is not a plain name", "use small letters, digits and underscores"))
        silence_s = settings.get("silence_s", DEFAULT_SILENCE_S)
        if not is_number(silence_s) or silence_s <= 0:
            problems.append(Problem("silence_s", "is not a number of seconds above 0", "write silence_s = 5.0, say"))
        return problems

    @staticmethod
    async def discover() -> list[dict[str, Any]]:
        """Return a source's settings for each serial port in reach; which of them print lines, they cannot tell."""
        ports = await asyncio.to_thread(serial_port.serial_ports)
        return [{"port": device, "baud_rate": 115200} for device, _ in ports]

    @staticmethod
    def far_end(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a simulated machine behind a pseudo-terminal; gives the settings that reach it.

        Args:
            settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

        """
        from .simulated.serial_text_far_end import simulated_far_end

        return simulated_far_end(settings)
