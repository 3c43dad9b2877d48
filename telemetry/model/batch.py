"""Groups, batches and spans: the three words that run through everything.

Times are int64 microseconds since the Unix epoch throughout.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from telemetry.model.cell_figures import CellFigures
from telemetry.model.events import Event, Situation
from telemetry.model.raw_bytes import RawBytes, RawMissing
from telemetry.model.signals import extra_name, find_signal

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

NO_TIMES: Times = np.empty(0, dtype=np.int64)
NO_VALUES: Values = np.empty(0)

MICROSECONDS = 1_000_000


@dataclass(frozen=True)
class Group:
    """A source and an ordered set of signals that arrive together.

    Within a session a group only widens: a later Group of the same ``key`` keeps the earlier signals in their
    places and may append more. Groups are found by ``key``, signals by name.

    Attributes:
        source: the source's name; ``"derived"`` for what we compute.
        name: a checked identifier, unique within the source.
        signals: names from the vocabulary, each once.
        origin: ``derived`` groups are computed, carry their method's version and are never replayed.

    """

    source: str
    name: str
    signals: tuple[str, ...]
    origin: Literal["measured", "derived"] = "measured"

    def __post_init__(self) -> None:
        if len(set(self.signals)) != len(self.signals):
            raise ValueError(f"a signal is listed twice in group {self.source}/{self.name}: {self.signals}")

    @cached_property
    def key(self) -> tuple[str, str]:
        """What identifies this group among all others of the session: (source, name)."""
        return (self.source, self.name)

    @cached_property
    def _places(self) -> dict[str, int]:
        return {signal: place for place, signal in enumerate(self.signals)}

    def place(self, signal: str) -> int | None:
        """Return the column of ``signal``, or None where the group does not carry it."""
        return self._places.get(signal)

    def widened(self, signals: Iterable[str]) -> Group:
        """Return this group with those of ``signals`` appended that it lacks; itself where it lacks none."""
        if signals is self.signals:
            return self
        more = [s for s in dict.fromkeys(signals) if s not in self._places]
        return replace(self, signals=(*self.signals, *more)) if more else self


@dataclass(frozen=True, eq=False)
class Batch:
    """Some rows of one group.

    Attributes:
        group: whose rows they are.
        t: int64, shape (rows,), never decreasing.
        values: float64, shape (rows, signals); NaN for unknown, never 0 for unknown.

    """

    group: Group
    t: Times
    values: Values

    def __post_init__(self) -> None:
        if self.t.dtype != np.int64 or self.values.dtype != np.float64:
            raise TypeError(f"a batch holds int64 times and float64 values, not {self.t.dtype}, {self.values.dtype}")
        if self.values.shape != (len(self.t), len(self.group.signals)):
            raise ValueError(
                f"{len(self.t)} times and {len(self.group.signals)} signals do not fit values {self.values.shape}"
            )

    @classmethod
    def of_rows(cls, group: Group, t: Sequence[int], rows: Sequence[Sequence[float]]) -> Batch:
        """Return a batch from plain sequences: one time and one row of values each."""
        shaped = np.asarray(rows, dtype=np.float64).reshape(len(t), len(group.signals))
        return cls(group, np.asarray(t, dtype=np.int64), shaped)

    def __len__(self) -> int:
        return len(self.t)

    def column(self, signal: str) -> Values | None:
        """Return the values of ``signal``, shape (rows,), or None where the group does not carry it."""
        place = self.group.place(signal)
        return None if place is None else self.values[:, place]

    def rows(self, start: int, stop: int) -> Batch:
        """Return rows ``start`` to before ``stop`` as a batch (a view, no copy)."""
        return Batch(self.group, self.t[start:stop], self.values[start:stop])

    def as_wide_as(self, group: Group) -> Batch:
        """Return the same rows under the wider ``group``; new columns are unknown."""
        if group.signals == self.group.signals:
            return self
        values = np.full((len(self), len(group.signals)), np.nan)
        for place, signal in enumerate(self.group.signals):
            target = group.place(signal)
            if target is None:
                raise ValueError(f"group {group.key} lacks {signal}, so it is not wider")
            values[:, target] = self.values[:, place]
        return Batch(group, self.t, values)


@dataclass(frozen=True, eq=False)
class Span:
    """An end time, and everything since the previous end: at most one batch a group, each in time order.

    Stages take a span and return it with batches and events added. An empty span moves time on. No result may
    depend on where spans are cut.

    Attributes:
        end: all measured rows up to and including this time have been given out.
        batches: at most one for each group key.
        events: inputs (link changes, what the operator did) and what stages found, in no order but their own.
        complete: for a derived group that lags, the time up to which its rows have all been given out; a group
            that is not named is complete up to ``end``.
        final: the last span of the session: stages give out what they still hold.
        frozen: by group key, which values of its batch a frozen source only repeats, bool (rows, signals); a group
            that is not named repeats nothing.
        raw: raw bytes of links to be stored with the session, and notes of such as are missing; for the store only.
        situation: what the machine was doing at the end; None where no judge has said.
        cells: what is known of each cell so far; None where nothing new is. For the screen; not recorded.

    """

    end: int
    batches: tuple[Batch, ...] = ()
    events: tuple[Event, ...] = ()
    complete: dict[tuple[str, str], int] = field(default_factory=dict)
    final: bool = False
    frozen: dict[tuple[str, str], npt.NDArray[np.bool_]] = field(default_factory=dict)
    raw: tuple[RawBytes | RawMissing, ...] = ()
    situation: Situation | None = None
    cells: CellFigures | None = None

    def adding(
        self,
        batches: Iterable[Batch] = (),
        events: Iterable[Event] = (),
        complete: dict[tuple[str, str], int] | None = None,
        cells: CellFigures | None = None,
    ) -> Span:
        """Return this span with more in it; empty batches are left out."""
        return Span(
            self.end,
            (*self.batches, *(b for b in batches if len(b))),
            (*self.events, *events),
            self.complete | complete if complete else self.complete,
            self.final,
            self.frozen,
            self.raw,
            self.situation,
            cells or self.cells,
        )

    def carrying(self, signal: str) -> Iterator[tuple[Batch, Values]]:
        """Give each batch that carries ``signal``, with that column."""
        for batch in self.batches:
            column = batch.column(signal)
            if column is not None:
                yield batch, column

    def complete_to(self, group: Group) -> int:
        """Return the time up to which every row of ``group`` has been given out."""
        return self.complete.get(group.key, self.end)

    @property
    def value_count(self) -> int:
        """Rows times signals over all batches, unknown values included."""
        return sum(batch.values.size for batch in self.batches)


def merged(batches: Sequence[Batch]) -> Batch:
    """Return one batch of all rows of ``batches`` (of one group key), in time order; equal times keep their order."""
    if len(batches) == 1:
        return batches[0]
    group = batches[0].group
    for batch in batches[1:]:
        group = group.widened(batch.group.signals)
    wide = [batch.as_wide_as(group) for batch in batches]
    t = np.concatenate([batch.t for batch in wide])
    values = np.concatenate([batch.values for batch in wide])
    if len(t) > 1 and bool(np.any(t[1:] < t[:-1])):
        order = np.argsort(t, kind="stable")
        t, values = t[order], values[order]
    return Batch(group, t, values)


def kept_aside(source: str, signal: str) -> str:
    """Return the name of ``source``'s readings of ``signal`` while another source gives it."""
    return extra_name(f"{source}_{signal}")


@lru_cache(maxsize=4096)
def own_name(source: str, name: str) -> str:
    """Return the signal that ``source`` has under ``name``: the name itself, or what is kept aside under it."""
    signal = name.removeprefix(extra_name(source) + "_")
    return signal if find_signal(signal) is not None and kept_aside(source, signal) == name else name


@lru_cache(maxsize=256)
def _sent_layout(group: Group) -> tuple[Group, list[int]]:
    names = [own_name(group.source, name) for name in group.signals]
    sent = replace(group, signals=tuple(dict.fromkeys(names)))
    return sent, [sent.signals.index(name) for name in names]


def as_sent(batch: Batch) -> Batch:
    """Return the rows with what was kept aside under the signals' own names again, as their source sent them."""
    group, places = _sent_layout(batch.group)
    if group.signals == batch.group.signals:
        return batch
    values = np.full((len(batch), len(group.signals)), np.nan)
    for place, column in zip(places, batch.values.T, strict=True):
        np.copyto(values[:, place], column, where=~np.isnan(column))
    return Batch(group, batch.t, values)


@lru_cache(maxsize=256)
def _handed_over(group: Group) -> frozenset[str]:
    owned = {signal: own_name(group.source, signal) for signal in group.signals}
    return frozenset(signal for name, signal in owned.items() if name != signal and group.place(signal) is not None)


def in_turn(groups: Iterable[Group]) -> frozenset[str]:
    """Return the signals that a source of ``groups`` has handed over or taken over.

    Its group has them under two names then: their own, and that of :func:`kept_aside`.
    """
    return frozenset[str]().union(*(_handed_over(group) for group in groups))
