"""A whole recording as arrays, a signal each: what every analysis that looks back over a session works on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from telemetry.analysis.frozen_spans import FrozenSpan, find_frozen, without_frozen
from telemetry.model.batch import MICROSECONDS, Batch, Times, Values
from telemetry.model.events import Event
from telemetry.model.recording import Recording, TimeBasis
from telemetry.model.signals import cell_number

ABSURD = 1e12
"""No signal reaches such a value in any unit; it is a damaged number, and its square may exceed all numbers."""


@dataclass(frozen=True, eq=False)
class Series:
    """The known values of one signal.

    Attributes:
        t: int64 (n,), microseconds, never decreasing, n >= 1.
        values: float64 (n,), in the signal's unit, none NaN.
    """

    t: Times
    values: Values

    @property
    def interval_s(self) -> float:
        """Usual (median) seconds between values; NaN for fewer than two."""
        return float(np.median(np.diff(self.t))) / MICROSECONDS if len(self.t) > 1 else float("nan")


@dataclass(frozen=True, eq=False)
class CellSeries:
    """The cell voltages of the group that tells of the most cells.

    Attributes:
        t: int64 (n,), microseconds.
        voltages: float64 (n, cells), V; NaN where a cell is unknown in a row, each row with one known at least.
        numbers: the cells' numbers, ascending, as in ``cell_01_voltage``.
    """

    t: Times
    voltages: Values
    numbers: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class SessionSeries:
    """Everything that was measured in a recording.

    Attributes:
        name: what to call the recording to the user.
        start, end: first and last row's time, int64 microseconds; equal, and ``signals`` empty, where there is none.
        origin: where seconds shown to the user count from, microseconds.
        time_basis: whether times are wall time or count from the start of the recording.
        signals: by name, for every signal with a known value. Where several groups carry a signal, the one with the
            earliest row stands for it, as in the stages.
        cells: None where fewer than two cell voltages are known.
        events: the recorded inputs (marks, link changes, ...), in time order.
        frozen: where a source repeated itself; its rows there are left out of ``signals`` and ``cells``.
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

    def get(self, signal: str) -> Series | None:
        """Return the series of ``signal``, or None where nothing is known of it."""
        return self.signals.get(signal)

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
    pieces: dict[tuple[str, str], list[Batch]] = {}
    events: list[Event] = []
    for span in recording.spans():
        events += span.events
        for batch in span.batches:
            if len(batch) and batch.group.origin == "measured":
                pieces.setdefault(batch.group.key, []).append(batch)
    groups = sorted((_whole(batches) for batches in pieces.values()), key=lambda batch: int(batch.t[0]))
    start = int(min((batch.t[0] for batch in groups), default=recording.start))
    end = int(max((batch.t[-1] for batch in groups), default=start))
    frozen = find_frozen(groups)
    groups = [without_frozen(batch, frozen) for batch in groups]
    signals: dict[str, Series] = {}
    for batch in groups:
        for place, name in enumerate(batch.group.signals):
            known = ~np.isnan(batch.values[:, place])
            if name not in signals and known.any():
                signals[name] = Series(batch.t[known], np.ascontiguousarray(batch.values[known, place]))
    events.sort(key=lambda event: event.t)
    basis = recording.time_basis
    return SessionSeries(
        recording.name, start, end, recording.start, basis, signals, _cells(groups), tuple(events), frozen
    )


def _whole(batches: list[Batch]) -> Batch:
    """Return the batches of one group as one, in its widest layout; absurd values are unknown."""
    group = batches[-1].group
    values = np.full((sum(len(batch) for batch in batches), len(group.signals)), np.nan)
    row = 0
    for batch in batches:
        values[row : row + len(batch), : len(batch.group.signals)] = batch.values
        row += len(batch)
    values[np.abs(values) > ABSURD] = np.nan
    return Batch(group, np.concatenate([batch.t for batch in batches]), values)


def _cells(groups: list[Batch]) -> CellSeries | None:
    best: tuple[int, Batch, list[tuple[int, int]]] | None = None
    for batch in groups:
        places = sorted(
            (number, place)
            for place, name in enumerate(batch.group.signals)
            if (number := cell_number(name)) is not None and not np.isnan(batch.values[:, place]).all()
        )
        if len(places) >= 2 and (best is None or len(places) > best[0]):
            best = len(places), batch, places
    if best is None:
        return None
    _, batch, places = best
    voltages = batch.values[:, [place for _, place in places]]
    known = ~np.isnan(voltages).all(axis=1)
    return CellSeries(batch.t[known], voltages[known], tuple(number for number, _ in places))
