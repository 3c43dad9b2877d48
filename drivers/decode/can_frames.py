"""CAN frames, the 29-bit identifier of the J1939 family, and messages longer than a frame. Pure.

RV-C, NMEA 2000 and J1939 lay out the identifier alike (SAE J1939-21): priority (3 bits), two page bits, format (8),
specific (8), source address (8). Below a format of 240 the specific byte is a destination and no part of the
parameter group's number.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import NamedTuple

EXTENDED = 0x8000_0000
"""Marks a 29-bit identifier, as DBC files do."""
_FIRST_BROADCAST_FORMAT = 240

FAST_PACKET_LIMIT_US = 1_000_000
"""A fast packet whose next frame is longer in coming is given up."""
FAST_PACKETS_AT_ONCE = 128
LONGEST_FAST_PACKET = 223  # 6 bytes in the first frame, 7 in each of 31 more


class CanFrame(NamedTuple):
    """A data frame.

    Attributes:
        arrival: when it was read, microseconds since the Unix epoch.
        key: the identifier, with :data:`EXTENDED` set where it has 29 bits.
        data: its bytes.

    """

    arrival: int
    key: int
    data: bytes


def parameter_group(key: int) -> int:
    """Return the parameter group's number of a 29-bit identifier."""
    group = (key >> 8) & 0x3FFFF
    return group if (key >> 16) & 0xFF >= _FIRST_BROADCAST_FORMAT else group & 0x3FF00


def identifier_text(key: int) -> str:
    """Return an identifier as the trade writes it, with the parameter group of a 29-bit one."""
    if not key & EXTENDED:
        return f"{key:03X}"
    return f"{key & ~EXTENDED:08X} (group {parameter_group(key)})"


@dataclass(slots=True)
class _Open:
    """A fast packet that is not complete: when its last frame came, how long it is, and what there is of it."""

    arrival: int
    length: int
    data: bytearray
    frames: int


class FastPackets:
    """Joins the frames of NMEA 2000 fast packets, any number of senders and sequences mixed.

    Byte 0 of each frame holds the sequence (high 3 bits) and the frame's number (low 5). Frame 0 continues with the
    total length and 6 bytes; each other frame brings 7. One sender's frames of one sequence come in order; where one
    is missing the packet is given up. (Layout from memory of the published descriptions; held against the PyPI
    package nmea2000 by the tests.)

    Attributes:
        given_up: packets begun that were never complete.

    """

    def __init__(self) -> None:
        self._open: OrderedDict[tuple[int, int], _Open] = OrderedDict()
        self.given_up = 0

    def feed(self, frame: CanFrame) -> bytes | None:
        """Return the whole message where this frame completes one."""
        if not frame.data:
            return None
        head = frame.data[0]
        place = (frame.key, head >> 5)
        if head & 0x1F == 0:
            return self._begin(place, frame)
        packet = self._open.get(place)
        if packet is None:
            return None
        if head & 0x1F != packet.frames or frame.arrival - packet.arrival > FAST_PACKET_LIMIT_US:
            self._give_up(place)
            return None
        packet.arrival = frame.arrival
        packet.frames += 1
        packet.data += frame.data[1:]
        return self._finished(place, packet)

    def restart(self) -> None:
        """Forget what is open: frames were lost."""
        self.given_up += len(self._open)
        self._open.clear()

    def _begin(self, place: tuple[int, int], frame: CanFrame) -> bytes | None:
        if place in self._open:
            self._give_up(place)
        if len(frame.data) <= 1 or not 0 < frame.data[1] <= LONGEST_FAST_PACKET:
            self.given_up += 1
            return None
        packet = _Open(frame.arrival, frame.data[1], bytearray(frame.data[2:]), 1)
        self._open[place] = packet
        if len(self._open) > FAST_PACKETS_AT_ONCE:
            self._open.popitem(last=False)
            self.given_up += 1
        return self._finished(place, packet)

    def _finished(self, place: tuple[int, int], packet: _Open) -> bytes | None:
        if len(packet.data) < packet.length:
            return None
        del self._open[place]
        return bytes(packet.data[: packet.length])

    def _give_up(self, place: tuple[int, int]) -> None:
        del self._open[place]
        self.given_up += 1
