"""A whole recording as arrays, a signal each: what every analysis that looks back over a session works on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from telemetry.analysis.all_cells import AllCells
from telemetry.analysis.frozen_spans import FrozenSpan, find_frozen, without_frozen
from telemetry.analysis.taken_over import TakenOver, joined_turns
from telemetry.model.batch import MICROSECONDS, Batch, Group, Times, Values
from telemetry.model.events import Event, Mark
from telemetry.model.recording import Recording, TimeBasis
from telemetry.model.signals import cell_number

ABSURD = 1e12
"""No signal reaches such a value in any unit; it is a damaged number, and its square may exceed all numbers."""
LEAST_AT_ONCE = 0.5
"""Share of one group's rows of cells at which the others' must have been read too, to be taken together (ours)."""
MORE_ROWS = 16_384
"""Room made for more rows at a time, at least (ours)."""


@dataclass(frozen=True, eq=False)
class Series:
    """The known values of one signal.

    Attributes:
        t: int64 (n,), microseconds, never decreasing, n >= 1.
        values: float64 (n,), in the signal's unit, none NaN. Not to be written to: signals share what they are read
            from.
    """

    t: Times
    values: Values

    @property
    def interval_s(self) -> float:
        """Usual (median) seconds between values; NaN for fewer than two."""
        return float(np.median(np.diff(self.t))) / MICROSECONDS if len(self.t) > 1 else float("nan")


@dataclass(frozen=True, eq=False)
class CellSeries:
    """The cell voltages of all groups that are read at once, else of the group that tells of the most cells.

    Attributes:
        t: int64 (n,), microseconds.
        voltages: float64 (n, cells), V; NaN where a cell is unknown in a row, each row with one known at least.
        numbers: the cells' numbers, ascending, as in ``cell_01_voltage``.
    """

    t: Times
    voltages: Values
    numbers: tuple[int, ...]

    def whole_rows(self) -> CellSeries:
        """Return the rows in which every cell is known; where all are, without a copy."""
        whole = ~np.isnan(self.voltages).any(axis=1)
        return self if whole.all() else CellSeries(self.t[whole], self.voltages[whole], self.numbers)


@dataclass(frozen=True, eq=False)
class SessionSeries:
    """Everything that was measured in a recording.

    Attributes:
        name: what to call the recording to the user.
        start, end: first and last row's time, int64 microseconds; equal, and ``signals`` empty, where there is none.
        origin: where seconds shown to the user count from, microseconds.
        time_basis: whether times are wall time or count from the start of the recording.
        signals: by name, for every signal with a known value. Where several groups carry a signal, the one with the
            earliest row stands for it, as in the stages; where sources gave it in turn, all of them, each after the
            first brought to it (see :mod:`telemetry.analysis.taken_over`).
        cells: None where fewer than two cell voltages are known.
        events: the recorded inputs (marks, link changes, ...), in time order.
        frozen: where a source repeated itself; its rows there are left out of ``signals`` and ``cells``.
        taken_over: what sources gave in place of the first, set right by their difference as far as it is known.
    """

    name: str
    start: int
    end: int
    origin: int
    time_basis: TimeBasis
    signals: Mapping[str, Series]
    cells: CellSeries | None
    events: tuple[Event, ...] = field(default=())
    frozen: tuple[FrozenSpan, ...] = field(default=())
    taken_over: tuple[TakenOver, ...] = field(default=())

    def get(self, signal: str) -> Series | None:
        """Return the series of ``signal``, or None where nothing is known of it."""
        return self.signals.get(signal)

    @property
    def marks(self) -> list[Mark]:
        """The marks that count, in time order: not those that the operator took back."""
        return [event for event in self.events if isinstance(event, Mark) and not event.taken_back]

    @property
    def duration_s(self) -> float:
        """Seconds from the first row to the last."""
        return (self.end - self.start) / MICROSECONDS


def with_extreme_cells(series: SessionSeries) -> SessionSeries:
    """Return the session with ``cell_min_voltage`` and ``cell_max_voltage`` from its cells where they lack."""
    cells = series.cells
    if cells is None:
        return series
    found = {
        "cell_min_voltage": Series(cells.t, np.nanmin(cells.voltages, axis=1)),
        "cell_max_voltage": Series(cells.t, np.nanmax(cells.voltages, axis=1)),
    }
    return replace(series, signals={**found, **series.signals})


def read_series(recording: Recording) -> SessionSeries:
    """Read ``recording`` from beginning to end into arrays, without the rows in which a source repeated itself."""
    rows: dict[tuple[str, str], _Rows] = {}
    events: list[Event] = []
    for span in recording.spans():
        events += span.events
        for batch in span.batches:
            if len(batch) and batch.group.origin == "measured":
                rows.setdefault(batch.group.key, _Rows(batch.group)).add(batch)
    groups = sorted((each.whole() for each in rows.values()), key=lambda batch: int(batch.t[0]))
    del rows
    start = int(min((batch.t[0] for batch in groups), default=recording.start))
    end = int(max((batch.t[-1] for batch in groups), default=start))
    frozen = find_frozen(groups)
    groups = [without_frozen(batch, frozen) for batch in groups]
    groups, taken_over = joined_turns(groups)
    signals: dict[str, Series] = {}
    for batch in groups:
        for place, name in enumerate(batch.group.signals):
            column = batch.values[:, place]
            known = ~np.isnan(column)
            if name not in signals and known.any():
                # What has no hole stays where it is, beside the other signals: a day is long enough to be kept once.
                signals[name] = Series(batch.t, column) if known.all() else Series(batch.t[known], column[known])
    events.sort(key=lambda event: event.t)
    basis = recording.time_basis
    return SessionSeries(
        recording.name, start, end, recording.start, basis, signals, _cells(groups), tuple(events), frozen, taken_over
    )


class _Rows:
    """All rows of one group, in one array that grows in place: pieces kept and joined would take twice the memory."""

    def __init__(self, group: Group) -> None:
        self._group = group
        self._count = 0
        self._t: Times = np.empty(0, np.int64)
        self._values: Values = np.empty(0)

    def add(self, batch: Batch) -> None:
        """Add rows, of this layout, a wider or a narrower one; absurd values are unknown."""
        if len(batch.group.signals) > len(self._group.signals):
            wider = self.whole().as_wide_as(batch.group)
            self._group, self._t, self._values = wider.group, wider.t, wider.values.flatten()
        first, self._count = self._count, self._count + len(batch)
        if self._count > len(self._t):
            self._resize(self._count + max(MORE_ROWS, self._count // 8))
        self._t[first : self._count] = batch.t
        rows = self._table()[first : self._count]
        rows[:, : len(batch.group.signals)] = batch.values
        rows[:, len(batch.group.signals) :] = np.nan
        rows[np.abs(rows) > ABSURD] = np.nan

    def whole(self) -> Batch:
        """Return all rows added so far, in the widest layout; what is added later makes it invalid."""
        self._resize(self._count)
        return Batch(self._group, self._t, self._table())

    def _table(self) -> Values:
        return self._values.reshape(len(self._t), len(self._group.signals))

    def _resize(self, rows: int) -> None:
        # No view outlives a call, so the arrays may move; the system moves large ones without copying them.
        self._t.resize(rows, refcheck=False)
        self._values.resize(rows * len(self._group.signals), refcheck=False)


def _cells(groups: list[Batch]) -> CellSeries | None:
    best: tuple[int, Batch, list[tuple[int, int]]] | None = None
    numbers: set[int] = set()
    for batch in groups:
        places = sorted(
            (number, place)
            for place, name in enumerate(batch.group.signals)
            if (number := cell_number(name)) is not None and not np.isnan(batch.values[:, place]).all()
        )
        numbers |= {number for number, _ in places}
        if len(places) > 1 and (best is None or len(places) > best[0]):
            best = len(places), batch, places
    if best is None:
        return None
    _, batch, places = best
    columns = [place for _, place in places]
    beside = columns == list(range(columns[0], columns[0] + len(columns)))
    t, voltages = batch.t, batch.values[:, columns[0] : columns[-1] + 1] if beside else batch.values[:, columns]
    known = ~np.isnan(voltages).all(axis=1)
    if not known.all():
        t, voltages = t[known], voltages[known]
    found = CellSeries(t, voltages, tuple(number for number, _ in places))
    return found if len(numbers) == len(places) else _of_all_groups(groups, found)


def _of_all_groups(groups: list[Batch], of_one: CellSeries) -> CellSeries:
    """Return the cells of all groups where they were read at once often enough, else ``of_one`` of the groups."""
    all_cells = AllCells()
    rows = all_cells.find(groups)
    assert rows is not None
    numbers = np.array([cell_number(name) for name in all_cells.signals])
    known = ~np.isnan(rows.volts)
    living = known.any(axis=0)
    whole = rows.at_once & known[:, living].all(axis=1)
    if np.count_nonzero(whole) < LEAST_AT_ONCE * len(of_one.t):
        return of_one
    order = np.flatnonzero(living)[np.argsort(numbers[living])]
    return CellSeries(rows.t[whole], rows.volts[whole][:, order], tuple(numbers[order].tolist()))
