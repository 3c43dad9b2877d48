"""Rows in memory as a recording."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from telemetry.model.batch import Batch, Group, Span, merged
from telemetry.model.recording import TimeBasis


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
