"""Messages of J1939 that are longer than a frame: the transport protocol, listened to. Pure.

SAE J1939-21, section 5.10 (from memory): a connection management frame (TP.CM, parameter group 60416) announces a
message's length, number of packets and parameter group, to all (BAM) or to one device (RTS, answered by CTS); data
frames (TP.DT, 60160) bring 7 bytes each, numbered from 1. A device that asks again (CTS) says from which packet on.

Data frames bear no mark of their message. Where one message loses its end and the next its beginning, a later data
frame could pass for the one that is missing: it comes at least a whole message later, three packets. So no pause
within a message may be longer than twice the shortest pause that its sender was ever seen to make.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import NamedTuple

from .can_frames import CanFrame

CONNECTION, DATA = 0xEC, 0xEB
"""Formats of the two parameter groups."""
BAM = 32
LONGEST = 1785
"""Bytes: 255 packets of 7."""
TO_ALL = 255
LONGEST_PAUSE_US = 750_000
"""T1 of SAE J1939-21, from memory."""
SHORTEST_PAUSE_US = 60_000
"""No jitter of a reader is longer (ours)."""
AT_ONCE = 64


class LongMessage(NamedTuple):
    """A message that has come whole: its parameter group, its sender's address, its bytes."""

    group: int
    sender: int
    data: bytes


@dataclass(slots=True)
class _Session:
    group: int
    length: int
    packets: int
    arrival: int
    longest: int = 0
    next: int = 1
    data: bytes = b""


class TransportProtocol:
    """Joins the packets of any number of senders.

    Attributes:
        given_up: messages begun that were never complete.

    """

    def __init__(self) -> None:
        self._open: OrderedDict[tuple[int, int], _Session] = OrderedDict()
        self._shortest: dict[int, int] = {}
        self.given_up = 0

    def feed(self, frame: CanFrame) -> LongMessage | None:
        """Return the message that this frame, of one of the two groups, completes."""
        sender, receiver = frame.key & 0xFF, frame.key >> 8 & 0xFF
        if len(frame.data) < 8:
            return None
        if frame.key >> 16 & 0xFF == CONNECTION:
            self._manage(frame, sender, receiver)
            return None
        session = self._open.get((sender, receiver))
        if session is None:
            return None
        number, pause = frame.data[0], frame.arrival - session.arrival
        if number == session.next - 1 and number:
            return None  # sent again
        shortest = self._shortest[sender] = min(pause, self._shortest.get(sender, LONGEST_PAUSE_US))
        session.longest = max(session.longest, pause)
        uneven = session.longest > min(max(2 * shortest, SHORTEST_PAUSE_US), LONGEST_PAUSE_US)
        if number != session.next or uneven:
            self._give_up((sender, receiver))
            return None
        session.arrival = frame.arrival
        session.next += 1
        session.data += frame.data[1:8]
        if number < session.packets:
            return None
        del self._open[sender, receiver]
        return LongMessage(session.group, sender, session.data[: session.length])

    def restart(self) -> None:
        """Forget what is open: frames were lost."""
        self.given_up += len(self._open)
        self._open.clear()

    def _manage(self, frame: CanFrame, sender: int, receiver: int) -> None:
        data = frame.data
        match data[0]:
            case 32 | 16:  # BAM, RTS
                self._begin(frame, sender, receiver)
            case 17:  # CTS
                session = self._open.get((receiver, sender))  # the receiver asks for packets, from data[2] on
                if session is not None and 0 < data[2] <= session.next:
                    session.next = data[2]
                    session.data = session.data[: 7 * (data[2] - 1)]
                    session.arrival = frame.arrival
            case 255:  # abort
                for ends in ((sender, receiver), (receiver, sender)):
                    if ends in self._open:
                        self._give_up(ends)

    def _begin(self, frame: CanFrame, sender: int, receiver: int) -> None:
        data = frame.data
        if (sender, receiver) in self._open:
            self._give_up((sender, receiver))
        length, packets = int.from_bytes(data[1:3], "little"), data[3]
        to_all = (data[0] == BAM) == (receiver == TO_ALL)
        if not to_all or not 8 < length <= LONGEST or packets != -(-length // 7):
            return
        group = int.from_bytes(data[5:8], "little")
        self._open[sender, receiver] = _Session(group, length, packets, frame.arrival)
        if len(self._open) > AT_ONCE:
            self._open.popitem(last=False)
            self.given_up += 1

    def _give_up(self, ends: tuple[int, int]) -> None:
        del self._open[ends]
        self.given_up += 1
