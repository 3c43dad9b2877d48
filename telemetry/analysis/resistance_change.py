"""The stage that compares the pack's resistance with this machine's earlier sessions under like conditions."""

from __future__ import annotations

from collections import deque

import numpy as np

from telemetry.analysis.chosen import Chosen, ChosenGroup
from telemetry.machine.limits_frame import ResistanceHistory
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times, Values
from telemetry.model.signals import pack_temperature_number

CHANGE = Group("derived", "pack_resistance_change", ("pack_resistance_change",), "derived")
RESISTANCE_KEY = ("derived", "resistance")
"""The group that carries ``pack_resistance``; it lags, and says by how much."""
KEPT = 900 * MICROSECONDS


class _Latest:
    """The latest known value of a slow signal at any time asked, from a few minutes of its rows."""

    def __init__(self) -> None:
        self._rows: deque[tuple[Times, Values]] = deque()
        self._asked_to = -(2**62)

    def take(self, t: Times, values: Values, upto: int) -> None:
        """Take rows; nothing at or before the ``upto`` of the call before will be asked any more."""
        known = ~np.isnan(values)
        if known.any():
            self._rows.append((t[known], values[known]))
        while self._rows and self._rows[0][0][-1] < self._asked_to - KEPT:
            self._rows.popleft()
        self._asked_to = max(self._asked_to, upto)

    def at(self, t: int) -> float:
        """Return the latest value at or before ``t`` no older than a quarter of an hour; NaN where none is."""
        for times, values in reversed(self._rows):
            place = int(np.searchsorted(times, t, side="right")) - 1
            if place >= 0:
                return float(values[place]) if t - int(times[place]) <= KEPT else float("nan")
        return float("nan")


class ResistanceChange:
    """Adds ``pack_resistance_change`` to each ``pack_resistance`` that can be compared.

    Args:
        history: resistances of earlier sessions of the same machine.
    """

    def __init__(self, history: ResistanceHistory) -> None:
        self._history = history
        self._resistance = Chosen("pack_resistance", measured_only=False)
        self._charges = Chosen("soc_reported"), Chosen("soc_estimated", measured_only=False)
        self._sensors = ChosenGroup(lambda signal: pack_temperature_number(signal) is not None)
        self._temperature, self._levels = _Latest(), (_Latest(), _Latest())

    def advance(self, span: Span) -> Span:
        """Add what the resistances of ``span`` say."""
        if not len(self._history.ohm):
            return span
        found = self._resistance.find(span)
        upto = span.complete.get(RESISTANCE_KEY, span.end)
        t, values = self._sensors.find(span)
        if len(t):
            self._temperature.take(t, values.mean(axis=1), upto)
        for chosen, level in zip(self._charges, self._levels, strict=True):
            charge = chosen.find(span)
            if charge is not None:
                level.take(charge[0].t, charge[1], upto)
        rows = [] if found is None else list(self._rows(found[0].t, found[1]))
        complete = {CHANGE.key: upto} if upto < span.end else None
        return span.adding([Batch.of_rows(CHANGE, [at for at, _ in rows], [[v] for _, v in rows])], complete=complete)

    def _rows(self, t: Times, ohm: Values) -> list[tuple[int, float]]:
        changes = []
        for at, now in zip(t.tolist(), ohm.tolist(), strict=True):
            levels = [level.at(at) for level in self._levels]
            charge = next((level for level in levels if level == level), float("nan"))
            before = self._history.like(self._temperature.at(at), charge)
            if before is not None and now == now:
                changes.append((at, 100.0 * (now / before - 1.0)))
        return changes
