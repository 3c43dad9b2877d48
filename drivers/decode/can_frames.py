"""CAN frames, the 29-bit identifier of the J1939 family, and messages longer than a frame. Pure.

RV-C, NMEA 2000 and J1939 lay out the identifier alike (SAE J1939-21): priority (3 bits), two page bits, format (8),
specific (8), source address (8). Below a format of 240 the specific byte is a destination and no part of the
parameter group's number.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import NamedTuple

FRAME_BYTES = 8
"""Of a classic CAN frame."""
EXTENDED = 0x8000_0000
"""Marks a 29-bit identifier, as DBC files do."""
_FIRST_BROADCAST_FORMAT = 240

FAST_PACKET_LIMIT_US = 1_000_000
"""A fast packet whose next frame is longer in coming is given up: by then its sequence may have come round."""
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
    """A fast packet that is not complete: sequence, when its last frame came, length, and what there is of it."""

    sequence: int
    arrival: int
    length: int
    data: bytearray
    frames: int


class FastPackets:
    """Joins the frames of NMEA 2000 fast packets of any number of senders and parameter groups mixed.

    Byte 0 of each frame holds the sequence (high 3 bits) and the frame's number (low 5). Frame 0 continues with the
    total length and 6 bytes; each other frame brings 7. A sender's packets of one parameter group come one after the
    other, each with the next sequence: where a frame of another sequence comes, the packet before it has lost its
    end and is given up. So none can be completed by a frame of a later packet of the same sequence, unless all seven
    between were lost to the last frame and within a second. (Layout from memory of the published descriptions; held
    against the PyPI package nmea2000 by the tests.)

    Attributes:
        given_up: packets begun that were never complete.

    """

    def __init__(self) -> None:
        self._open: OrderedDict[int, _Open] = OrderedDict()
        self.given_up = 0

    def feed(self, frame: CanFrame) -> bytes | None:
        """Return the whole message where this frame completes one."""
        if not frame.data:
            return None
        sequence, number = frame.data[0] >> 5, frame.data[0] & 0x1F
        packet = self._open.get(frame.key)
        if number == 0:
            return self._begin(sequence, frame)
        if packet is None:
            return None
        late = frame.arrival - packet.arrival > FAST_PACKET_LIMIT_US
        if packet.sequence != sequence or number != packet.frames or late:
            self._give_up(frame.key)
            return None
        packet.arrival = frame.arrival
        packet.frames += 1
        packet.data += frame.data[1:]
        return self._finished(frame.key, packet)

    def restart(self) -> None:
        """Forget what is open: frames were lost."""
        self.given_up += len(self._open)
        self._open.clear()

    def _begin(self, sequence: int, frame: CanFrame) -> bytes | None:
        if frame.key in self._open:
            self._give_up(frame.key)
        if len(frame.data) <= 1 or not 0 < frame.data[1] <= LONGEST_FAST_PACKET:
            self.given_up += 1
            return None
        packet = _Open(sequence, frame.arrival, frame.data[1], bytearray(frame.data[2:]), 1)
        self._open[frame.key] = packet
        if len(self._open) > FAST_PACKETS_AT_ONCE:
            self._open.popitem(last=False)
            self.given_up += 1
        return self._finished(frame.key, packet)

    def _finished(self, key: int, packet: _Open) -> bytes | None:
        if len(packet.data) < packet.length:
            return None
        del self._open[key]
        return bytes(packet.data[: packet.length])

    def _give_up(self, key: int) -> None:
        del self._open[key]
        self.given_up += 1
