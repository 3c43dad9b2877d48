"""What a recording in a file and a stored session have in common: the same road leads from both."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, Protocol, runtime_checkable

from telemetry.model.batch import Group, Span

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
