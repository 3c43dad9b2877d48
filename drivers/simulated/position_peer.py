"""A satellite receiver on a machine that drives round a loop, played on a pseudo-terminal.

It prints RMC, GGA and VTG sentences (NMEA 0183) with their checksums, as often as asked, some times a second. On
demand it loses its fix.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar

from telemetry.model.batch import Batch
from telemetry.model.clock import Clock

from .peer import Machine, SerialPeer

DEFAULT_INTERVAL_US = 200_000
SATELLITES = 9
KM_H_PER_KNOT = 1.852
# An invented loop, round, in open country.
CENTRE = (46.5, 7.25)
RADIUS_M = 80.0
M_PER_DEGREE = 111_320.0
"""Of latitude; a sphere will do for a loop of this size."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


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


class PositionPeer(SerialPeer):
    """The receiver; see :class:`.peer.Peer`. The machine's ``vehicle_speed`` moves it along the loop.

    Args:
        machine, clock: as for every peer.
        interval_us: microseconds between two instants that are printed.

    Attributes:
        has_fix: whether it sees enough satellites.

    """

    every_us: ClassVar[int] = 10_000

    def __init__(self, machine: Machine, clock: Clock, interval_us: int = DEFAULT_INTERVAL_US) -> None:
        super().__init__(machine, clock)
        self._interval_us = interval_us
        self._driven_m = 0.0
        self._moved_at: int | None = None
        self._due = 0
        self.has_fix = True

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this receiver."""
        return super().settings | {"baud_rate": 9600}

    def pieces(self, batches: Sequence[Batch]) -> list[bytes]:
        """Return what is printed, each instant in one piece."""
        return [self._instant(t, speed) for t, speed in self._moved(batches)]

    def _moved(self, batches: Sequence[Batch]) -> list[tuple[int, float]]:
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
