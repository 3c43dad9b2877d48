"""From bytes to batches by a frame map: cut, check, tell apart, read, assemble. Pure.

One decoder serves one opening of a link, whatever carries the bytes::

    decoder = FrameDecoder(frame_map, "pack")
    decoder.asked(request)                 before each request of the map is sent, where it has any
    batches = decoder.feed(data, arrival)  bytes as they come, in any pieces
    decoder.answered                       whether all that answers the last request has come
    batches = decoder.overdue()            the last request's answer has not come in time
    batches = decoder.cycle_over()         every request of a cycle is answered or overdue
    decoder.restart()                      bytes have been lost: what comes does not follow on

Parts of one group that come in several frames make one row. It is given out once every kind of frame of the group
has come; else when a kind comes again, when it has waited for ``assemble_within``, or when the cycle is over, with
NaN for what has not come. Its time is the arrival of the last part.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from telemetry.model.batch import Batch, Group

from .cut_layout import LengthField
from .frame_cutter import BAD, WAIT, FrameCutter
from .frame_layout import FrameMap, Message, Request
from .frame_reader import MessageReader
from .row_assembly import FrameRows

NO_MESSAGE = "no message for it"
SEVERAL_MESSAGES = "several messages fit"
TOO_SHORT = "shorter than its fields"


@dataclass(frozen=True, slots=True)
class FrameFigures:
    """What became of the bytes so far.

    Attributes:
        bytes: bytes fed.
        frames: good frames that were read, by message.
        rows: rows given out.
        bad: what looked like a frame and was none, by reason.
        unread: good frames that the map says nothing of, by reason.
        bytes_passed_over: bytes that belong to no good frame.
        overdue: requests that were not answered in time.
        incomplete_rows: rows given out before all their parts had come.

    """

    bytes: int
    frames: Counter[str]
    rows: int
    bad: Counter[str]
    unread: Counter[str]
    bytes_passed_over: int
    overdue: int
    incomplete_rows: int

    @property
    def seen(self) -> str:
        """What came, in words: frames by message, and what could not be read, by reason."""
        return ", ".join(f"{what} ({count})" for what, count in (self.frames + self.unread + self.bad).most_common(4))

    def nothing_read(self, key: str) -> str:
        """Return what was heard where no row came of it; empty where one did. ``key`` is a setting to check."""
        if self.rows or not self.bytes:
            return ""
        reasons = (self.bad + self.unread).most_common(3)
        shown = ", ".join(f"{reason}: {count}" for reason, count in reasons) or "no start of a frame"
        return f"none of {self.bytes} bytes could be decoded ({shown}); check {key} and the frame map"


@dataclass(frozen=True, slots=True)
class Finding:
    """What became of one frame, or of what looked like one.

    Attributes:
        frame: its bytes, escapes undone.
        arrival: when its last byte came; None for what was no frame.
        message: the kind that it is; None where it is none that could be read.
        why_not: why it was not read; empty where it was.
        values: what was read, one for each of the message's signals.
        passed_over: bytes of the stream so far that belong to no good frame.

    """

    frame: bytes
    arrival: int | None = None
    message: Message | None = None
    why_not: str = ""
    values: tuple[float, ...] = ()
    passed_over: int = 0


class FrameDecoder:
    """Decodes one stream; see the module's docstring.

    Args:
        frame_map: what the bytes mean.
        source: the source's name; goes into each group.
        note: is told of every frame, and of everything that looked like one, as it is found.

    """

    def __init__(self, frame_map: FrameMap, source: str, note: Callable[[Finding], None] | None = None) -> None:
        self._note = note
        self._map = frame_map
        messages = list(frame_map.messages.values())
        length = frame_map.envelope.length
        head = max([message.head for message in messages], default=0)
        if isinstance(length, LengthField):
            head = max(head, length.end)
        self._cutter = FrameCutter(
            frame_map.envelope,
            self._length_of,
            head,
            joins_midway=not frame_map.requests,
            note_bad=None if note is None else lambda why, data: note(Finding(data, why_not=why)),
        )
        trailer = frame_map.envelope.trailer
        self._readers = {message.name: MessageReader(message, trailer) for message in messages}
        self._assemblies: dict[str, FrameRows] = {}
        self._places: dict[str, list[int]] = {}
        for name, signals in frame_map.groups.items():
            parts = [message for message in messages if message.group == name and message.signals]
            group = Group(source, name, signals)
            self._assemblies[name] = FrameRows(group, parts, frame_map.assemble_within, spaced=not frame_map.requests)
            places = {signal: place for place, signal in enumerate(signals)}
            for message in parts:
                self._places[message.name] = [places[signal] for signal in message.signals]
        self._request: Request | None = None
        self._missing: set[str] = set()
        self.answered = False
        self._bytes = self._rows = self._overdue = 0
        self._frames: Counter[str] = Counter()
        self._unread: Counter[str] = Counter()

    @property
    def figures(self) -> FrameFigures:
        """What became of the bytes so far."""
        return FrameFigures(
            self._bytes,
            Counter(self._frames),
            self._rows,
            Counter(self._cutter.bad),
            Counter(self._unread),
            self._cutter.bytes_passed_over,
            self._overdue,
            sum(assembly.incomplete for assembly in self._assemblies.values()),
        )

    def asked(self, request: Request) -> None:
        """Take note that ``request`` is being sent: the next frames may answer it."""
        self._request = request
        self._missing = set(request.answers)
        self.answered = False

    def feed(self, data: bytes, arrival: int) -> list[Batch]:
        """Return the rows that ``data`` completes, at most one batch a group.

        Args:
            data: the next bytes of the stream.
            arrival: when they came, microseconds since the Unix epoch; never before an earlier call's.

        """
        self._bytes += len(data)
        self._take(self._cutter.feed(data, arrival))
        for assembly in self._assemblies.values():
            assembly.close_due(arrival)
        return self._batches()

    def overdue(self) -> list[Batch]:
        """Give up waiting for the answer to the last request; return the rows found in what has come of it."""
        self._take(self._cutter.flush())
        if self._request is not None and not self.answered:
            self._overdue += 1
        self._request = None
        return self._batches()

    def cycle_over(self) -> list[Batch]:
        """Return the rows that this cycle leaves unfinished, with NaN for what has not come."""
        for assembly in self._assemblies.values():
            assembly.close()
        return self._batches()

    def restart(self) -> None:
        """Take it that bytes have been lost: the next do not follow on."""
        self._cutter.restart()

    def message_of(self, frame: bytes) -> Message | str:
        """Return which message a good frame is, or why none can be told."""
        fitting = [m for m in self._map.messages.values() if self._is(m, frame)]
        if len(fitting) > 1 and self._request is not None:
            fitting = [m for m in fitting if m.name in self._request.answers]
        if len(fitting) != 1:
            return SEVERAL_MESSAGES if fitting else NO_MESSAGE
        (message,) = fitting
        return message if self._readers[message.name].fits(frame) else TOO_SHORT

    def _is(self, message: Message, frame: bytes) -> bool:
        return (
            len(frame) >= message.head
            and (message.length is None or len(frame) == message.length)
            and all(condition.holds(frame) for condition in message.conditions)
        )

    def _length_of(self, head: bytes) -> int:
        length = self._map.envelope.length
        if isinstance(length, int):
            return length
        if length is not None:
            if len(head) < length.end:
                return WAIT
            whole = length.whole(head)
            return whole if whole >= length.end else BAD
        waits = False
        for message in self._fit_so_far(head):
            if len(head) >= message.head:
                return message.length or BAD
            waits = True
        return WAIT if waits else BAD

    def _fit_so_far(self, head: bytes) -> list[Message]:
        """Return the messages that a frame beginning with ``head`` may be; by the request where that decides."""
        fitting = [
            message
            for message in self._map.messages.values()
            if all(len(head) < each.end or each.holds(head) for each in message.conditions)
        ]
        if len(fitting) > 1 and self._request is not None:
            asked = [message for message in fitting if message.name in self._request.answers]
            return asked or fitting
        return fitting

    def _take(self, frames: Sequence[tuple[bytes, int]]) -> None:
        for frame, arrival in frames:
            message = self.message_of(frame)
            if isinstance(message, str):
                self._unread[message] += 1
                self._tell(Finding(frame, arrival, why_not=message, passed_over=self._cutter.bytes_passed_over))
                continue
            self._frames[message.name] += 1
            if self._request is not None:
                self._missing.discard(message.name)
                self.answered = self.answered or not self._missing
            reader = self._readers[message.name]
            values = reader.read(frame)
            self._tell(Finding(frame, arrival, message, "", tuple(values), self._cutter.bytes_passed_over))
            if message.signals:
                places = self._places[message.name]
                self._assemblies[message.group].take(message, places, values, arrival, reader.page(frame))

    def _tell(self, finding: Finding) -> None:
        if self._note is not None:
            self._note(finding)

    def _batches(self) -> list[Batch]:
        batches = [batch for each in self._assemblies.values() if (batch := each.taken()) is not None]
        self._rows += sum(len(batch) for batch in batches)
        return batches
