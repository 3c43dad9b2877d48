"""A log of CAN frames as a recording: decoded on the way, in spans of whole instants."""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Iterator
from itertools import islice
from operator import attrgetter
from typing import Protocol

import numpy as np

from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, merged
from telemetry.model.errors import InputError, NothingReadable, RecordingError
from telemetry.model.recording import TimeBasis

from .can_batches import CanBatches
from .can_frames import CanFrame
from .can_standards import ReadMessage

WINDOW_US = 10 * MICROSECONDS
"""So late a frame may come and still find its place; as late as a row of a table by another logger. Ours."""
_TIME = attrgetter("arrival")
FRAMES_AT_ONCE = 1024
_EARLIEST_WALL_TIME = 978_307_200 * MICROSECONDS  # 2001: logs that count from their start are never so long


class CanLog(Protocol):
    """What a recording needs of a log."""

    @property
    def odd(self) -> int:
        """Lines passed over by the last reading."""
        ...

    @property
    def first_odd(self) -> str:
        """The first of them."""
        ...

    def frames(self) -> Iterator[CanFrame]:
        """Give the data frames from the beginning; InputError for a mistake further down."""
        ...


class CanRecording:
    """The readings of a log; a :class:`telemetry.model.recording.Recording`.

    Args:
        name: the file's name.
        log: gives the log's frames.
        messages: what is read.
        limit_us: how long a row over several messages may stay open, microseconds.
        source: the source's name in the groups.

    Raises:
        RecordingError: the log holds no frame, or cannot be read from its beginning.

    """

    def __init__(
        self, name: str, log: CanLog, messages: list[ReadMessage], limit_us: int, source: str = "recording"
    ) -> None:
        self.name = name
        self.machine_text: str | None = None
        self._log = log
        self._messages = messages
        self._limit_us = limit_us
        self._source = source
        self._notes: tuple[str, ...] = ()
        try:
            first = next(iter(InOrder(name, log.frames())), None)
        except InputError as error:
            raise RecordingError(str(error)) from error
        if first is None:
            odd = f" ({log.odd} odd lines, the first is {log.first_odd})" if log.odd else ""
            raise RecordingError(f"{name} holds no data frame{odd}; record it again with the bus running")
        self.time_basis: TimeBasis = "absolute" if first.arrival >= _EARLIEST_WALL_TIME else "relative"
        self.start = first.arrival if self.time_basis == "absolute" else 0
        self.groups: tuple[Group, ...] = self._batches().groups

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the user should know; complete once :meth:`spans` has been read to its end."""
        return self._notes

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """Read from the beginning; see :class:`telemetry.model.recording.Recording`.

        Raises:
            RecordingError: a mistake further down in the log; everything before it has been given out.
            NothingReadable: no frame of it is a message that is read.

        """
        batches, held = self._batches(), _Held()
        ordered = InOrder(self.name, self._log.frames())
        mistake: RecordingError | None = None
        frames, last = iter(ordered), 0
        while True:
            piece: list[CanFrame] = []
            try:
                for frame in islice(frames, FRAMES_AT_ONCE):
                    piece.append(frame)  # noqa: PERF402 - when an error ends them, those before it are there
            except InputError as error:
                mistake = error if isinstance(error, RecordingError) else RecordingError(str(error))
            if piece:
                last = piece[-1].arrival
            batches.feed(piece)
            batches.close_due(last)
            held.take(batches.taken())
            if len(piece) < FRAMES_AT_ONCE:
                break
            # A row that is still open may bear a time as early as this.
            yield from held.before(last - self._limit_us, rows)
        batches.close_due(last + self._limit_us + 1)
        held.take(batches.taken())
        yield from held.before(np.iinfo(np.int64).max, 1)
        self._notes = tuple(self._said(ordered))
        if mistake is not None:
            raise mistake
        if heard := batches.nothing_read():
            raise NothingReadable(f"{self.name}: {heard}")

    def _said(self, ordered: InOrder) -> Iterator[str]:
        if self._log.odd:
            yield f"{self.name}: {self._log.odd} odd lines were passed over, the first is {self._log.first_odd}"
        if ordered.moved:
            yield f"{self.name}: {ordered.moved} frames came after later ones and were sorted in"
        if ordered.strayed:
            yield f"{self.name}: {ordered.strayed} frames whose time is far from all others were left out"

    def _batches(self) -> CanBatches:
        return CanBatches(self._source, self._messages, self._limit_us)


class _Held:
    """Rows that are complete but may still be joined by earlier ones of other groups."""

    def __init__(self) -> None:
        self._batches: dict[tuple[str, str], list[Batch]] = {}
        self._count = 0

    def take(self, batches: list[Batch]) -> None:
        for batch in batches:
            self._batches.setdefault(batch.group.key, []).append(batch)
            self._count += len(batch)

    def before(self, t: int, rows: int) -> Iterator[Span]:
        """Give one span of all rows before ``t``, once there are ``rows``."""
        if self._count < max(rows, 1):
            return
        given, kept = [], {}
        for key, pieces in self._batches.items():
            whole = merged(pieces)
            stop = int(np.searchsorted(whole.t, t, side="left"))
            if stop:
                given.append(whole.rows(0, stop))
            if stop < len(whole):
                kept[key] = [whole.rows(stop, len(whole))]
        self._batches = kept
        self._count -= sum(len(batch) for batch in given)
        if given:
            yield Span(max(int(batch.t[-1]) for batch in given), tuple(given))


class InOrder:
    """Gives frames sorted by their times.

    A time further from the others than the window, back or ahead, counts once the next frame confirms it: a single
    one is a slip of the writing, and its frame is left out.

    Args:
        name: of the log, for messages.
        frames: as they stand in it.

    Attributes:
        moved: frames that stood behind later ones.
        strayed: frames left out.

    """

    def __init__(self, name: str, frames: Iterator[CanFrame]) -> None:
        self._name, self._frames = name, frames
        self.moved = self.strayed = 0

    def __iter__(self) -> Iterator[CanFrame]:
        """Give the frames.

        Raises:
            RecordingError: time goes back by more than the window; every frame before has been given.

        """
        held: deque[CanFrame] = deque()
        newest: int | None = None
        doubted: CanFrame | None = None
        mistake: Exception | None = None
        try:
            for number, frame in enumerate(self._frames, 1):
                if newest is not None and abs(frame.arrival - newest) > WINDOW_US:
                    if doubted is None or not _confirms(frame, doubted, newest):
                        self.strayed += doubted is not None
                        doubted = frame
                        continue
                    if frame.arrival < newest:
                        raise RecordingError(
                            f"{self._name}, frame {number - 1}: time goes back by "
                            f"{(newest - doubted.arrival) / MICROSECONDS:g} s; cut the file in two here"
                        )
                    self._put(held, doubted)
                elif doubted is not None:
                    self.strayed += 1
                doubted = None
                self._put(held, frame)
                newest = held[-1].arrival
                while held[0].arrival < newest - WINDOW_US:
                    yield held.popleft()
        except Exception as error:  # what came before it is given first
            mistake = error
        if doubted is not None and mistake is None and held and doubted.arrival > held[-1].arrival:
            held.append(doubted)  # nothing follows that could contradict the last
        elif doubted is not None:
            self.strayed += 1
        yield from held
        if mistake is not None:
            raise mistake

    def _put(self, held: deque[CanFrame], frame: CanFrame) -> None:
        if not held or frame.arrival >= held[-1].arrival:
            held.append(frame)
        else:
            self.moved += 1
            insort(held, frame, key=_TIME)


def _confirms(frame: CanFrame, doubted: CanFrame, newest: int) -> bool:
    """Return whether the frame after one that leapt says that time did; after a break frames may be far apart."""
    after = frame.arrival - doubted.arrival
    return after >= -WINDOW_US and (doubted.arrival > newest or after <= WINDOW_US)
