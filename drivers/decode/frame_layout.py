"""What a frame map states, as data: how frames are cut, told apart and read, and what is asked for.

Bytes of a frame are counted from 0 at its first start byte, after escapes have been undone; -1 is its last byte.
Pure, and found good by :mod:`.frame_map` before anything here is constructed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from .checksums import Checksum

ByteOrder = Literal["big", "little"]
NumberType = Literal["unsigned", "signed", "sign-magnitude", "float"]


@dataclass(frozen=True, slots=True)
class LengthField:
    """Where a frame says how long it is: whole length = number there * ``unit`` + ``uncounted``, in bytes.

    Attributes:
        byte: place of its first byte.
        width: bits, a multiple of 8.
        order: byte order.
        unit: bytes that it counts as one.
        uncounted: bytes of the frame that it does not count.

    """

    byte: int
    width: int
    order: ByteOrder
    unit: int
    uncounted: int

    @property
    def end(self) -> int:
        """Bytes of the frame that must be there before its length is known."""
        return self.byte + self.width // 8

    def whole(self, frame: bytes | bytearray | memoryview) -> int:
        """Return the whole length that ``frame`` states, in bytes."""
        return int.from_bytes(frame[self.byte : self.end], self.order) * self.unit + self.uncounted


@dataclass(frozen=True, slots=True)
class ChecksumPlace:
    """The checksum of a frame: what it is, over which bytes, and where it stands.

    Attributes:
        checksum: how it is computed.
        byte: place of its first byte; negative counts from the frame's end.
        first, last: first and last byte that it covers; negative counts from the frame's end.
        order: byte order in which it is sent.

    """

    checksum: Checksum
    byte: int
    first: int
    last: int
    order: ByteOrder

    @property
    def size(self) -> int:
        """Bytes that it takes."""
        return (self.checksum.width + 7) // 8

    def span(self, length: int) -> tuple[int, int, int]:
        """Return, for a frame of ``length`` bytes, where the checksum stands and the slice that it covers."""
        at = self.byte + length if self.byte < 0 else self.byte
        first = self.first + length if self.first < 0 else self.first
        last = self.last + length if self.last < 0 else self.last
        return at, first, last + 1

    def fits(self, frame: bytes) -> bool:
        """Tell whether ``frame`` bears the checksum of its bytes."""
        at, first, stop = self.span(len(frame))
        if at < 0 or first < 0:
            return False
        return self.checksum.of(frame[first:stop]) == int.from_bytes(frame[at : at + self.size], self.order)

    def put(self, frame: bytearray) -> None:
        """Write the checksum of ``frame`` into it."""
        at, first, stop = self.span(len(frame))
        frame[at : at + self.size] = self.checksum.of(bytes(frame[first:stop])).to_bytes(self.size, self.order)


@dataclass(frozen=True, slots=True)
class Escape:
    """How bytes that would be taken for a frame's start or end are sent within it: as ``byte`` and another.

    Attributes:
        byte: the escape byte.
        sent_as: for each byte that is escaped, the byte sent after the escape byte.

    """

    byte: int
    sent_as: Mapping[int, int]


@dataclass(frozen=True)
class Envelope:
    """How frames are cut out of a stream of bytes: section ``[frame]``.

    Attributes:
        start, end: bytes that every frame begins and ends with; may be empty.
        length: whole length in bytes, fixed or from the frame; None where the message tells it or the end bytes do.
        longest: bytes of the longest frame; what claims to be longer is none.
        checksum: None where frames bear none.
        escape: None where no byte is escaped.
        gap: microseconds without a byte after which a frame that has begun is given up; None for never.
        one_per_piece: each piece fed is one whole frame (a Bluetooth notification), so that nothing is searched for.

    """

    start: bytes = b""
    end: bytes = b""
    length: int | LengthField | None = None
    longest: int = 1024
    checksum: ChecksumPlace | None = None
    escape: Escape | None = None
    gap: int | None = None
    one_per_piece: bool = False

    @property
    def trailer(self) -> int:
        """Bytes at the frame's end that are no fields': the checksum, where it stands there, and the end bytes."""
        if self.checksum is None or self.checksum.byte >= 0:
            return len(self.end)
        return max(len(self.end), -self.checksum.byte)


@dataclass(frozen=True, slots=True)
class Condition:
    """What tells a message: the bytes from ``byte`` on are one of ``values``, all of one length."""

    byte: int
    values: tuple[bytes, ...]

    @property
    def end(self) -> int:
        """Place after the last byte that it looks at."""
        return self.byte + len(self.values[0])

    def holds(self, frame: bytes | bytearray | memoryview) -> bool:
        """Tell whether ``frame``, long enough, meets it."""
        return bytes(frame[self.byte : self.end]) in self.values


@dataclass(frozen=True)
class FrameField:
    """Where in a frame the readings of one signal, or of several of a kind in a row, stand.

    The number is that of ``size`` bytes from ``byte`` on in ``order``, shifted right by ``bit``, its lowest ``width``
    bits; value = number * scale + offset.

    Attributes:
        signals: one name, or one for each repeat, in order.
        byte: place of the first byte.
        bit: place of its least significant bit, counted from that of the least significant byte.
        width: bits, 1 to 64.
        order: byte order.
        number: how the bits are a number.
        scale, offset: to the signal's unit.
        unknown: bit patterns, from and up to, that mean "no reading".
        step: bytes from one repeat to the next.
        count_byte: place of a byte that says how many repeats the frame holds; None where always all.

    """

    signals: tuple[str, ...]
    byte: int
    bit: int
    width: int
    order: ByteOrder
    number: NumberType
    scale: float
    offset: float
    unknown: tuple[tuple[int, int], ...]
    step: int
    count_byte: int | None = None

    @property
    def size(self) -> int:
        """Bytes that one reading reaches over."""
        return (self.bit + self.width + 7) // 8

    def present(self, frame: bytes) -> int:
        """Return how many repeats ``frame`` holds, by its count where it bears one."""
        return len(self.signals) if self.count_byte is None else min(frame[self.count_byte], len(self.signals))

    @property
    def end(self) -> int:
        """Place after the last byte that any frame must hold for it."""
        if self.count_byte is not None:
            return self.count_byte + 1
        return self.byte + self.step * (len(self.signals) - 1) + self.size


@dataclass(frozen=True)
class Message:
    """One kind of frame: section ``[message.NAME]``.

    Attributes:
        name: a plain name.
        group: the group that its signals belong to.
        conditions: what tells it from other kinds; all must hold.
        length: whole length in bytes where it is fixed for this kind; None for any that the fields fit into.
        fields: what is read from it.

    """

    name: str
    group: str
    conditions: tuple[Condition, ...]
    length: int | None
    fields: tuple[FrameField, ...]

    @property
    def signals(self) -> tuple[str, ...]:
        """Every signal that it may carry, in the order of the map."""
        return tuple(signal for each in self.fields for signal in each.signals)

    @property
    def head(self) -> int:
        """Bytes that must be there before the conditions can be tried."""
        return max((condition.end for condition in self.conditions), default=0)

    @property
    def needed(self) -> int:
        """Bytes from the frame's start that its conditions and fields reach over."""
        return max([self.head, *(each.end for each in self.fields)], default=0)


@dataclass(frozen=True, slots=True)
class Request:
    """Bytes that ask for something; nothing else is ever sent.

    Attributes:
        data: the bytes, exactly.
        answers: names of the messages that answer it, all of them; empty where any one that is read does.
        every: it is sent in each ``every``-th cycle, from the first on.

    """

    data: bytes
    answers: tuple[str, ...] = ()
    every: int = 1


@dataclass(frozen=True)
class FrameMap:
    """A whole frame map, found good.

    Attributes:
        name: what problems and figures call it.
        envelope: how frames are cut.
        messages: kinds of frame, by name.
        requests: what is sent in a cycle, one after the other; empty for a device that sends by itself.
        interval: microseconds from the start of one cycle to that of the next.
        response_timeout: microseconds that an answer may take.
        pause: microseconds between an answer and the next request, at the least.
        assemble_within: microseconds over which parts of one row may come.

    """

    name: str
    envelope: Envelope
    messages: Mapping[str, Message]
    requests: tuple[Request, ...] = ()
    interval: int = 1_000_000
    response_timeout: int = 500_000
    pause: int = 0
    assemble_within: int = 1_000_000
    groups: Mapping[str, tuple[str, ...]] = field(init=False)
    """The signals of each group, in the order of the map."""

    def __post_init__(self) -> None:
        groups: dict[str, tuple[str, ...]] = {}
        for message in self.messages.values():
            if message.signals:
                groups[message.group] = groups.get(message.group, ()) + message.signals
        object.__setattr__(self, "groups", groups)
