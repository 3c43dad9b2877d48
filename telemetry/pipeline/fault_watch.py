"""The stage that says in words which faults a BMS or controller reports in its codes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from telemetry.alarms.reported import FAULT_LIMIT
from telemetry.analysis.chosen import Chosen
from telemetry.model.batch import Span
from telemetry.model.events import AlarmCondition
from telemetry.model.fault_names import FaultNames


class FaultWatch:
    """Adds an :class:`~telemetry.model.events.AlarmCondition` where a fault begins or ends to be reported.

    Args:
        names: what the codes of each signal mean.

    """

    def __init__(self, names: Mapping[str, FaultNames]) -> None:
        self._names = dict(names)
        self._chosen = {signal: Chosen(signal) for signal in names}
        self._last = dict.fromkeys(names, float("nan"))
        self._now: dict[str, dict[str, str]] = {signal: {} for signal in names}

    def afresh(self) -> FaultWatch:
        """Return a fresh one with the same names."""
        return FaultWatch(self._names)

    def advance(self, span: Span) -> Span:
        """Add what begins or ends in ``span``, each at the time of the row that shows it."""
        found = []
        for t, signal, value in sorted(self._changes(span)):
            before = {fault for said in self._now.values() for fault in said}
            said = self._now[signal] = self._names[signal].said(value)
            after = {fault for each in self._now.values() for fault in each}
            found += [AlarmCondition(t, FAULT_LIMIT, fault, False) for fault in sorted(before - after)]
            found += [
                AlarmCondition(t, FAULT_LIMIT, fault, True, f"{signal}, {said[fault]}")
                for fault in sorted(after - before)
            ]
        return span.adding(events=found) if found else span

    def _changes(self, span: Span) -> list[tuple[int, str, float]]:
        """Return when each signal came to another value."""
        changed = []
        for signal, chosen in self._chosen.items():
            found = chosen.find(span)
            if found is None:
                continue
            batch, values = found
            known = ~np.isnan(values)
            t, values = batch.t[known], values[known]
            if len(t):
                rows = np.flatnonzero(np.diff(values, prepend=self._last[signal]))
                changed += [(int(t[row]), signal, float(values[row])) for row in rows]
                self._last[signal] = float(values[-1])
        return changed
