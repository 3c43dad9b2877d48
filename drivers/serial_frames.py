"""A device that speaks in binary frames on anything pyserial opens, understood by a frame map.

The map says how the bytes become signals and what is asked for; see ``docs/frame-map.md``. The driver sends exactly
the map's requests, byte for byte, and nothing else; a map without requests is one for a device that sends by itself,
and then nothing is sent at all.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Literal

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import InputError, LinkError, Problem, did_you_mean, printable

from .decode.columns import is_number
from .decode.frame_decoder import FrameDecoder, FrameFigures
from .decode.frame_map import frame_map_of, requests_of
from .decode.frame_poll import FramePoll
from .links import serial_port
from .links.pump import Piece, Pump, PumpFigures

log = logging.getLogger(__name__)

DEFAULT_SILENCE_S = 5.0
KEYS = (*serial_port.KEYS, "map", "silence_s")
GATHER_S = 0.005
"""A polled device answers and then waits: the rest of an answer is close behind its first byte."""
LONGEST_WAIT_S = 1.0
BYTES_BEFORE_ADVICE = 2000


@dataclass(frozen=True, slots=True)
class SerialFramesFigures:
    """What the link and the frames are doing.

    Attributes:
        queue: the queue between the reading thread and the event loop.
        frames: bytes, frames, rows, and what was bad, by reason.
        requests: requests sent.

    """

    queue: PumpFigures
    frames: FrameFigures
    requests: int


class SerialFramesDriver:
    """Reads frames from a serial port; a :class:`telemetry.driver.Driver`."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"
    path_keys: ClassVar = ("map",)

    def __init__(self, context: DriverContext) -> None:
        settings = context.settings
        frame_map, problems = frame_map_of(settings.get("map"))
        if frame_map is None:  # found good by check(); the file may have changed since
            raise InputError("; ".join(str(problem) for problem in problems))
        self._map = frame_map
        self._clock = context.clock
        self.silence_s: float | None = float(settings.get("silence_s", DEFAULT_SILENCE_S))
        port = serial_port.port_settings(settings)
        self._source = context.source
        self._port = printable(port.port)
        self._decoder = FrameDecoder(frame_map, context.source)
        gather_s = GATHER_S if frame_map.requests else serial_port.GATHER_S
        self._pump = Pump(
            lambda: serial_port.open_serial(port, gather_s),
            context.clock,
            f"serial port {self._port}",
            tap=context.tap,
        )
        self._poll: FramePoll | None = None
        self._requests = 0
        self._advised = False

    @property
    def figures(self) -> SerialFramesFigures:
        """The figures of this opening, at any time."""
        return SerialFramesFigures(self._pump.figures, self._decoder.figures, self._requests)

    async def open(self) -> None:
        """Open the port.

        Raises:
            LinkUnavailable: with the reason and the remedy.

        """
        await self._pump.start_in_time(self._port)

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield the rows that each read completes, and ask for more where the map has requests.

        Raises:
            LinkLost: the port broke or the far end closed it.

        """
        if self._map.requests and self._poll is None:
            self._poll = FramePoll(self._map, self._clock.now())
        try:
            while True:
                for batch in self._ask():
                    yield batch
                for batch in self._decode(await self._pump.take(self._wait_s())):
                    yield batch
        except LinkError:
            for batch in self._decoder.cycle_over():
                yield batch
            raise

    async def close(self) -> None:
        """Let the reading thread close the port, and wait until it has."""
        await self._pump.stop()

    def _ask(self) -> list[Batch]:
        """Send what is due; return the rows that a request without an answer, or the cycle's end, leaves."""
        batches: list[Batch] = []
        while self._poll is not None and (step := self._poll.step(self._clock.now(), self._decoder.answered)):
            if step.overdue:
                batches += self._decoder.overdue()
            if step.cycle_over:
                batches += self._decoder.cycle_over()
            if step.send is not None:
                self._decoder.asked(step.send)
                self._pump.send(step.send.data)
                self._requests += 1
        return batches

    def _wait_s(self) -> float | None:
        """Return in how many seconds the next request is due, or a look at the clock; None for never."""
        if self._poll is None:
            return None
        # The loop's own timer and not the clock's sleep: half the cost, and what is due is asked of the clock.
        return min(max((self._poll.wake - self._clock.now()) / MICROSECONDS, 0.0), LONGEST_WAIT_S)

    def _decode(self, pieces: list[Piece[bytes]]) -> list[Batch]:
        batches: list[Batch] = []
        for piece in pieces:
            if piece.lost_before:
                self._decoder.restart()
            batches += self._decoder.feed(piece.data, piece.arrival)
        if not self._advised:
            self._advise()
        return batches

    def _advise(self) -> None:
        """Say once in the log what is wrong with bytes that give nothing."""
        figures = self._decoder.figures
        if figures.rows:
            self._advised = True
        elif figures.bytes >= BYTES_BEFORE_ADVICE:
            self._advised = True
            reasons = (figures.bad + figures.unread).most_common(3)
            shown = ", ".join(f"{reason}: {count}" for reason, count in reasons) or "no start of a frame"
            log.warning(
                "source %s: none of the first %d bytes from %s is of use (%s); check baud_rate and the frame map",
                *(self._source, figures.bytes, self._port, shown),
            )

    @staticmethod
    def check(settings: Settings) -> list[Problem]:
        """Return every problem of a source's keys, those of its frame map among them."""
        problems = [
            Problem(printable(key), "is not a setting of this driver", f"leave it out{did_you_mean(key, KEYS)}")
            for key in settings
            if key not in KEYS
        ]
        problems += serial_port.check_port(settings)
        frame_map, wrong = frame_map_of(settings.get("map"))
        problems += wrong
        if frame_map is not None and frame_map.envelope.one_per_piece:
            right = "leave it out, and say how a frame begins and ends"
            problems.append(Problem("map", "frame.one_per_piece has no meaning on a serial line", right))
        silence_s = settings.get("silence_s", DEFAULT_SILENCE_S)
        if not is_number(silence_s) or silence_s <= 0:
            problems.append(Problem("silence_s", "is not a number of seconds above 0", "write silence_s = 5.0, say"))
        elif frame_map is not None and frame_map.requests and silence_s * 1e6 <= frame_map.interval:
            right = f"write silence_s = {3 * frame_map.interval / 1e6:g}, say"
            problems.append(Problem("silence_s", "is no longer than the map's poll.interval_s", right))
        return problems

    @staticmethod
    def check_capture(frame_map: Path, capture: Path, source: str | None = None) -> Iterator[str]:
        """Give line by line what the map makes of the bytes in a capture; ``source`` names one of several in it.

        Raises:
            InputError: a problem of either file.

        """
        from telemetry.model.capture import read_capture

        from .decode.capture_check import check_capture
        from .decode.frame_map import load_frame_map

        return check_capture(load_frame_map(frame_map), read_capture(capture), source)

    @staticmethod
    def requests(settings: Settings) -> tuple[bytes, ...]:
        """Return what the source sends to its device, by its frame map."""
        return requests_of(settings.get("map"))

    @staticmethod
    async def discover() -> list[dict[str, Any]]:
        """Return a source's settings for each serial port in reach; what speaks there, they cannot tell."""
        ports = await asyncio.to_thread(serial_port.serial_ports)
        return [{"port": device, "baud_rate": 115200, "map": "pack.toml"} for device, _ in ports]

    @staticmethod
    def far_end(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a simulated machine behind a pseudo-terminal; gives the settings that reach it.

        Args:
            settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

        """
        from .simulated.serial_frames_far_end import simulated_far_end

        return simulated_far_end(settings)
