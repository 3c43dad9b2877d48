"""Frozen spans of a whole session, each from where the values began to repeat to where they moved again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.frozen import Frozen, FrozenWatch
from telemetry.analysis.repeats import BLOCK
from telemetry.model.batch import MICROSECONDS, Batch, Times, Values, as_sent, own_name
from telemetry.model.signals import cell_number, find_signal, pack_temperature_number

SAME_START = 60 * MICROSECONDS
"""Units of a source that began to repeat within so long of each other froze together: a coarse one changed last some
time before. The span begins where the last of them changed, and ends where the first of them moves (ours)."""

PIECE_ROWS = 32_768
_WORDS = 6
_SPOKEN = {"soc_reported": "reported state of charge"}


@dataclass(frozen=True)
class FrozenSpan:
    """A stretch of a session through which a source repeated itself.

    Attributes:
        source: its name.
        start, end: times of the last good row before it and of the first after it, int microseconds; the rows
            between them are repeats. Where the values never moved again, ``end`` is 1 us past the source's last row.
        signals: what repeated, in the order of the source; judged or not.
        moved: names of signals that moved clearly meanwhile, and so show it.
    """

    source: str
    start: int
    end: int
    signals: tuple[str, ...]
    moved: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return (self.end - self.start) / MICROSECONDS

    def sentence(self, origin: int) -> str:
        """Return what happened, with times from ``origin`` (int microseconds) on: two sentences for the owner."""
        since, until = (clock((t - origin) / MICROSECONDS) for t in (self.start, self.end))
        what = _named(self.signals)
        return (
            f"{what[0].upper()}{what[1:]} (source {self.source}) repeat the same values from {since} to {until}, "
            f"while {listed(spoken(self.moved))} moved. Figures leave this span out."
        )


def find_frozen(groups: Sequence[Batch]) -> tuple[FrozenSpan, ...]:
    """Return the frozen spans of a session by time; ``groups`` holds all rows, one batch a group."""
    measured = [as_sent(batch) for batch in groups if len(batch) and batch.group.origin == "measured"]
    if not measured:
        return ()
    whole = max(int(batch.t[-1]) for batch in measured) // BLOCK * BLOCK + BLOCK
    found = [(each, _moves_again(each, measured)) for each in _watched(measured, whole)]
    found.sort(key=lambda pair: (pair[0].source, pair[0].start))
    together: list[list[tuple[Frozen, int]]] = []
    for each, end in found:
        last = together[-1] if together else []
        if (
            last
            and last[0][0].source == each.source
            and each.start < min(last[0][0].start + SAME_START, *(until for _, until in last))
        ):
            last.append((each, end))
        else:
            together.append([(each, end)])
    return tuple(sorted((_span(each, measured) for each in together), key=lambda span: (span.start, span.source)))


def _watched(groups: Sequence[Batch], end: int) -> Iterator[Frozen]:
    """Give what the watch finds, fed a piece at a time: what it works out of its rows is several times their size."""
    watch = FrozenWatch()
    longest = max(groups, key=len)
    firsts = [0] * len(groups)
    for cut in [*longest.t[PIECE_ROWS::PIECE_ROWS].tolist(), end]:
        stops = [int(np.searchsorted(batch.t, cut, side="right")) for batch in groups]
        yield from watch.take([batch.rows(a, b) for batch, a, b in zip(groups, firsts, stops, strict=True)], cut)
        firsts = stops


def without_frozen(batch: Batch, spans: Sequence[FrozenSpan]) -> Batch:
    """Return ``batch`` with the repeats of its source unknown."""
    values = batch.values
    for span in spans:
        source = batch.group.source
        places = [p for p, name in enumerate(batch.group.signals) if own_name(source, name) in span.signals]
        first = int(np.searchsorted(batch.t, span.start, side="right"))
        last = int(np.searchsorted(batch.t, span.end, side="left"))
        if span.source == source and places and last > first:
            values = values.copy() if values is batch.values else values
            values[first:last, places] = np.nan
    return batch if values is batch.values else replace(batch, values=values)


def clock(seconds: float) -> str:
    """Return seconds from the start as ``0:05:00``."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def listed(words: Sequence[str]) -> str:
    """Return words as they are said one after another: ``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def spoken(names: Sequence[str]) -> list[str]:
    """Return signal names as words: ``throttle voltage``."""
    return [_SPOKEN.get(name, name.replace("_", " ")) for name in names]


def _span(together: Sequence[tuple[Frozen, int]], groups: Sequence[Batch]) -> FrozenSpan:
    source = together[0][0].source
    start, end = max(each.start for each, _ in together), min(end for _, end in together)
    signals: list[str] = []
    for batch in groups:
        if batch.group.source != source:
            continue
        first = int(np.searchsorted(batch.t, start, side="right"))
        last = int(np.searchsorted(batch.t, end, side="left"))
        for place, name in enumerate(batch.group.signals):
            column = batch.values[first:last, place]
            column = column[~np.isnan(column)]
            before = batch.values[:first, place]
            before = before[~np.isnan(before)]
            if len(column) and len(before) and bool((column == before[-1]).all()):
                signals.append(name)
    moved = {name: None for each, _ in together for name in each.moved if name not in signals}
    return FrozenSpan(source, start, end, tuple(dict.fromkeys(signals)), tuple(moved))


def _moves_again(found: Frozen, groups: Sequence[Batch]) -> int:
    """Return when the first of a unit's signals takes another value; 1 us past the last row for never."""
    held = dict(found.members)
    (source_group, _), *_ = found.unit
    batch = next(batch for batch in groups if batch.group.key == source_group)
    first = int(np.searchsorted(batch.t, found.t, side="left"))
    ends = [_changes(batch.t[first:], batch.column(name), first, held[key, name]) for key, name in found.unit]
    return min([end for end in ends if end is not None], default=int(batch.t[-1]) + 1)


def _changes(t: Times, column: Values | None, first: int, held: float) -> int | None:
    assert column is not None
    rest = column[first:]
    moved = np.flatnonzero((rest != held) & ~np.isnan(rest))
    return int(t[moved[0]]) if len(moved) else None


def _named(signals: Sequence[str]) -> str:
    """Return the signals in words, cells and temperature sensors together, at most six words."""
    counted = {"cell voltages": 0, "pack temperatures": 0}
    others: list[str] = []
    switches: list[str] = []
    for name in signals:
        signal = find_signal(name)
        if cell_number(name) is not None:
            counted["cell voltages"] += 1
        elif pack_temperature_number(name) is not None:
            counted["pack temperatures"] += 1
        else:
            (switches if signal is not None and signal.is_switch else others).append(name)
    words = [*spoken(others), *(f"{count} {what}" for what, count in counted.items() if count), *spoken(switches)]
    return listed(words if len(words) <= _WORDS else [*words[: _WORDS - 1], f"{len(words) - _WORDS + 1} more"])
