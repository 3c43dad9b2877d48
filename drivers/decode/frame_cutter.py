"""Cuts frames out of a stream of bytes, and finds the next good one after noise. Pure.

Two ways, by what the map states:

* **measured**: from a start, the frame's length is fixed or stands in the frame. What turns out to be no frame is
  left byte by byte, so that a good frame inside what only looked like one is found;
* **delimited**: from a start to the end bytes, escapes undone.

Every byte is looked at once, and again at most for each start mark within one frame's length before it, so the work
grows with the number of bytes and not with its square. Never more is kept than the longest frame.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable

from .cut_layout import Envelope, Escape

BAD_LENGTH = "length"
BAD_START = "start bytes"
BAD_END = "end bytes"
BAD_CHECKSUM = "checksum"
BAD_ESCAPE = "escape"
BAD_HEXADECIMAL = "not hexadecimal"
TOO_LONG = "no end within the longest frame"
CUT_SHORT = "cut short"

WAIT, BAD = 0, -1

LengthOf = Callable[[bytes], int]
"""Given the first bytes of a frame: its whole length, :data:`WAIT` for more bytes, :data:`BAD` for no such frame."""

Cut = tuple[bytes, int]
"""A frame with its escapes undone, and the place in the buffer after it."""


NoteBad = Callable[[str, bytes], None]
"""Takes why something is no frame, and its bytes as far as they are known."""


class FrameCutter:
    """Finds the frames of one stream.

    Args:
        envelope: how they are cut.
        length_of: for a measured frame, its length from its first bytes.
        head: how many of its first bytes ``length_of`` looks at, at the most.
        joins_midway: whether the stream may begin in the middle of a frame.
        note_bad: is told of each thing that looked like a frame and was none.

    Attributes:
        bad: what looked like a frame and was none, by reason.

    """

    def __init__(
        self,
        envelope: Envelope,
        length_of: LengthOf,
        head: int,
        joins_midway: bool = True,
        note_bad: NoteBad | None = None,
    ) -> None:
        self._note_bad = note_bad
        self._envelope = envelope
        self._length_of = length_of
        self._head = max(head, len(envelope.start), 1)
        self._delimited = (
            envelope.escape is not None or envelope.hexadecimal or (envelope.length is None and bool(envelope.end))
        )
        self._longest_sent = envelope.longest * (2 if envelope.escape is not None or envelope.hexadecimal else 1)
        # Without start bytes and without a checksum nothing else tells the rest of a frame from a whole one.
        self._drops_first = not envelope.start and envelope.checksum is None
        self._mid_frame = self._drops_first and joins_midway
        self._buffer = bytearray()
        self._began = 0  # place of the buffer's first byte in the stream
        self._scanned = 0  # in the buffer; no end bytes begin before
        self._marks: deque[tuple[int, int]] = deque()  # (place in the stream after a piece, its arrival)
        self._latest: int | None = None
        self._good = 0  # bytes of good frames; those that two of them share, once
        self._good_to = 0  # place in the stream after the last good frame
        self.bad: Counter[str] = Counter()

    @property
    def held(self) -> int:
        """Bytes that wait for the rest of their frame."""
        return len(self._buffer)

    @property
    def bytes_passed_over(self) -> int:
        """Bytes dealt with that belong to no good frame."""
        return max(self._began - self._good, 0)

    def feed(self, data: bytes, arrival: int) -> list[tuple[bytes, int]]:
        """Return each frame that ``data`` completes, with the arrival of its last byte, in order."""
        if self._envelope.one_per_piece:
            self._began += len(data)
            if not self._is_good(data):
                return []
            self._good += len(data)
            return [(data, arrival)]
        if not data:
            return []
        gap, before = self._envelope.gap, self._latest
        self._latest = arrival
        frames = self.flush() if gap is not None and before is not None and arrival - before > gap else []
        self._buffer += data
        self._marks.append((self._began + len(self._buffer), arrival))
        return frames + self._cut(at_end=False)

    def flush(self) -> list[tuple[bytes, int]]:
        """Return the frames in what is held, taking it that nothing more belongs to it, and hold nothing."""
        frames = self._cut(at_end=True)
        self._clear()
        return frames

    def restart(self) -> None:
        """Forget what is held: what comes does not follow on."""
        self._clear()
        self._mid_frame = self._drops_first

    def _clear(self) -> None:
        self._drop(len(self._buffer))
        self._marks.clear()

    def _cut(self, at_end: bool) -> list[tuple[bytes, int]]:
        found, done = self._cut_delimited() if self._delimited else self._cut_measured(at_end)
        frames = [(frame, self._arrival_at(self._began + stop)) for frame, stop in found]
        self._drop(done)
        return frames

    def _arrival_at(self, stop: int) -> int:
        """Return when the byte before ``stop``, a place in the stream, arrived."""
        while self._marks[0][0] < stop:
            self._marks.popleft()
        return self._marks[0][1]

    def _drop(self, count: int) -> None:
        del self._buffer[:count]
        self._began += count
        self._scanned = max(self._scanned - count, 0)
        while self._marks and self._marks[0][0] <= self._began:
            self._marks.popleft()

    def _cut_measured(self, at_end: bool) -> tuple[list[Cut], int]:
        """Return the frames, and how much of the buffer is done with."""
        start, buffer = self._envelope.start, self._buffer
        found: list[Cut] = []
        at = 0
        while at < len(buffer):
            if start and (at := _next_mark(buffer, start, at)) == len(buffer):
                break
            length = self._measure(at)
            if length > 0:
                self._note_good(at, at + length)
                found.append((bytes(buffer[at : at + length]), at + length))
                at += length
            elif length == WAIT and not at_end:
                break
            else:
                at += 1
        return found, at

    def _note_good(self, at: int, stop: int) -> None:
        """Count the bytes of a good frame, given by its places in the buffer."""
        self._good += self._began + stop - max(self._began + at, self._good_to)
        self._good_to = self._began + stop

    def _measure(self, at: int) -> int:
        """Return the length of the good frame at ``at``; WAIT or BAD where there is none."""
        head = bytes(self._buffer[at : at + self._head])
        if len(head) < len(self._envelope.start):
            return WAIT
        length = self._length_of(head)
        if length == WAIT:
            return WAIT
        if length < 0 or length > self._envelope.longest:
            if self._envelope.start:
                self._count_bad(BAD_LENGTH, head)
            return BAD
        if len(self._buffer) - at < length:
            return WAIT
        return length if self._is_good(bytes(self._buffer[at : at + length])) else BAD

    def _cut_delimited(self) -> tuple[list[Cut], int]:
        """Return the frames, and how much of the buffer is done with."""
        start, end, buffer = self._envelope.start, self._envelope.end, self._buffer
        found: list[Cut] = []
        at = 0
        while at < len(buffer):
            if start and (at := _next_mark(buffer, start, at)) == len(buffer):
                break
            stop = buffer.find(end, max(at + len(start), self._scanned))
            if stop < 0:
                self._scanned = max(self._scanned, len(buffer) - len(end) + 1)
                if len(buffer) - at <= self._longest_sent:
                    break
                self._count_bad(TOO_LONG, bytes(buffer[at:]))
                self._mid_frame = self._mid_frame or not start
                at = at + 1 if start else len(buffer)
                continue
            self._scanned = max(self._scanned, stop)
            frame, following = self._delimited_frame(at, stop)
            if frame is not None:
                self._note_good(at, stop + len(end))
                found.append((frame, stop + len(end)))
            at = following
        return found, at

    def _delimited_frame(self, at: int, stop: int) -> tuple[bytes | None, int]:
        """Return the frame from ``at`` to the end bytes at ``stop``, if it is good, and where to look on."""
        start, end, escape = self._envelope.start, self._envelope.end, self._envelope.escape
        after = stop if start == end else stop + len(end)
        # Where no escape keeps the start bytes out of a frame, a frame may begin within what is found to be none.
        coded = escape is not None or self._envelope.hexadecimal
        after_bad = after if coded or not start or start == end else at + 1
        body = bytes(self._buffer[at + len(start) : stop])
        if self._mid_frame:
            self._mid_frame = False
            return None, after
        if not body and (start == end or not start):
            return None, after  # two frames share no end bytes, or idle ones stand between
        if stop - at > self._longest_sent:
            self._count_bad(TOO_LONG, start + body + end)
            return None, after_bad
        if coded:
            begun_again = body.rfind(start) if start else -1
            if begun_again >= 0:
                self._count_bad(CUT_SHORT, start + body[:begun_again])
                return None, at + len(start) + begun_again
            undone = undo_hexadecimal(body) if escape is None else undo_escapes(body, escape)
            if undone is None:
                reason = BAD_HEXADECIMAL if escape is None else BAD_ESCAPE
                self._count_bad(reason, start + body + end)
                return None, after_bad
            body = undone
        frame = start + body + end
        return (frame, after) if self._is_good(frame) else (None, after_bad)

    def _is_good(self, frame: bytes) -> bool:
        """Tell whether a whole frame is one; count why not."""
        envelope = self._envelope
        reason = None
        if not frame.startswith(envelope.start):
            reason = BAD_START
        elif not frame.endswith(envelope.end) or len(frame) < len(envelope.start) + len(envelope.end):
            reason = BAD_END
        elif not self._is_as_long_as_stated(frame):
            reason = BAD_LENGTH
        elif envelope.checksum is not None and not envelope.checksum.fits(frame):
            reason = BAD_CHECKSUM
        if reason is not None:
            self._count_bad(reason, frame)
        return reason is None

    def _count_bad(self, reason: str, data: bytes) -> None:
        self.bad[reason] += 1
        if self._note_bad is not None:
            self._note_bad(reason, data)

    def _is_as_long_as_stated(self, frame: bytes) -> bool:
        length = self._envelope.length
        if length is None:
            return len(frame) <= self._envelope.longest
        if isinstance(length, int):
            return len(frame) == length
        return len(frame) >= length.end and length.whole(frame) == len(frame)


def undo_escapes(body: bytes, escape: Escape) -> bytes | None:
    """Return ``body`` as it was before it was escaped; None where no sender would have made it so."""
    first, *others = body.split(bytes([escape.byte]))
    if not others:
        return body
    meant = {sent: byte for byte, sent in escape.sent_as.items()}
    if not all(part and part[0] in meant for part in others):
        return None
    return first + b"".join(bytes([meant[part[0]]]) + part[1:] for part in others)


def undo_hexadecimal(body: bytes) -> bytes | None:
    """Return the bytes that ``body`` spells, two hexadecimal characters each; None where it spells none."""
    try:
        return bytes.fromhex(body.decode("ascii")) if not any(each in b" \t\r\n\v\f" for each in body) else None
    except ValueError:
        return None


def do_escapes(body: bytes, escape: Escape) -> bytes:
    """Return ``body`` as it is sent."""
    return b"".join(
        bytes([escape.byte, escape.sent_as[byte]]) if byte in escape.sent_as else bytes([byte]) for byte in body
    )


def _next_mark(buffer: bytearray, mark: bytes, at: int) -> int:
    """Return where ``mark`` next begins, or where it may begin once more bytes come, or the buffer's end."""
    found = buffer.find(mark, at)
    if found >= 0:
        return found
    for place in range(max(at, len(buffer) - len(mark) + 1), len(buffer)):
        if mark.startswith(bytes(buffer[place:])):
            return place
    return len(buffer)
