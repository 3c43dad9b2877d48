"""A part of a recording: some of its signals, some of its time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

import numpy as np

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import InputError, did_you_mean, printable
from telemetry.model.recording import Recording, TimeBasis


class Selection:
    """Part of a recording; itself a :class:`Recording`.

    Args:
        recording: the whole.
        start: leave out what is before, int microseconds; None: from the beginning.
        stop: leave out what is after, likewise.
        signals: names or patterns such as ``cell_*``; none: all.

    Raises:
        InputError: a name or pattern that no signal of the recording has.

    """

    def __init__(self, recording: Recording, start: int | None, stop: int | None, signals: Sequence[str]) -> None:
        self._whole, self._begin, self._stop = recording, start, stop
        self._places = {group: _places(group, signals) for group in recording.groups}
        self._groups = {
            group.key: replace(group, signals=tuple(group.signals[place] for place in places))
            for group, places in self._places.items()
            if places
        }
        every = [signal for group in recording.groups for signal in group.signals]
        for pattern in signals:
            if not any(fnmatchcase(signal, pattern) for signal in every):
                near = did_you_mean(pattern, every)
                raise InputError(f"{recording.name} holds no signal {printable(pattern)}{near}")

    @property
    def name(self) -> str:
        """What to call it to the user."""
        return self._whole.name

    @property
    def time_basis(self) -> TimeBasis:
        """That of the whole."""
        return self._whole.time_basis

    @property
    def start(self) -> int:
        """Where the whole's times count from."""
        return self._whole.start

    @property
    def machine_text(self) -> str | None:
        """The whole's machine file."""
        return self._whole.machine_text

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the user should know of the whole."""
        return self._whole.warnings

    @property
    def groups(self) -> tuple[Group, ...]:
        """The groups with the signals that were asked for."""
        return tuple(self._groups.values())

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """See :meth:`telemetry.model.recording.Recording.spans`."""
        places = {group.key: np.array(kept, dtype=np.intp) for group, kept in self._places.items()}
        for span in self._whole.spans(rows):
            if self._begin is not None and span.end < self._begin:
                continue
            batches = [self._cut(batch, places[batch.group.key]) for batch in span.batches if self._kept(batch)]
            events = tuple(event for event in span.events if self._holds(event.t))
            batches = [batch for batch in batches if len(batch)]
            if batches or events:
                end = max([*(int(batch.t[-1]) for batch in batches), *(event.t for event in events)])
                yield Span(end, tuple(batches), events)
            if self._stop is not None and span.end > self._stop:
                return

    def _kept(self, batch: Batch) -> bool:
        return batch.group.key in self._groups

    def _holds(self, t: int) -> bool:
        return (self._begin is None or t >= self._begin) and (self._stop is None or t <= self._stop)

    def _cut(self, batch: Batch, places: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Batch:
        first = 0 if self._begin is None else int(np.searchsorted(batch.t, self._begin))
        last = len(batch) if self._stop is None else int(np.searchsorted(batch.t, self._stop, side="right"))
        rows = batch.rows(first, max(first, last))
        return Batch(self._groups[batch.group.key], rows.t, rows.values[:, places])


def _places(group: Group, signals: Sequence[str]) -> list[int]:
    def wanted(signal: str) -> bool:
        return not signals or any(fnmatchcase(signal, pattern) for pattern in signals)

    return [place for place, signal in enumerate(group.signals) if wanted(signal)]
