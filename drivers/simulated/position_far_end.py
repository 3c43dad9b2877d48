"""A satellite receiver on a machine that drives round a loop, played on a pseudo-terminal.

It prints RMC, GGA and VTG sentences (NMEA 0183) with their checksums, as often as asked, some times a second. On
demand it misbehaves, and loses its fix.
"""

from __future__ import annotations

import asyncio
import math
import random
import tempfile
from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

from telemetry.driver import Settings
from telemetry.model.batch import Batch
from telemetry.model.clock import Clock, SystemClock

from .pseudo_terminal import PseudoTerminal
from .serving import cancelled, machine_by

LOOK_EVERY_US = 10_000
DEFAULT_INTERVAL_US = 200_000
SATELLITES = 9
KM_H_PER_KNOT = 1.852
# An invented loop, round, in open country.
CENTRE = (46.5, 7.25)
RADIUS_M = 80.0
M_PER_DEGREE = 111_320.0
"""Of latitude; a sphere will do for a loop of this size."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Machine(Protocol):
    """What plays: gives what became known up to a time, microseconds since the Unix epoch."""

    def advance_to(self, t: int) -> list[Batch]:
        """Return the batches of everything after the last call up to ``t``."""
        ...


def with_checksum(body: str) -> bytes:
    """Return the sentence: ``$``, ``body``, the exclusive or of its characters, and the line's end."""
    checksum = 0
    for character in body.encode("ascii"):
        checksum ^= character
    return f"${body}*{checksum:02X}\r\n".encode()


def sentences(t: int, position: tuple[float, float], speed_kmh: float, course: float, has_fix: bool) -> list[bytes]:
    """Return the sentences of one instant, by the NMEA 0183 standard.

    Args:
        t: microseconds since the Unix epoch.
        position: latitude and longitude, degrees, north and east positive.
        speed_kmh: over ground.
        course: degrees from true north.
        has_fix: without one, position, speed and course stay empty.

    """
    moment = _EPOCH + timedelta(microseconds=t - t % 10_000)
    clock, day = f"{moment:%H%M%S}.{moment.microsecond // 10_000:02d}", f"{moment:%d%m%y}"
    if not has_fix:
        return [
            with_checksum(f"GPRMC,{clock},V,,,,,,,{day},,,N"),
            with_checksum(f"GPGGA,{clock},,,,,0,00,99.9,,M,,M,,"),
            with_checksum("GPVTG,,T,,M,,N,,K,N"),
        ]
    where = f"{_angle(position[0], 2, 'NS')},{_angle(position[1], 3, 'EW')}"
    knots = speed_kmh / KM_H_PER_KNOT
    return [
        with_checksum(f"GPRMC,{clock},A,{where},{knots:.3f},{course:.1f},{day},,,A"),
        with_checksum(f"GPGGA,{clock},{where},1,{SATELLITES:02d},0.9,512.0,M,47.0,M,,"),
        with_checksum(f"GPVTG,{course:.1f},T,,M,{knots:.3f},N,{speed_kmh:.3f},K,A"),
    ]


def _angle(degrees: float, width: int, sides: str) -> str:
    """Return degrees and minutes run together, and the side: ``4807.03800,N``."""
    units = round(abs(degrees) * 60 * 100_000)  # of a minute's fifth decimal, so that 60.0 minutes cannot appear
    whole, rest = divmod(units, 6_000_000)
    return f"{whole:0{width}d}{rest // 100_000:02d}.{rest % 100_000:05d},{sides[degrees < 0]}"


class PositionFarEnd:
    """The receiver. Use as an async context manager; it prints for as long as that is open.

    Args:
        machine: what it rides on; its ``vehicle_speed`` moves it along the loop.
        clock: real time; the machine follows it.
        interval_us: microseconds between two instants that are printed.
        seed: of the garbage.

    Attributes:
        port: path to open; it stays the same when the link is dropped and comes back.
        has_fix: whether it sees enough satellites.

    """

    def __init__(self, machine: Machine, clock: Clock, interval_us: int = DEFAULT_INTERVAL_US, seed: int = 0) -> None:
        self._machine = machine
        self._clock = clock
        self._interval_us = interval_us
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets
        self._driven_m = 0.0
        self._moved_at: int | None = None
        self._due = 0
        self._silent = False
        self._garbage_until = 0
        self._stack = AsyncExitStack()
        self._line: PseudoTerminal
        self.port = ""
        self.has_fix = True

    async def __aenter__(self) -> PositionFarEnd:
        async with AsyncExitStack() as stack:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="shakedown-"))
            self.port = str(Path(folder) / "receiver")
            self._line = PseudoTerminal(Path(self.port))
            self._line.connect()
            stack.callback(self._line.disconnect)
            printing = asyncio.create_task(self._print_on(), name="simulated receiver")
            stack.push_async_callback(cancelled, printing)
            self._stack = stack.pop_all()
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self._stack.aclose()

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this receiver."""
        return {"port": self.port, "baud_rate": 9600}

    def connect(self) -> None:
        """Plug the receiver in again."""
        self._line.connect()

    def disconnect(self) -> None:
        """Pull the plug."""
        self._line.disconnect()

    def cut_mid_line(self) -> None:
        """Send the first part of a sentence, then pull the plug."""
        self._line.send(b"$GPRMC,123519,A,48")
        self.disconnect()

    def be_silent(self, silent: bool = True) -> None:
        """Print nothing, with the link open, or print again."""
        self._silent = silent

    def print_garbage(self, seconds: float) -> None:
        """Print random bytes in place of sentences for a while, as a wrong baud rate does."""
        self._garbage_until = self._clock.now() + round(seconds * 1e6)

    async def _print_on(self) -> None:
        due = self._clock.now()
        while True:
            due = max(due + LOOK_EVERY_US, self._clock.now())
            await self._clock.sleep_until(due)
            now = self._clock.now()
            spoken = [self._instant(t, speed) for t, speed in self._moved(self._machine.advance_to(now))]
            if now < self._garbage_until:
                self._line.put(self._random.randbytes(60))
            elif not self._silent:
                for sentence in spoken:
                    self._line.put(sentence)

    def _moved(self, batches: list[Batch]) -> list[tuple[int, float]]:
        """Move along the loop; return the instants that are to be printed, each with its speed."""
        found = []
        for batch in batches:
            speeds = batch.column("vehicle_speed")
            if speeds is None:
                continue
            for t, speed in zip(batch.t.tolist(), speeds.tolist(), strict=True):
                self._driven_m += speed / 3.6 * (t - (t if self._moved_at is None else self._moved_at)) / 1e6
                self._moved_at = t
                if t >= self._due:
                    self._due = max(self._due + self._interval_us, t - self._interval_us)
                    found.append((t, speed))
        return found

    def _instant(self, t: int, speed_kmh: float) -> bytes:
        """Return what is printed for one instant, in one piece; the loop is driven clockwise from the north."""
        angle = self._driven_m / RADIUS_M
        north, east = RADIUS_M * math.cos(angle), RADIUS_M * math.sin(angle)
        latitude = CENTRE[0] + north / M_PER_DEGREE
        longitude = CENTRE[1] + east / (M_PER_DEGREE * math.cos(math.radians(CENTRE[0])))
        course = (math.degrees(angle) + 90) % 360
        return b"".join(sentences(t, (latitude, longitude), abs(speed_kmh), course, self.has_fix))


@asynccontextmanager
async def simulated_far_end(settings: Settings) -> AsyncIterator[Mapping[str, Any]]:
    """Put a receiver on a simulated machine behind a pseudo-terminal, and give the settings that reach it.

    Args:
        settings: ``scenario``, ``seed`` and ``rate_hz`` of the simulated machine, each optional.

    """
    clock = SystemClock()
    machine = machine_by(settings, clock)
    async with PositionFarEnd(machine, clock) as far_end:
        yield far_end.settings
