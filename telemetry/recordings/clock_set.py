"""A logger whose clock began at some date of its own and was set on the way: its rows count without the jump."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace

import numpy as np

from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times
from telemetry.model.errors import RecordingError
from telemetry.model.events import Mark
from telemetry.model.recording import Recording, TimeBasis
from telemetry.model.time_text import local_at

_SURELY_SET = 1_262_304_000 * MICROSECONDS
"""2010-01-01: clocks that nobody set begin in 1970, 1980 or 2000 (common practice)."""
_LEAST_JUMP = 366 * 86_400 * MICROSECONDS
"""No drive pauses for so long. Ours."""
_USUAL_STEP = MICROSECONDS
"""From the row before the jump to the one after it, where no earlier rows show how far rows are apart."""


def with_clock_set(recording: Recording) -> Recording:
    """Return ``recording``, or what it is with the time before its clock was set counted up to that moment."""
    if recording.time_basis == "relative" or recording.start >= _SURELY_SET:
        return recording
    jumps = _jumps(recording)
    return ClockSet(recording, jumps) if jumps else recording


def _jumps(recording: Recording) -> list[tuple[int, int, int]]:
    """Return for each jump the last time before, the first after, and the step from row to row before it."""
    found, last, step = list[tuple[int, int, int]](), recording.start, _USUAL_STEP
    with suppress(RecordingError):  # raised again once its rows are read
        for span in recording.spans():
            t = np.unique(np.concatenate([[last], *(batch.t for batch in span.batches)]))
            steps = np.diff(t)
            for place in np.flatnonzero(steps > _LEAST_JUMP):
                before = int(steps[place - 1]) if place else step
                found.append((int(t[place]), int(t[place + 1]), before))
            last, step = int(t[-1]), int(steps[-1]) if len(steps) else step
    return found


class ClockSet:
    """A recording with the jumps of its clock taken out; a :class:`telemetry.model.recording.Recording`.

    Its times are those of the clock as it was set last. A mark of the program stands where it was set.

    Args:
        recording: as it was written.
        jumps: the last time before each, the first after, and how long that step is taken to be; microseconds.

    """

    def __init__(self, recording: Recording, jumps: list[tuple[int, int, int]]) -> None:
        self._recording = recording
        self._before = np.array([before for before, _, _ in jumps])
        sizes = [after - before - step for before, after, step in jumps]
        self._shifts = np.array([*np.cumsum(sizes[::-1])[::-1], 0])
        self._marks = [
            Mark(self._moved(after), f"the logger's clock was set here; it had shown {local_at(before)}", "program")
            for before, after, _ in jumps
        ]
        self.name, self.machine_text, self.start = (
            recording.name,
            recording.machine_text,
            self._moved(recording.start),
        )
        self.time_basis: TimeBasis = recording.time_basis
        self.groups: tuple[Group, ...] = recording.groups

    @property
    def warnings(self) -> tuple[str, ...]:
        """See :class:`telemetry.model.recording.Recording`."""
        said = (
            f"{self.name}: {local_at(mark.t)}: {mark.text}; the rows before it are dated back from then"
            for mark in self._marks
        )
        return (*self._recording.warnings, *said)

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """See :meth:`telemetry.model.recording.Recording.spans`."""
        marks = list(self._marks)
        for span in self._recording.spans(rows):
            end = self._moved(span.end)
            now = [mark for mark in marks if mark.t <= end]
            marks = marks[len(now) :]
            moved = [replace(event, t=self._moved(event.t)) for event in span.events]
            batches = tuple(Batch(each.group, self._all_moved(each.t), each.values) for each in span.batches)
            yield replace(
                span, end=end, batches=batches, events=tuple(sorted((*moved, *now), key=lambda event: event.t))
            )

    def _all_moved(self, t: Times) -> Times:
        return np.asarray(t + self._shifts[np.searchsorted(self._before, t)], dtype=np.int64)

    def _moved(self, t: int) -> int:
        return int(self._all_moved(np.array([t]))[0])
