"""A device that speaks in binary frames on anything pyserial opens, understood by a frame map.

The map says how the bytes become signals and what is asked for; see ``docs/frame-map.md``. The driver sends exactly
the map's requests, byte for byte, and nothing else; a map without requests is one for a device that sends by itself,
and then nothing is sent at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from telemetry.driver import DriverContext, Settings
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.errors import Problem
from telemetry.model.tables import Rules, settings_of

from .decode.frame_decoder import FrameDecoder
from .decode.frame_map import ByFrameMap, MapSettings
from .decode.frame_poll import FramePoll
from .links import serial_port
from .links.pump import Piece
from .links.serial_driver import SerialDriver, SerialSettings

GATHER_S = 0.005
"""A polled device answers and then waits: the rest of an answer is close behind its first byte."""
LONGEST_WAIT_S = 1.0


def _for_a_line(s: SerialFramesSettings) -> Iterator[Problem]:
    if s.map.envelope.one_per_piece:
        right = "leave it out, and say how a frame begins and ends"
        yield Problem("map", "frame.one_per_piece has no meaning on a serial line", right)
    if s.map.requests and s.silence_s * 1e6 <= s.map.interval:
        right = f"write silence_s = {3 * s.map.interval / 1e6:g}, say"
        yield Problem("silence_s", "is no longer than the map's poll.interval_s", right)


@dataclass(frozen=True, kw_only=True)
class SerialFramesSettings(MapSettings, SerialSettings):
    """What a ``[[source]]`` of this driver states."""

    rules: ClassVar[Rules] = (_for_a_line,)


class SerialFramesDriver(SerialDriver, ByFrameMap):
    """Reads frames from a serial port; a :class:`telemetry.driver.Driver`."""

    table: ClassVar = SerialFramesSettings
    decoder: FrameDecoder
    found: ClassVar = {"baud_rate": 115200, "map": "pack.toml"}

    def __init__(self, context: DriverContext) -> None:
        settings = settings_of(SerialFramesSettings, context.settings)
        self._map = settings.map
        super().__init__(context, settings, GATHER_S if self._map.requests else serial_port.GATHER_S)
        self.decoder = FrameDecoder(self._map, context.source)
        self._poll: FramePoll | None = None
        self.requests_sent = 0

    def begin(self) -> Iterable[Batch]:
        """Send what is due; return the rows that a request without an answer, or the cycle's end, leaves."""
        if self._map.requests and self._poll is None:
            self._poll = FramePoll(self._map, self._clock.now())
        batches: list[Batch] = []
        for data in () if self._poll is None else self._poll.due(self._clock.now, self.decoder, batches):
            self._pump.send(data)
            self.requests_sent += 1
        return batches

    def wait_s(self) -> float | None:
        """Return in how many seconds the next request is due, or a look at the clock; None for never."""
        if self._poll is None:
            return None
        # The loop's own timer and not the clock's sleep: half the cost, and what is due is asked of the clock.
        return min(max((self._poll.wake - self._clock.now()) / MICROSECONDS, 0.0), LONGEST_WAIT_S)

    def decode(self, pieces: list[Piece[bytes]]) -> Iterable[Batch]:
        """Return the rows that these pieces complete."""
        batches: list[Batch] = []
        for piece in pieces:
            if piece.lost_before:
                self.decoder.restart()
            batches += self.decoder.feed(piece.data, piece.arrival)
        return batches

    def sent(self, data: bytes) -> Iterable[Batch]:
        """Return what a request leaves of the one before it; the map's first request begins a cycle."""
        batches = self.decoder.overdue()
        request = next((each for each in self._map.requests if each.data == data), None)
        if request is not None:
            batches += self.decoder.cycle_over() if request is self._map.requests[0] else []
            self.decoder.asked(request)
        return batches

    def rest(self) -> Iterable[Batch]:
        """Return what the cycle has brought so far."""
        return self.decoder.cycle_over()

    def advice(self) -> str:
        """Say what is wrong with bytes that give nothing."""
        return self.decoder.figures.nothing_read("baud_rate")

    def mapped(self) -> Iterable[str]:
        """Return what the map says must come."""
        return self._map.always

    def seen(self) -> str:
        """Return which frames came."""
        return self.decoder.figures.seen

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
    def guess_map(capture: Path, readings: Sequence[str], source: str | None = None) -> Iterator[str]:
        """Give the lines of a map proposed for a capture and what a meter showed meanwhile.

        Raises:
            InputError: a problem of the capture, or of a reading.

        """
        from telemetry.model.capture import read_capture

        from .decode.guess_map import guess_map

        return guess_map(read_capture(capture), readings, source)

    @staticmethod
    def peer(settings: Settings) -> AbstractAsyncContextManager[Mapping[str, Any]]:
        """Put a pack that speaks in frames on a simulated machine behind a pseudo-terminal."""
        from .simulated.frames_peer import FramesPeer
        from .simulated.peer import simulated

        return simulated(FramesPeer, settings)
