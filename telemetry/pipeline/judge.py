"""The judge stage: compares every row with the limits in force; links and losses need none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from fnmatch import fnmatchcase

import numpy as np

from telemetry.alarms.alarm import Suppress
from telemetry.alarms.faults import ChatteringRule, LimitFaults
from telemetry.alarms.raises import Raise
from telemetry.alarms.rules import CONDITIONS, AlarmRules, rules_for, suppression_rows
from telemetry.alarms.signal_alarms import AlarmInput, SignalAlarms
from telemetry.analysis.charger_watch import INTO_A, least_charge_a
from telemetry.analysis.chosen import Chosen
from telemetry.machine.limits import LIMIT_SIGNALS, Limit, limits_for
from telemetry.machine.limits_frame import NO_HISTORY, ResistanceHistory
from telemetry.machine.sections import Machine
from telemetry.model.batch import NO_TIMES, NO_VALUES, Batch, Group, Span
from telemetry.model.events import Acknowledge, AlarmChange, AlarmCondition, ResetLatch, Shelve, Unshelve
from telemetry.pipeline.conditions import LINK_LIMIT, RECORDING_LIMIT, Conditions
from telemetry.pipeline.situation import Followed, SituationLog

__all__ = ["LINK_LIMIT", "RECORDING_LIMIT", "Judge", "judge_for"]

_Key = tuple[str, str]
_OPERATOR_INPUTS = (Acknowledge, Shelve, Unshelve, ResetLatch)


def judge_for(machine: Machine | None, history: ResistanceHistory = NO_HISTORY) -> Judge:
    """Return a fresh judge by the limits and rules of ``machine``; without one only links and losses are judged."""
    limits = () if machine is None else limits_for(machine, history)
    return Judge(limits, rules_for(machine), into_a=least_charge_a(machine))


class Judge:
    """Raises and clears alarms, and says where the limits themselves are at fault.

    Each signal's alarms are found as signals appear.

    Args:
        limits: those in force.
        rules: which latch, which are out of service.
        chattering: when an alarm counts as chattering.
        into_a: current into the pack that counts, A; see :func:`least_charge_a`.

    """

    def __init__(
        self,
        limits: Iterable[Limit],
        rules: AlarmRules | None = None,
        chattering: ChatteringRule | None = None,
        into_a: float = INTO_A,
    ) -> None:
        self._limits = tuple(each for each in limits if (each.warn, each.trip) != (None, None))
        self._rules = rules or AlarmRules()
        self._chattering, self._into_a = chattering, into_a
        self._watched: dict[str, _Watched] = {}
        self._calm: dict[_Key, _Calm] = {}
        self._before: dict[_Key, Batch] = {}
        self._layouts: set[tuple[str, ...]] = set()
        self._conditions = Conditions(self._rules)
        self._quiet = _QuietByDesign(self._limits)
        self._situations = SituationLog(into_a)
        self._faults = LimitFaults(chattering)
        self._earlier: list[AlarmInput] = []
        self._began = False

    def afresh(self) -> Judge:
        """Return a judge by the same limits and rules, which raises again what holds."""
        return Judge(self._limits, self._rules, self._chattering, self._into_a)

    def advance(self, span: Span) -> Span:
        """Add the situation, the alarm changes of ``span`` in time order, and the faults of limits that they show."""
        for batch in span.batches:
            if batch.group.signals not in self._layouts:
                self._layouts.add(batch.group.signals)
                self._watch(batch.group.signals)
        self._situations.take(span)
        changes = self._out_of_service(span)
        inputs: list[AlarmInput] = [event for event in span.events if isinstance(event, _OPERATOR_INPUTS)]
        inputs += self._quiet.take(span)
        raises: list[Raise] = []
        # A derived signal's first rows may come long after they were true, and acts done meanwhile refer to them.
        self._earlier += inputs
        for watched in self._stirred(span, inputs):
            calm = watched.calm
            changes += watched.take(span, inputs, self._before)
            raises += [each for alarms in watched.alarms for each in alarms.raises]
            if watched.calm != calm:
                self._calm.clear()
        self._before |= {batch.group.key: batch for batch in span.batches}
        keys = {watched.chosen.key for watched in self._watched.values()}
        upto = min((span.complete.get(key, span.end) for key in keys if key is not None), default=span.end)
        changes += self._conditions.take(span.events, span.end)
        raises += self._conditions.raises
        changes = [replace(change, situation=self._situations.at(change.t)) for change in changes]
        changes.sort(key=lambda change: change.t)
        findings = self._faults.take(changes, raises, span.end if span.final else upto)
        # A condition lives on in the alarm that it raised.
        kept = tuple(event for event in span.events if not isinstance(event, AlarmCondition))
        events = (*kept, *changes, *findings)
        return replace(span, events=events, situation=self._situations.at(span.end))

    def _watch(self, signals: Iterable[str]) -> None:
        for signal in signals:
            limits = [each for each in self._limits if fnmatchcase(signal, each.signal)]
            if limits and signal not in self._watched:
                self._watched[signal] = _Watched(limits, signal, self._rules, self._earlier)

    def _stirred(self, span: Span, inputs: list[AlarmInput]) -> list[_Watched]:
        """Return the signals about which there may be something to tell: live they are few."""
        watched = self._watched.values()
        if inputs or span.final:
            return list(watched)
        found = {each for each in watched if each.calm is None}
        for batch in span.batches:
            key = batch.group.key
            if (calm := self._calm.get(key)) is None or calm.group is not batch.group:
                calm = self._calm[key] = _Calm(batch.group, watched)
            found |= calm.left_by(batch)
        return [each for each in watched if each in found] if found else []

    def _out_of_service(self, span: Span) -> list[AlarmChange]:
        """Say once, with the first row, which limits the owner has switched off: they must not be forgotten."""
        if self._began or not span.batches:
            return []
        self._began = True
        first = min(int(batch.t[0]) for batch in span.batches)
        nan = float("nan")
        return [
            AlarmChange(
                first, limit, LIMIT_SIGNALS[limit], "trip", "out of service", nan, nan, why, stands="out of service"
            )
            for limit, why in self._rules.out_of_service.items()
        ]


class _Watched:
    """The limits on one signal, side by side, and the group that the signal comes from.

    Attributes:
        calm: lowest and highest value that would change nothing; None while time alone may.
    """

    def __init__(self, limits: list[Limit], signal: str, rules: AlarmRules, earlier: list[AlarmInput]) -> None:
        self.chosen = Chosen(signal, measured_only=False)
        self._earlier = list(earlier)
        self._sides = {
            side: SignalAlarms(those, signal, rules)
            for side in ("high", "low")
            if (those := [each for each in limits if each.side == side])
        }
        self.alarms = tuple(self._sides.values())
        self.calm: tuple[float, float] | None = None
        self._number = f"{signal.removesuffix('_voltage')}_number"
        self._cell: int | None = None

    def take(self, span: Span, inputs: list[AlarmInput], before: Mapping[_Key, Batch]) -> list[AlarmChange]:
        """Judge ``span``; ``before`` are the latest batches before it, which may have been passed over."""
        found, key = self.chosen.find(span), self.chosen.key
        upto = span.end if key is None else span.complete.get(key, span.end)
        if self.calm is not None and key is not None:
            self._catch_up(before[key])
        if self._earlier:
            inputs, self._earlier = [*self._earlier, *inputs], []
        batch, values = found if found is not None else (None, NO_VALUES)
        if batch is not None and np.isnan(values).any():
            known = ~np.isnan(values)
            batch, values = Batch(batch.group, batch.t[known], batch.values[known]), values[known]
        t = NO_TIMES if batch is None else batch.t
        changes = []
        for each in self.alarms:
            changes += each.take(t, values, inputs, upto)
            if span.final:
                changes += each.standing_at(span.end)
        bounds = {side: each.calm_up_to for side, each in self._sides.items()}
        low, high = bounds.get("low", np.inf), bounds.get("high", np.inf)
        self.calm = None if low is None or high is None else (-low, high)
        return self._with_cells(changes, batch)

    def _catch_up(self, batch: Batch) -> None:
        """Know the latest value, and of which cell it was; a row that was not known has not been passed over."""
        row = batch.rows(len(batch) - 1, len(batch))
        value, numbers = row.column(self.chosen.signal), row.column(self._number)
        if value is not None and not np.isnan(value[0]):
            for each in self.alarms:
                each.value = float(value[0])
            self._cell = self._cell if numbers is None else _cell(numbers[0])

    def _with_cells(self, changes: list[AlarmChange], batch: Batch | None) -> list[AlarmChange]:
        """Name the cell that the value was of at each change, where the signal is that of one cell of many."""
        numbers = None if batch is None else batch.column(self._number)
        if numbers is None or batch is None:
            return changes if self._cell is None else [replace(change, cell=self._cell) for change in changes]
        named = []
        for change in changes:
            known = int(np.searchsorted(batch.t, change.t, side="right"))
            named.append(replace(change, cell=_cell(numbers[known - 1]) if known else self._cell))
        self._cell = _cell(numbers[-1]) if len(numbers) else self._cell
        return named


class _Calm:
    """Between which values the signals of one group change nothing; those that are calm."""

    def __init__(self, group: Group, watched: Iterable[_Watched]) -> None:
        self.group = group
        self._those = [
            (each, group.signals.index(each.chosen.signal), *each.calm)
            for each in watched
            if each.calm is not None and each.chosen.key == group.key
        ]

    def left_by(self, batch: Batch) -> set[_Watched]:
        """Return those of which a value of ``batch`` lies outside or is not known."""
        if not self._those:
            return set()
        least = most = batch.values[0].tolist()
        if len(batch) > 1:
            least, most = batch.values.min(axis=0).tolist(), batch.values.max(axis=0).tolist()
        return {each for each, at, low, high in self._those if not (low <= least[at] and most[at] <= high)}


class _QuietByDesign:
    """Follows the conditions under which alarms are suppressed by design, as far as limits in force ask for them."""

    def __init__(self, limits: Iterable[Limit]) -> None:
        names = dict.fromkeys(limit.name for limit in limits)
        self._rows = [(name, row) for name in names for row in suppression_rows(name)]
        self._followed = {
            name: Followed(CONDITIONS[name]) for name in dict.fromkeys(row.condition for _, row in self._rows)
        }

    def take(self, span: Span) -> list[Suppress]:
        """Return what begins or ends in ``span``, in time order for each limit."""
        changes = []
        for name, followed in self._followed.items():
            for t, on in followed.take(span):
                for limit, row in self._rows:
                    if row.condition == name:
                        change = Suppress(t, limit, name, row.levels, on, f"{CONDITIONS[name].words}: {row.reason}")
                        changes.append(change)
        return changes


def _cell(number: float) -> int | None:
    return None if np.isnan(number) else int(number)
