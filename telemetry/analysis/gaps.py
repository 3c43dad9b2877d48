"""Which intervals between known rows may be bridged: a rule that follows the row rate it sees.

An interval is a gap when it is longer than five times the usual interval, at least 1 s and at most 60 s. *Usual* is
the median over blocks of sixteen intervals: the block before decides. Within the first block it is the median of
the intervals seen so far, and the very first interval may be up to 60 s. The blocks are counted in rows, never in
spans, so that the answer does not depend on how the rows were cut.
"""

from __future__ import annotations

from statistics import median
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from telemetry.analysis.chosen import Chosen
from telemetry.model.batch import MICROSECONDS, Flags, Span, Times
from telemetry.model.events import Gap

_Number = TypeVar("_Number", np.int64, np.float64)

BLOCK = 16
USUAL_INTERVALS = 5.0
AT_LEAST = 1 * MICROSECONDS
AT_MOST = 60 * MICROSECONDS


def steps(t: npt.NDArray[_Number], before: float) -> npt.NDArray[_Number]:
    """Return the difference of each of ``t`` to the one before it; ``before`` precedes the first.

    ``numpy.diff(t, prepend=before)`` in a tenth of its time for the few rows of a live span.
    """
    found = np.empty_like(t)
    if len(t):
        found[0] = t[0] - before
        np.subtract(t[1:], t[:-1], out=found[1:])
    return found


def longest_bridged(usual: float) -> float:
    """Return the longest interval that is bridged, microseconds, for a usual interval in microseconds."""
    return min(max(USUAL_INTERVALS * usual, AT_LEAST), AT_MOST)


class GapRule:
    """Tells for each row of one series whether the interval that leads to it may be bridged.

    Attributes:
        limit: longest interval that would be bridged now, microseconds.
        last: time of the last row taken, or None.
    """

    def __init__(self) -> None:
        self.limit: float = AT_MOST
        self.last: int | None = None
        self._open_block: list[int] = []
        self._first_block_done = False

    def copy(self) -> GapRule:
        """Return one that goes on from here by itself."""
        copied = GapRule()
        copied.limit, copied.last = self.limit, self.last
        copied._open_block, copied._first_block_done = list(self._open_block), self._first_block_done
        return copied

    def take(self, t: Times) -> Flags:
        """Return for each row whether the interval before it is bridged; False for the first row of all.

        Args:
            t: int64 (rows,), never decreasing, continuing earlier calls.
        """
        bridged = np.zeros(len(t), dtype=np.bool_)
        if not len(t):
            return bridged
        first = 0
        if self.last is None:
            self.last, first = int(t[0]), 1
        intervals = steps(t[first:], self.last)
        self.last = int(t[-1])
        done = 0
        while not self._first_block_done and done < len(intervals):
            interval = int(intervals[done])
            bridged[first + done] = interval <= self.limit
            self._push(interval)
            done += 1
        self._take_blocks(intervals[done:], bridged[first + done :])
        return bridged

    def _push(self, interval: int) -> None:
        self._open_block.append(interval)
        self.limit = longest_bridged(median(self._open_block))
        if len(self._open_block) == BLOCK:
            self._open_block, self._first_block_done = [], True

    def _take_blocks(self, intervals: Times, bridged: Flags) -> None:
        """Fill ``bridged`` for intervals after the first block: the median of each full block rules the next."""
        carried = len(self._open_block)
        if carried + len(intervals) < BLOCK:
            bridged[:] = intervals <= self.limit
            self._open_block += intervals.tolist()
            return
        joined = np.concatenate([np.asarray(self._open_block, dtype=np.int64), intervals])
        full = len(joined) // BLOCK
        limits = np.empty(full + 1)
        limits[0] = self.limit
        medians = np.median(joined[: full * BLOCK].reshape(full, BLOCK), axis=1)
        limits[1:] = np.clip(USUAL_INTERVALS * medians, AT_LEAST, AT_MOST)
        ruled_by = np.arange(carried, len(joined)) // BLOCK
        bridged[:] = intervals <= limits[ruled_by]
        self.limit = float(limits[full])
        self._open_block = joined[full * BLOCK :].tolist()


class _Watched:
    """One signal, its gap rule, and the time it was last known."""

    def __init__(self, signal: str) -> None:
        self.chosen = Chosen(signal)
        self._rule = GapRule()

    @property
    def source(self) -> str:
        return self.chosen.key[0] if self.chosen.key else ""

    def take(self, span: Span) -> list[tuple[int, int]]:
        """Return the gaps that ended in ``span``, and at the final span the one still open, as (start, end)."""
        before, gaps = self._rule.last, []
        found = self.chosen.find(span)
        if found is not None:
            t = found[0].t[~np.isnan(found[1])]
            bridged = self._rule.take(t)
            if len(t):
                starts = np.concatenate([[t[0] if before is None else before], t[:-1]])
                wide = ~bridged & (t > starts)
                gaps = list(zip(starts[wide].tolist(), t[wide].tolist(), strict=True))
        last = self._rule.last
        if span.final and last is not None and span.end - last > self._rule.limit:
            gaps.append((last, span.end))
        return gaps


class GapWatch:
    """Adds a :class:`~telemetry.model.events.Gap` for each hole; one that both signals share counts once."""

    def __init__(self) -> None:
        self._current, self._voltage = _Watched("pack_current"), _Watched("pack_voltage")

    def advance(self, span: Span) -> Span:
        """Add the gaps that ended in ``span``."""
        of_current, of_voltage = self._current.take(span), self._voltage.take(span)
        gaps = [Gap(end, self._current.source, "pack_current", start) for start, end in of_current]
        gaps += [
            Gap(end, self._voltage.source, "pack_voltage", start)
            for start, end in of_voltage
            if (start, end) not in of_current
        ]
        return span.adding(events=gaps)
