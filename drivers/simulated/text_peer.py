"""A board that prints lines, played on a pseudo-terminal.

It does what a cheap board does: a header now and then, one line an instant with its own millisecond count, empty
cells for what is not new, and lines thrown away when nobody reads.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from telemetry.model.batch import Batch
from telemetry.model.clock import Clock

from .peer import Machine, SerialPeer

HEADER_EVERY_US = 2_000_000
"""Shorter than the time after which a reader that joined in between would call the link silent."""
TIME_COLUMN = "ms"
TIME_WRAPS_AT = 2**32


class TextPeer(SerialPeer):
    """The board; see :class:`.peer.Peer`."""

    def __init__(self, machine: Machine, clock: Clock) -> None:
        super().__init__(machine, clock)
        self._started = clock.now()
        self._columns: tuple[str, ...] = ()
        self._header_due = self._started

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this board."""
        time = {"time_column": TIME_COLUMN, "time_unit": "ms", "time_wraps_at": TIME_WRAPS_AT}
        return super().settings | time

    def pieces(self, batches: Sequence[Batch]) -> Iterator[bytes]:
        """Give one line an instant, with a header before the first, every two seconds, and when it widens."""
        instants: dict[int, dict[str, float]] = {}
        for batch in batches:
            for t, row in zip(batch.t.tolist(), batch.values.tolist(), strict=True):
                instants.setdefault(t, {}).update(zip(batch.group.signals, row, strict=True))
        for t in sorted(instants):
            instant = instants[t]
            if not instant.keys() <= set(self._columns):
                self._columns += tuple(name for name in instant if name not in self._columns)
                self._header_due = t
            if t >= self._header_due:
                self._header_due = t + HEADER_EVERY_US
                yield f"{','.join((TIME_COLUMN, *self._columns))}\r\n".encode()
            count = (t - self._started) // 1000 % TIME_WRAPS_AT
            yield f"{count},{','.join(_cell(instant.get(name)) for name in self._columns)}\r\n".encode()


def _cell(value: float | None) -> str:
    return "" if value is None or value != value else f"{value:.7g}"
