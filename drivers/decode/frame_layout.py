"""What a frame map states, as data: how frames are told apart and read, and what is asked for.

Bytes of a frame are counted from 0 at its first start byte, after escapes have been undone; -1 is its last byte.
Pure, and found good by :mod:`.frame_map` before anything here is constructed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from telemetry.model.kinds import count
from telemetry.model.tables import Table

from .cut_layout import PROTOCOL, ByteOrder, Envelope

NumberType = Literal["unsigned", "signed", "sign-magnitude", "float", "bcd"]


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


@dataclass(frozen=True, kw_only=True)
class FirstRepeat(Table):
    """Where a frame says which repeat comes first: number = the byte there * ``times`` + ``add``, from 1."""

    byte: int = count(0, 65535, "the byte that gives it", PROTOCOL, 4, required=True)
    times: int = count(1, 255, "repeats that a count of 1 there skips", PROTOCOL, 3, default=1)
    add: int = count(-255, 998, "what is added to that", PROTOCOL, 1, default=0)
    most: int = count(1, 998, "the highest number that the device has", PROTOCOL, 24, required=True)


@dataclass(frozen=True, kw_only=True)
class Direction(Table):
    """The bit of a frame that says which way a number counts; one of value ``negative`` turns its sign."""

    byte: int = count(0, 65535, "the byte that it is in", PROTOCOL, 10, required=True)
    bit: int = count(0, 7, "the bit, counted from the lowest, 0", PROTOCOL, 3, default=0)
    negative: int = count(0, 1, "its value where the number is negative", PROTOCOL, 1, default=1)

    def sign(self, frame: bytes) -> int:
        """Return 1 or -1."""
        return -1 if frame[self.byte] >> self.bit & 1 == self.negative else 1


@dataclass(frozen=True)
class FrameField:
    """Where in a frame the readings of one signal, or of several of a kind in a row, stand.

    The number is that of ``size`` bytes from ``byte`` on in ``order``, shifted right by ``bit``, its lowest ``width``
    bits; value = number * scale + offset.

    Attributes:
        signals: one name, or one for each repeat, in order.
        byte: place of the first byte; negative counts from the frame's end.
        bit: place of its least significant bit, counted from that of the least significant byte.
        width: bits, 1 to 64.
        order: byte order.
        number: how the bits are a number.
        scale, offset: to the signal's unit.
        unknown: bit patterns, from and up to, that mean "no reading".
        step: bytes from one repeat to the next.
        count_byte: place of a byte that says how many repeats the frame holds; None where always all.
        words_swapped: its 16-bit words come low one first, whatever the order of the bytes within each.
        packed: repeats follow one another bit by bit, from the first byte's lowest bit in ``little`` order, from its
            highest in ``big``.
        first: where the frame says which repeat comes first; None for always the first of all.
        repeats: how many one frame holds; 0 for all.
        direction: which bit turns its sign; None where none does.
        points: pairs of number and value in place of ``scale`` and ``offset``: a line through two; a table of more,
            outside which there is no reading.
        meanings: what some numbers mean, in words.

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
    words_swapped: bool = False
    packed: bool = False
    first: FirstRepeat | None = None
    repeats: int = 0
    direction: Direction | None = None
    points: tuple[tuple[float, float], ...] = ()
    meanings: Mapping[int, str] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """Bytes that one reading reaches over."""
        return (self.bit + self.width + 7) // 8

    @property
    def in_frame(self) -> int:
        """How many repeats a frame holds at the most."""
        return self.repeats or len(self.signals)

    def present(self, frame: bytes) -> int:
        """Return how many repeats ``frame`` holds, by its count where it bears one."""
        return self.in_frame if self.count_byte is None else min(frame[self.count_byte], self.in_frame)

    def skipped(self, frame: bytes) -> int:
        """Return how many of the signals come before the first that ``frame`` holds; below 0 where it says so."""
        return 0 if self.first is None else frame[self.first.byte] * self.first.times + self.first.add - 1

    def place(self, repeat: int) -> tuple[int, int, int]:
        """Return where a repeat stands: byte, bit within its bytes, number of bytes."""
        if not self.packed:
            return self.byte + repeat * self.step, self.bit, self.size
        before, lead = divmod(repeat * self.width, 8)
        size = (lead + self.width + 7) // 8
        return self.byte + before, lead if self.order == "little" else 8 * size - lead - self.width, size

    def end_of(self, repeats: int) -> int:
        """Return the place after the last byte of so many repeats, at least one."""
        at, _, size = self.place(repeats - 1)
        return at + size

    @property
    def end(self) -> int:
        """Place after the last byte, from the frame's start, that any frame must hold for it."""
        ends = [0 if self.byte < 0 or self.count_byte is not None else self.end_of(self.in_frame)]
        ends += [] if self.count_byte is None else [self.count_byte + 1]
        ends += [each.byte + 1 for each in (self.first, self.direction) if each is not None]
        return max(ends)


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
    def is_paged(self) -> bool:
        """Whether a row comes in several frames of this kind, each with other repeats."""
        return any(each.first is not None for each in self.fields)

    @property
    def head(self) -> int:
        """Bytes that must be there before the conditions can be tried."""
        return max((condition.end for condition in self.conditions), default=0)

    @property
    def needed(self) -> int:
        """Bytes from the frame's start that its conditions and fields reach over."""
        return max([self.head, *(max(each.end, -each.byte) for each in self.fields)], default=0)


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

    @property
    def always(self) -> tuple[str, ...]:
        """The signals that must come sooner or later; of repeats that a frame counts, only the first."""
        fields = [each for message in self.messages.values() for each in message.fields]
        return tuple(s for each in fields for s in each.signals[: None if each.count_byte is None else 1])
