"""What recordings in files have in common: rows in, whole instants in spans out, order checked on the way."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from telemetry.model.batch import Batch, Group, Span, Times, Values
from telemetry.model.errors import RecordingError, printable
from telemetry.model.events import Mark
from telemetry.model.recording import TimeBasis
from telemetry.recordings.columns import Columns
from telemetry.recordings.marks_file import marks_path, read_marks

MOST_AT_ONE_TIME = 100_000
"""Rows of one instant are kept together; more than these were recorded by no logger."""


@dataclass
class Rows:
    """Rows as read from a file.

    Attributes:
        t: microseconds, shape (rows,).
        values: shape (rows, signals).
        place_of: gives the place in the file of a row of these, such as ``line 14``.
        mistake: what ended the reading after these rows, if anything did.
        note: what the user should know of them.

    """

    t: Times
    values: Values
    place_of: Callable[[int], str]
    mistake: RecordingError | None = None
    note: str | None = None


class FileRecording(ABC):
    """A recording in a file: one group, named ``recording`` of the source ``recording``.

    Opening reads the header and the first rows, so that most mistakes are reported at once; the rest is read as spans
    are taken, with bounded memory.

    Attributes:
        name: the file's name.
        time_basis: ``relative`` (``t``, seconds from the start) or ``absolute`` (``time``).
        start: 0 for a relative recording, the first row's time for an absolute one.
        groups: the one group.
        machine_text: the machine file, where the file holds it: only Parquet can.
        marks: those of the file that an export writes beside it; none where there is no such file.

    Raises:
        RecordingError: the header or the first rows cannot be read.

    """

    def __init__(self, path: Path, called: Path | None = None) -> None:
        self.path = path
        self.name = (called or path).name
        self.file = printable(called or path, 200)
        self.machine_text: str | None = None
        self._columns = self._read_columns()
        self.time_basis: TimeBasis = self._columns.time_basis
        self.groups = (Group("recording", "recording", self._columns.signals),)
        self._notes: tuple[str, ...] = ()
        self.marks, self._of_marks = self._read_marks()
        first = self._first_time()
        self.start = first if self.time_basis == "absolute" else 0

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the user should know: of the header at once; of the rows once they have been read to their end."""
        return (*self._columns.warnings, *self._of_marks, *self._notes)

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """Read the file from its beginning; spans of about ``rows`` rows that never part an instant.

        Raises:
            RecordingError: a mistake further down in the file; every row before it has been given out.

        """
        notes: list[str] = []
        t, values = np.empty(0, np.int64), np.empty((0, len(self._columns.signals)))
        mistake: RecordingError | None = None
        marks = deque(self.marks)
        for piece in self._ordered(notes):
            t, values = np.concatenate((t, piece.t)), np.concatenate((values, piece.values))
            done = 0
            for stop in _cuts(t, rows):
                yield self._span(t[done:stop], values[done:stop], marks)
                done = stop
            t, values = t[done:], values[done:]
            mistake = piece.mistake
            if len(t) > MOST_AT_ONE_TIME:
                mistake = RecordingError(
                    f"{self.file}: more than {MOST_AT_ONE_TIME} rows have the same time,"
                    f" {time_text(int(t[-1]), self.time_basis)}; export it again with the time of each row"
                )
                break
        if len(t):
            yield self._span(t, values, marks)
        if marks and mistake is None:  # set after the last row
            yield Span(marks[-1].t, events=tuple(marks))
        self._notes = tuple(notes)
        if mistake is not None:
            raise mistake

    def _read_marks(self) -> tuple[tuple[Mark, ...], tuple[str, ...]]:
        """Return the marks beside the file, or why those that are there cannot be read."""
        beside = marks_path(self.path)
        if not beside.is_file():
            return (), ()
        try:
            return tuple(read_marks(beside, self.time_basis)), ()
        except RecordingError as error:
            return (), (f"{error}; no mark is shown",)

    @abstractmethod
    def _read_columns(self) -> Columns:
        """Read the header."""

    @abstractmethod
    def _read(self) -> Iterator[Rows]:
        """Give the file's rows in its order, unchanged."""

    def _first_time(self) -> int:
        for piece in self._ordered([]):
            if piece.mistake is not None:
                raise piece.mistake
            if len(piece.t):
                return int(piece.t[0])
        raise RecordingError(f"{self.file}: there is a header but no whole row; record or export it again")

    def _ordered(self, notes: list[str]) -> Iterator[Rows]:
        """Give the file's rows as long as time does not go back; the last piece holds the mistake, if any."""
        last: int | None = None
        repeats = 0
        try:
            for piece in self._read():
                piece.mistake = self._check_order(last, piece)
                repeats += _repeats(last, piece.t)
                last = int(piece.t[-1]) if len(piece.t) else last
                if piece.note is not None:
                    notes.append(piece.note)
                yield piece
                if piece.mistake is not None:
                    break
        except RecordingError as mistake:
            yield self._nothing(mistake)
        if repeats:
            notes.append(f"{self.file}: {repeats} rows have the same time as the row before; all are kept")

    def _nothing(self, mistake: RecordingError | None = None, note: str | None = None) -> Rows:
        nothing = np.empty((0, len(self._columns.signals)))
        return Rows(np.empty(0, np.int64), nothing, lambda row: f"row {row}", mistake, note)

    def _check_order(self, last: int | None, piece: Rows) -> RecordingError | None:
        """Cut ``piece`` off where time goes back, and return the mistake that ends it, if any does."""
        before = piece.t[:-1] if last is None else np.concatenate(([last], piece.t[:-1]))
        after = piece.t[1:] if last is None else piece.t
        back = np.flatnonzero(after < before)
        if not len(back):
            return piece.mistake
        row = int(back[0]) + (1 if last is None else 0)
        was, now = int(before[back[0]]), int(piece.t[row])
        place = piece.place_of(row)
        piece.t, piece.values = piece.t[:row], piece.values[:row]
        return RecordingError(
            f"{self.file}, {place}: time goes back from {time_text(was, self.time_basis)} to"
            f" {time_text(now, self.time_basis)}; sort the rows by time, or cut the file in two here if a second run"
            " begins"
        )

    def _span(self, t: Times, values: Values, marks: deque[Mark]) -> Span:
        end = int(t[-1])
        now = [marks.popleft() for _ in range(sum(mark.t <= end for mark in marks))]
        return Span(end, (Batch(self.groups[0], t, values),), tuple(now))


def time_text(t: int, basis: TimeBasis) -> str:
    """Return ``t`` as a recording writes it: decimal seconds, or ISO 8601 in UTC."""
    if basis == "relative":
        return f"{t // 1_000_000}.{t % 1_000_000:06d}".rstrip("0").rstrip(".")
    return np.datetime_as_string(np.datetime64(t, "us")).rstrip("0").rstrip(".") + "Z"


def _repeats(last: int | None, t: Times) -> int:
    return int(np.count_nonzero(t[1:] == t[:-1])) + (1 if last is not None and len(t) and int(t[0]) == last else 0)


def _cuts(t: Times, rows: int) -> Iterator[int]:
    """Give where to cut ``t`` into spans of about ``rows`` rows between instants; the rest may still grow."""
    done = 0
    while done + rows < len(t):
        at = t[done + rows]
        stop = int(np.searchsorted(t, at, side="left"))
        if stop <= done:  # one instant fills the whole span
            stop = int(np.searchsorted(t, at, side="right"))
            if stop == len(t):
                return
        yield stop
        done = stop
