"""Lowest and highest value of each column of time, at any width: a dip of one row is seen at every zoom.

A mean or a stride would lose it. What lies between two rows is bridged by the rule of :mod:`telemetry.analysis.gaps`,
and by it alone: a column narrower than the sample interval repeats the row before it, a gap stays empty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.gaps import GapRule
from telemetry.model.batch import Flags, Times, Values


@dataclass(frozen=True, eq=False)
class Pieces:
    """Known values of one signal in time order; each piece is a row, or the extremes of several rows.

    Attributes:
        first, last: int64 (n,), microseconds: time of a piece's first and last row.
        low, high: float64 (n,), none NaN; the same array where every piece is one row.
        joined: bool (n,), whether the interval before the piece is bridged.

    """

    first: Times
    last: Times
    low: Values
    high: Values
    joined: Flags

    def __len__(self) -> int:
        return len(self.first)

    def between(self, start: int, stop: int) -> Pieces:
        """Return pieces ``start`` to before ``stop``, as views."""
        first, low = self.first[start:stop], self.low[start:stop]
        last = first if self.last is self.first else self.last[start:stop]
        high = low if self.high is self.low else self.high[start:stop]
        return Pieces(first, last, low, high, self.joined[start:stop])


class Joins:
    """Decides piece by piece whether the interval before it is bridged; does not depend on how pieces were cut."""

    def __init__(self) -> None:
        self._rule = GapRule()
        self._covered = 0

    @property
    def limit(self) -> float:
        """The longest interval that would be bridged now, microseconds."""
        return self._rule.limit

    def copy(self) -> Joins:
        """Return one that goes on from here by itself."""
        copied = Joins()
        copied._rule, copied._covered = self._rule.copy(), self._covered
        return copied

    def pieces(self, first: Times, last: Times, low: Values, high: Values) -> Pieces:
        """Return the next pieces, those without a value left out.

        Args:
            first, last: int64 (n,), ascending; the same array for rows.
            low, high: float64 (n,), NaN where nothing is known; the same array for rows.

        """
        known = ~np.isnan(low)
        if not known.all():
            rows = first is last
            first = first[known]
            last = first if rows else last[known]
            same = low is high
            low = low[known]
            high = low if same else high[known]
        # The rule knows rows only, so what a piece itself covers is taken out of the time it sees.
        if first is last:
            seen = first - self._covered
        else:
            covered = np.cumsum(last - first)
            seen = first - self._covered - np.concatenate(([0], covered[:-1]))[: len(first)]
            self._covered += int(covered[-1]) if len(covered) else 0
        return Pieces(first, last, low, high, self._rule.take(seen))


def woven(sides: Sequence[Sequence[Pieces]]) -> Pieces:
    """Return the pieces of several groups that gave a signal in turn as one row of them, in time order.

    An interval at a hand-over is bridged where it would be within one group.
    """
    every = [piece for side in sides for piece in side]
    if not every:
        nothing = np.empty(0, np.int64)
        return Joins().pieces(nothing, nothing, np.empty(0), np.empty(0))
    first, last, low, high = (
        np.concatenate([getattr(piece, name) for piece in every]) for name in ("first", "last", "low", "high")
    )
    order = np.argsort(first, kind="stable")
    return Joins().pieces(first[order], last[order], low[order], high[order])


@dataclass(frozen=True, eq=False)
class Columns:
    """What a trace is drawn from.

    Attributes:
        low, high: float64 (n,), lowest and highest of each column, NaN where nothing is known.
        joined: bool (n,), whether nothing is missing between the column before and this one.
        gap: bool (n,), whether the column lies in a gap; not before the first value.

    """

    low: Values
    high: Values
    joined: Flags
    gap: Flags

    def __len__(self) -> int:
        return len(self.low)

    def between(self, start: int, stop: int) -> Columns:
        """Return columns ``start`` to before ``stop``, as views."""
        cut = slice(start, stop)
        return Columns(self.low[cut], self.high[cut], self.joined[cut], self.gap[cut])


def together(parts: Sequence[Columns]) -> Columns:
    """Return columns that follow each other as one."""
    if len(parts) == 1:
        return parts[0]
    joined = (np.concatenate(each) for each in zip(*((p.low, p.high, p.joined, p.gap) for p in parts), strict=True))
    return Columns(*joined)


def columns_of(blocks: Sequence[Pieces], edges: Times, end: int, longest: float) -> Columns:
    """Return the columns between ``edges``.

    Args:
        blocks: the signal's pieces, each later than the ones before.
        edges: int64 (columns + 1,), microseconds, ascending: column k holds edges[k] <= t < edges[k + 1].
        end: up to when anything could be known, microseconds; a gap is not drawn beyond it.
        longest: after the last piece, microseconds that are no gap yet.

    """
    near = _joined(list(_near(blocks, int(edges[0]), int(edges[-1]))))
    count = len(near)
    first_in = np.searchsorted(near.last, edges[:-1], side="left")
    after = np.searchsorted(near.first, edges[1:], side="left")
    known = after > first_in
    low = np.full(len(edges) - 1, np.nan)
    high = low.copy()
    if known.any():
        ranges = np.stack((first_in[known], after[known]), axis=1).ravel()
        low[known] = np.minimum.reduceat(np.append(near.low, np.nan), ranges)[::2]
        high[known] = np.maximum.reduceat(np.append(near.high, np.nan), ranges)[::2]
    joined_at = np.append(near.joined, False)
    joined = joined_at[np.minimum(first_in, count)]
    held = ~known & (first_in > 0) & joined
    before = np.maximum(first_in - 1, 0)
    if count:
        low[held], high[held] = near.low[before[held]], near.high[before[held]]
    gap = ~known & ~held & (first_in > 0) & (edges[:-1] < end)
    if count:
        open_ended = gap & (first_in == count)
        gap &= ~open_ended | (edges[:-1] > near.last[before] + longest)
    return Columns(low, high, joined & (known | held), gap)


def _near(blocks: Sequence[Pieces], start: int, end: int) -> Iterator[Pieces]:
    """Give what lies between the times, one piece before and one after."""
    kept = [block for block in blocks if len(block)]
    inside = [n for n, block in enumerate(kept) if block.last[-1] >= start and block.first[0] < end]
    following = next((n for n, block in enumerate(kept) if block.first[0] >= end), None)
    begin = inside[0] if inside else following if following is not None else len(kept)
    if begin > 0:
        yield kept[begin - 1].between(len(kept[begin - 1]) - 1, len(kept[begin - 1]))
    for n in inside:
        block = kept[n]
        left = max(0, int(np.searchsorted(block.last, start, side="left")) - 1)
        right = int(np.searchsorted(block.first, end, side="left")) + 1
        yield block.between(left, right)
    if following is not None:
        yield kept[following].between(0, 1)


def _joined(parts: Sequence[Pieces]) -> Pieces:
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return Pieces(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0, np.bool_))
    rows = all(part.first is part.last and part.low is part.high for part in parts)
    first, low = np.concatenate([p.first for p in parts]), np.concatenate([p.low for p in parts])
    last = first if rows else np.concatenate([p.last for p in parts])
    high = low if rows else np.concatenate([p.high for p in parts])
    return Pieces(first, last, low, high, np.concatenate([p.joined for p in parts]))


def coarser(first: Times, last: Times, low: Values, high: Values, unit: int) -> tuple[Times, Times, Values, Values]:
    """Return the pieces of several signals together, those that begin within one ``unit`` of time as one.

    Args:
        first, last: int64 (n,), microseconds, ascending.
        low, high: float64 (n, signals), NaN where nothing is known.
        unit: microseconds. A second hides no gap, for nothing shorter is one.

    """
    number = first // unit
    starts = np.flatnonzero(np.concatenate(([True], number[1:] != number[:-1])))
    ends = np.concatenate((starts[1:], [len(first)])) - 1
    return first[starts], last[ends], np.fmin.reduceat(low, starts, axis=0), np.fmax.reduceat(high, starts, axis=0)
