"""Every cell's latest voltage, whichever group carries it: a pack's cells may come from two devices."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.gaps import AT_MOST, longest_bridged, steps
from telemetry.model.batch import MICROSECONDS, Batch, Flags, Times, Values
from telemetry.model.signals import cell_number

AT_ONCE = MICROSECONDS // 2
"""Cells read no farther apart are compared with each other: the load may change meanwhile. Microseconds; ours."""


@dataclass(frozen=True, eq=False)
class CellRows:
    """Rows of cells.

    Attributes:
        t: int64 (rows,), microseconds.
        volts: float64 (rows, cells), V; NaN where a cell is unknown.
        at_once: bool (rows,), whether all that are known were read within half a second.
    """

    t: Times
    volts: Values
    at_once: Flags


class AllCells:
    """Gives rows of all cells, one for each row of a group that has any.

    A cell is that of the first group to carry it; between its rows it holds, for five of its usual intervals, at
    least 1 s and at most 60 s. Where one group carries all, its rows are given as they are.

    Attributes:
        key: of the first group with cells; None before it has come.
        signals: the cells, group by group. They only grow.
    """

    def __init__(self) -> None:
        self.key: tuple[str, str] | None = None
        self.signals: tuple[str, ...] = ()
        self._carriers: dict[tuple[str, str], _Carrier] = {}

    def find(self, batches: Iterable[Batch]) -> CellRows | None:
        """Return the rows that measured ``batches`` bring; None where they bring none."""
        measured = [batch for batch in batches if len(batch) and batch.group.origin == "measured"]
        new = [batch for batch in measured if self._is_new(batch)]
        for batch in sorted(new, key=lambda each: (int(each.t[0]), each.group.key)):
            self._meet(batch)
        rows = {batch.group.key: batch for batch in measured if self._carriers[batch.group.key].places}
        if not rows:
            return None
        carriers = [carrier for carrier in self._carriers.values() if carrier.places]
        if len(carriers) == 1:
            (batch,) = rows.values()
            carriers[0].note(batch)
            return CellRows(batch.t, batch.values[:, carriers[0].places], np.ones(len(batch), np.bool_))
        for key, batch in rows.items():
            self._carriers[key].take(batch)
        pieces = [self._completed(batch, carriers) for batch in rows.values()]
        for carrier in carriers:
            carrier.keep_last()
        order = np.argsort(np.concatenate([piece.t for piece in pieces]), kind="stable")
        t, volts, at_once = (
            np.concatenate(columns)[order]
            for columns in zip(*((piece.t, piece.volts, piece.at_once) for piece in pieces), strict=True)
        )
        return CellRows(t, volts, at_once)

    def _completed(self, batch: Batch, carriers: Sequence[_Carrier]) -> CellRows:
        """Return one group's rows with what the others' cells were then."""
        volts = np.full((len(batch), len(self.signals)), np.nan)
        oldest = batch.t
        for carrier in carriers:
            if carrier.key == batch.group.key:
                volts[:, carrier.targets] = batch.values[:, carrier.places]
            else:
                volts[:, carrier.targets], read_at = carrier.at(batch.t)
                oldest = np.minimum(oldest, read_at)
        return CellRows(batch.t, volts, batch.t - oldest <= AT_ONCE)

    def _is_new(self, batch: Batch) -> bool:
        carrier = self._carriers.get(batch.group.key)
        return carrier is None or carrier.signals != batch.group.signals

    def _meet(self, batch: Batch) -> None:
        """Note which cells a group brings that none before it did."""
        signals = batch.group.signals
        carrier = self._carriers.setdefault(batch.group.key, _Carrier(batch.group.key))
        for place in range(len(carrier.signals), len(signals)):
            if cell_number(signals[place]) is not None and signals[place] not in self.signals:
                carrier.places.append(place)
                carrier.targets.append(len(self.signals))
                self.signals = (*self.signals, signals[place])
                self.key = self.key or batch.group.key
        carrier.signals = signals


class _Carrier:
    """One group's cells: where they are in it and among all, and its last row.

    Attributes:
        key: of the group; ``signals``: those looked at.
        places, targets: columns of its cells in it, and among all.
    """

    def __init__(self, key: tuple[str, str]) -> None:
        self.key = key
        self.signals: tuple[str, ...] = ()
        self.places: list[int] = []
        self.targets: list[int] = []
        self._t: Times = np.empty(0, np.int64)
        self._limits: Values = np.empty(0)
        self._volts: Values = np.empty((0, 0))
        self._noted: list[Batch] = []  # the latest two, each with a known last row

    def at(self, t: Times) -> tuple[Values, Times]:
        """Return its cells at ``t`` (rows, cells), and when they were read; NaN, at ``t``, where that is too old."""
        self._take_noted()
        if not len(self._t):
            return np.full((len(t), len(self.places)), np.nan), t
        place = np.searchsorted(self._t, t, side="right") - 1
        fresh = (place >= 0) & (t - self._t[place] <= self._limits[place])
        return np.where(fresh[:, None], self._volts[place], np.nan), np.where(fresh, self._t[place], t)

    def note(self, batch: Batch) -> None:
        """Take rows that nobody will ask for but the last, as long as no other group has cells: cheaper."""
        if np.isnan(batch.values[-1, self.places[0]]):
            self.take(batch)
            self.keep_last()
        else:
            self._noted = [*self._noted[-1:], batch]

    def _take_noted(self) -> None:
        noted, self._noted = self._noted, []
        for batch in noted:
            self.take(batch)

    def take(self, batch: Batch) -> None:
        """Take the rows in which any of its cells is known."""
        self._take_noted()
        volts = batch.values[:, self.places]
        known = ~np.isnan(volts).all(axis=1)
        t, volts = batch.t[known], volts[known]
        if not len(t):
            return
        before = int(self._t[-1]) if len(self._t) else int(t[0]) - AT_MOST
        limits = np.array([longest_bridged(interval) for interval in steps(t, before).tolist()])
        more = len(self.places) - self._volts.shape[1]
        self._volts = np.concatenate([np.pad(self._volts, ((0, 0), (0, more)), constant_values=np.nan), volts])
        self._t, self._limits = np.concatenate([self._t, t]), np.concatenate([self._limits, limits])

    def keep_last(self) -> None:
        """Forget all rows but the last."""
        self._t, self._limits, self._volts = self._t[-1:], self._limits[-1:], self._volts[-1:]
