"""A recording in a file as it is judged: impossible readings are unknown, as they are where a link brings them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from telemetry.model.batch import Batch, Span
from telemetry.model.possible import Possible
from telemetry.model.recording import Recording


class WithoutImpossible:
    """A recording without the readings that cannot be true; a :class:`telemetry.model.recording.Recording`.

    Args:
        recording: as it was written.

    """

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._told: tuple[str, ...] = ()
        self.name, self.machine_text, self.start = recording.name, recording.machine_text, recording.start
        self.time_basis, self.groups = recording.time_basis, recording.groups

    @property
    def warnings(self) -> tuple[str, ...]:
        """See :class:`telemetry.model.recording.Recording`."""
        return (*self._recording.warnings, *self._told)

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """See :meth:`telemetry.model.recording.Recording.spans`."""
        possible = Possible()
        for span in self._recording.spans(rows):
            yield replace(span, batches=tuple(self._cleaned(batch, possible) for batch in span.batches))
        self._told = tuple(f"{self.name}: {told}" for told in possible.told())

    @staticmethod
    def _cleaned(batch: Batch, possible: Possible) -> Batch:
        values = possible.of(batch.group.signals, batch.values)
        return batch if values is batch.values else Batch(batch.group, batch.t, values)
