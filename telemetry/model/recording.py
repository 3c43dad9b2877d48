"""What a recording in a file and a stored session have in common: the same road leads from both."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal, Protocol, runtime_checkable

import numpy as np

from telemetry.model.batch import Batch, Group, Span, merged

TimeBasis = Literal["absolute", "relative"]


@runtime_checkable
class Recording(Protocol):
    """Measured rows and recorded inputs, to be read any number of times from the beginning."""

    @property
    def name(self) -> str:
        """What to call it to the user: a file's name, ``session 12``."""
        ...

    @property
    def time_basis(self) -> TimeBasis:
        """``absolute``: times are wall time; ``relative``: times count from the start of the recording."""
        ...

    @property
    def start(self) -> int:
        """Where times shown as seconds from the start count from, int microseconds; 0 where they are relative."""
        ...

    @property
    def groups(self) -> tuple[Group, ...]:
        """The measured groups, each in its widest layout; derived groups never appear."""
        ...

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences the user should read; complete once :meth:`spans` has been read to its end."""
        ...

    @property
    def machine_text(self) -> str | None:
        """The machine file that was in force, whole, where the recording contains it."""
        ...

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """Read from the beginning, in spans of about ``rows`` rows and events, all groups together.

        * Ends ascend strictly. A span's end is the time of the last row or event in it, and every row and event
          with ``t <= end`` that was not in an earlier span is in this one: rows of the same time are never separated,
          so an instant with very many rows makes a longer span.
        * Rows of one group keep their order, at equal times too, across all spans. At most one batch a group.
        * ``events`` holds recorded inputs only (``is_input``), in time order; findings are made again.

        Raises:
            RecordingError, StoreError: what is wrong further down; everything before it has been given out.

        """
        ...


class HeldRecording:
    """Batches in any order as a :class:`telemetry.model.recording.Recording`; rows of equal times keep theirs.

    Args:
        name: what to call it to the user.
        batches: all of them, with at least one row.
        time_basis: of their times.
        machine_text: the machine file that goes with it.
        warnings: what the user should know.

    """

    def __init__(
        self,
        name: str,
        batches: Iterable[Batch],
        time_basis: TimeBasis,
        machine_text: str | None = None,
        warnings: tuple[str, ...] = (),
    ) -> None:
        self.name, self.time_basis, self.machine_text, self.warnings = name, time_basis, machine_text, warnings
        pieces: dict[tuple[str, str], list[Batch]] = {}
        for batch in batches:
            pieces.setdefault(batch.group.key, []).append(batch)
        self._batches = [_sorted(each) for each in pieces.values()]
        self.groups: tuple[Group, ...] = tuple(batch.group for batch in self._batches)
        self.start = min(int(batch.t[0]) for batch in self._batches) if time_basis == "absolute" else 0

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """See :meth:`telemetry.model.recording.Recording.spans`."""
        every = np.sort(np.concatenate([batch.t for batch in self._batches]))
        at, places = 0, [0] * len(self._batches)
        while at < len(every):
            end = int(every[min(at + rows, len(every)) - 1])
            at = int(np.searchsorted(every, end, side="right"))
            stops = [int(np.searchsorted(batch.t, end, side="right")) for batch in self._batches]
            parts = zip(self._batches, places, stops, strict=True)
            yield Span(end, tuple(batch.rows(start, stop) for batch, start, stop in parts if stop > start))
            places = stops


def _sorted(batches: list[Batch]) -> Batch:
    whole = merged([batch.as_wide_as(batches[-1].group) for batch in batches])  # a group only widens
    order = np.argsort(whole.t, kind="stable")
    return Batch(whole.group, whole.t[order], whole.values[order])
