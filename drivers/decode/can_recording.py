"""A log of CAN frames as a recording: decoded on the way, in spans of whole instants."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import islice

import numpy as np

from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, merged
from telemetry.model.errors import InputError, RecordingError
from telemetry.model.recording import TimeBasis

from .can_batches import CanBatches
from .can_frames import CanFrame
from .can_standards import ReadMessage

FRAMES_AT_ONCE = 1024
_EARLIEST_WALL_TIME = 978_307_200 * MICROSECONDS  # 2001: logs that count from their start are never so long
_BACK_AT_MOST = 1 * MICROSECONDS


class CanRecording:
    """The readings of a log; a :class:`telemetry.model.recording.Recording`.

    Frames whose time is a little before that of the one ahead (two channels in one log) take that one's time.

    Args:
        name: the file's name.
        frames: gives the log's frames from the beginning, each time it is called.
        messages: what is read.
        limit_us: how long a row over several messages may stay open, microseconds.
        source: the source's name in the groups.

    Raises:
        RecordingError: the log holds no frame, or cannot be read from its beginning.

    """

    def __init__(
        self,
        name: str,
        frames: Callable[[], Iterator[CanFrame]],
        messages: list[ReadMessage],
        limit_us: int,
        source: str = "recording",
    ) -> None:
        self.name = name
        self.machine_text: str | None = None
        self._frames = frames
        self._messages = messages
        self._limit_us = limit_us
        self._source = source
        self._notes: tuple[str, ...] = ()
        try:
            first = next(frames(), None)
        except InputError as error:
            raise RecordingError(str(error)) from error
        if first is None:
            raise RecordingError(f"{name} holds no data frame; record it again with the bus running")
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

        """
        batches, held = self._batches(), _Held()
        ordered = _Ordered(self.name)
        mistake: RecordingError | None = None
        frames = self._frames()
        while True:
            piece: list[CanFrame] = []
            try:
                ordered.check(islice(frames, FRAMES_AT_ONCE), piece)
            except InputError as error:
                mistake = error if isinstance(error, RecordingError) else RecordingError(str(error))
            batches.feed(piece)
            batches.close_due(ordered.last)
            held.take(batches.taken())
            if len(piece) < FRAMES_AT_ONCE:
                break
            # A row that is still open may bear a time as early as this.
            yield from held.before(ordered.last - self._limit_us, rows)
        batches.close_due(ordered.last + self._limit_us + 1)
        held.take(batches.taken())
        yield from held.before(np.iinfo(np.int64).max, 1)
        figures = batches.figures
        self._notes = tuple(ordered.notes())
        if figures.understood == 0 and mistake is None:
            self._notes += (f"{self.name}: none of its {figures.frames} frames is a message that is read",)
        if mistake is not None:
            raise mistake

    def _batches(self) -> CanBatches:
        return CanBatches(self._source, self._messages, self._limit_us)


class _Ordered:
    """Sees to it that time does not go back."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._moved = 0
        self._count = 0
        self.last = np.iinfo(np.int64).min // 2

    def check(self, frames: Iterator[CanFrame], done: list[CanFrame]) -> None:
        """Append the frames to ``done``; when an error ends them, those before it are there."""
        for frame in frames:
            self._count += 1
            if frame.arrival < self.last:
                if self.last - frame.arrival > _BACK_AT_MOST:
                    raise RecordingError(
                        f"{self._name}, frame {self._count}: time goes back by "
                        f"{(self.last - frame.arrival) / MICROSECONDS:g} s; cut the file in two here"
                    )
                self._moved += 1
                frame = frame._replace(arrival=self.last)
            self.last = frame.arrival
            done.append(frame)

    def notes(self) -> Iterator[str]:
        if self._moved:
            yield f"{self._name}: {self._moved} frames bore a time before the frame ahead, and were given its time"


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
