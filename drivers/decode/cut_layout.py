"""How a frame map says that frames are cut out of a stream of bytes, as data. Pure.

Bytes of a frame are counted from 0 at its first start byte, after escapes have been undone; -1 is its last byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from .checksums import Checksum

PROTOCOL = "the device's protocol"
"""Where an owner finds most of what a frame map states."""
ByteOrder = Literal["big", "little"]


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
        of_characters: in a frame sent as hexadecimal characters, it covers these, capital ones, and not the bytes.

    """

    checksum: Checksum
    byte: int
    first: int
    last: int
    order: ByteOrder
    of_characters: bool = False

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
        return self.of(frame[first:stop]) == int.from_bytes(frame[at : at + self.size], self.order)

    def of(self, covered: bytes) -> int:
        """Return the checksum of the bytes that it covers."""
        return self.checksum.of(covered.hex().upper().encode() if self.of_characters else covered)

    def put(self, frame: bytearray) -> None:
        """Write the checksum of ``frame`` into it."""
        at, first, stop = self.span(len(frame))
        frame[at : at + self.size] = self.of(bytes(frame[first:stop])).to_bytes(self.size, self.order)


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
        longest: bytes of the longest frame; anything that claims to be longer is not a frame.
        checksum: None where frames bear none.
        escape: None where no byte is escaped.
        hexadecimal: everything between start and end is sent as two hexadecimal characters a byte.
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
    hexadecimal: bool = False

    @property
    def trailer(self) -> int:
        """Bytes at the frame's end that are no fields': the checksum, where it stands there, and the end bytes."""
        if self.checksum is None or self.checksum.byte >= 0:
            return len(self.end)
        return max(len(self.end), -self.checksum.byte)
