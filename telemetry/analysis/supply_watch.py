"""The stage that says when power is lost while driving, and when the BMS ends a charge or electric braking.

It decides on the row that has just come, for the driver must know at once;
:mod:`telemetry.analysis.fault_isolation.suspicion` marks the same moments some seconds later, with what came after
them in view.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.analysis.chosen import Chosen, rows_together
from telemetry.analysis.recent import KEPT, Recent
from telemetry.analysis.supply_loss import CurrentGone, Loss, Signals, SupplyCollapse
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Flags, Span, Times, Values
from telemetry.model.events import AlarmCondition
from telemetry.model.signals import ON

DISCHARGE, SUPPLY, CHARGE = "discharge-disabled", "supply-lost", "charge-disabled"
BRAKING_GONE = "electric braking is gone: the BMS disabled charge while the machine was braking"
CHARGE_ENDED = "the BMS disabled charge, though no cell is near full"
_DISCHARGE_WHY = "the BMS disabled discharge under load"

_LOADED_WITHIN = 3 * MICROSECONDS
"""A flag polled at 1 Hz shows late what has already taken the current away."""
_FLAG_LATE = 3 * MICROSECONDS
_JUST_BEFORE = MICROSECONDS
_BACK_FOR = 2 * MICROSECONDS
_CHARGES_A = 0.5
_DRIVEN_WITHIN = 15 * MICROSECONDS
_NEAR_FULL = 0.10
"""V below the end of an ordinary charge, a cell: from there on a BMS may end it by right (ours)."""
_NOT_FULL_V = 3.35
"""A charging cell below this is far from full in every lithium chemistry; for a pack without machine file (ours)."""

_MANY = 16
"""Rows of a span from which looking ahead costs less than looking at each."""

_CURRENT, _PACK, _SUPPLY, _THROTTLE, _ENABLE, _IMPLEMENT, _SPEED, _DISCHARGE, _CHARGE, _CELL = range(10)
_NAMES = (
    "pack_current",
    "pack_voltage",
    "controller_voltage",
    "throttle_voltage",
    "enable_voltage",
    "implement_engaged",
    "vehicle_speed",
    "discharge_allowed",
    "charge_allowed",
    "cell_max_voltage",
)


@dataclass(frozen=True, eq=False)
class _Ahead:
    """What the rows of a span show before any is looked at by itself.

    Attributes:
        busy: the rows at which something may begin.
        ratios: float64 (rows,), controller to pack voltage where the usual one is learnt, else NaN.
        driven: whether the machine is under load at each row.
    """

    busy: npt.NDArray[np.intp]
    ratios: Values
    driven: Flags


class SupplyWatch:
    """Adds an :class:`~telemetry.model.events.AlarmCondition` where power is lost and where it is back.

    Args:
        pack: what the machine file states of it; None where there is none.

    """

    def __init__(self, pack: Pack | None = None) -> None:
        self._chosen = [Chosen(name, measured_only=False) for name in _NAMES]
        self._signals = signals = Signals()
        self._cell = Recent()
        self._kept = (
            signals.current,
            signals.pack,
            signals.supply,
            signals.throttle,
            signals.enable,
            signals.implement,
            signals.speed,
        )
        self._collapse, self._gone = SupplyCollapse(signals), CurrentGone(signals)
        self._full_v = _NOT_FULL_V if pack is None else pack.cell.charge_v - _NEAR_FULL
        self._cells = None if pack is None else pack.cells_in_series
        self._discharge: float | None = None
        self._charge: float | None = None
        self._charge_t = 0
        self._loss: Loss | None = None
        self._lost_at = self._cleared_at = -(2**62)
        self._back_since: int | None = None
        self._driven_at = -(2**62)
        self._disabled = self._no_charge = False

    def advance(self, span: Span) -> Span:
        """Add what begins or ends in ``span``, each at the time of the row that shows it."""
        found: list[AlarmCondition] = []
        times, table = rows_together(self._chosen, span)
        ahead = self._look_ahead(times, table) if len(times) >= _MANY else None
        at = 0
        while at < len(times):
            if ahead is not None and self._is_idle:
                at = self._pass_quiet(times, table, at, ahead)
            if at < len(times):
                found += self._step(int(times[at]), table[at].tolist())
                at += 1
        return span.adding(events=found) if found else span

    @property
    def _is_idle(self) -> bool:
        """Whether nothing is under way, so that rows at which nothing can begin change nothing but what is known."""
        begun = self._loss is not None or self._disabled or self._no_charge
        return not begun and self._collapse.is_idle and self._gone.is_idle

    def _look_ahead(self, times: Times, table: Values) -> _Ahead:
        signals = self._signals
        current, pack, supply = (table[:, place] for place in (_CURRENT, _PACK, _SUPPLY))
        pack_t, latest_pack = signals.pack.followed_by(times, pack)
        supply_t, latest_supply = signals.supply.followed_by(times, supply)
        before = np.concatenate([[signals.current.value or 0.0], signals.current.followed_by(times, current)[1][:-1]])
        busy = self._gone.may_begin(current, before)
        ratio, low = self._collapse.look_ahead(latest_supply, latest_pack, times - pack_t <= KEPT)
        busy |= low
        for place in (_DISCHARGE, _CHARGE):
            busy |= table[:, place] < ON
        learns = ~np.isnan(pack) & (times - supply_t <= KEPT)
        return _Ahead(np.flatnonzero(busy), np.where(learns, ratio, np.nan), signals.are_loads(current))

    def _pass_quiet(self, times: Times, table: Values, at: int, ahead: _Ahead) -> int:
        """Take the rows from ``at`` on at which nothing can begin; return the first other one."""
        next_busy = int(np.searchsorted(ahead.busy, at))
        until = int(ahead.busy[next_busy]) if next_busy < len(ahead.busy) else len(times)
        t, rows = times[at:until], table[at:until]
        if not len(t):
            return until
        for place, recent in (*enumerate(self._kept), (_CELL, self._cell)):
            known = ~np.isnan(rows[:, place])
            recent.extend(t[known], rows[known, place])
        ratios = ahead.ratios[at:until]
        self._collapse.learn(ratios[~np.isnan(ratios)])
        driven = np.flatnonzero(ahead.driven[at:until])
        if len(driven):
            self._driven_at = int(t[driven[-1]])
        discharge, charge = (np.flatnonzero(~np.isnan(rows[:, place])) for place in (_DISCHARGE, _CHARGE))
        if len(discharge):
            self._discharge = float(rows[discharge[-1], _DISCHARGE])
        if len(charge):
            self._charge, self._charge_t = float(rows[charge[-1], _CHARGE]), int(t[charge[-1]])
        return until

    def _step(self, t: int, row: list[float]) -> list[AlarmCondition]:
        for recent, value in zip(self._kept, row, strict=False):
            if value == value:
                recent.add(t, value)
        if row[_CELL] == row[_CELL]:
            self._cell.add(t, row[_CELL])
        if row[_CURRENT] >= self._signals.load_a:
            self._driven_at = t
        return [*self._flags(t, row), *self._supply(t, row)]

    def _flags(self, t: int, row: list[float]) -> Iterator[AlarmCondition]:
        """Take the two flags of the BMS."""
        allowed = row[_DISCHARGE]
        if allowed == allowed:
            if allowed < ON and self._discharge is not None and self._discharge >= ON:
                late = self._loss is not None or t - self._cleared_at <= _FLAG_LATE
                if late or self._signals.was_loaded(t - _LOADED_WITHIN):
                    yield from self._end_loss(t)
                    self._disabled = True
                    yield AlarmCondition(t, DISCHARGE, "discharge_allowed", True, _DISCHARGE_WHY)
            elif allowed >= ON and self._disabled:
                self._disabled = False
                yield AlarmCondition(t, DISCHARGE, "discharge_allowed", False)
            self._discharge = allowed
        allowed = row[_CHARGE]
        if allowed == allowed:
            if allowed < ON and self._charge is not None and self._charge >= ON:
                why = self._charge_lost(t)
                if why:
                    self._no_charge = True
                    yield AlarmCondition(t, CHARGE, "charge_allowed", True, why)
            elif allowed >= ON and self._no_charge:
                self._no_charge = False
                yield AlarmCondition(t, CHARGE, "charge_allowed", False)
            self._charge, self._charge_t = allowed, t

    def _charge_lost(self, t: int) -> str:
        """Return why it matters that charge was disabled at ``t``; empty where it does not."""
        signals = self._signals
        start = max(t - _LOADED_WITHIN, min(t, self._charge_t) - _JUST_BEFORE)
        into = min(signals.current.since(start), default=0.0)
        if into > -_CHARGES_A:
            return ""
        moving = signals.speed.since(t - _LOADED_WITHIN)
        driving = any(abs(v) > 1.0 for v in moving) if moving else t - self._driven_at < _DRIVEN_WITHIN
        if driving:
            return BRAKING_GONE
        if self._cell.is_fresh(t):
            return CHARGE_ENDED if self._cell.rows[-1][1] < self._full_v else ""
        volts = signals.pack.value
        if self._cells is None or volts is None:
            return ""
        return CHARGE_ENDED if volts < self._full_v * self._cells else ""

    def _supply(self, t: int, row: list[float]) -> Iterator[AlarmCondition]:
        """Take what the voltages, the current and the throttle show."""
        new = [value == value for value in row]
        no_supply = self._collapse.step(t, new[_SUPPLY], new[_PACK])
        no_current = self._gone.step(t, new[_CURRENT])
        loss = no_supply or no_current
        if self._loss is not None:
            if self._signals.is_disabled(t) and t - self._lost_at <= _JUST_BEFORE:
                yield from self._end_loss(t)  # the key was turned off; its line was read later
            else:
                yield from self._watch_return(t)
        elif loss is not None and not self._is_explained():
            self._loss, self._lost_at, self._back_since = loss, t, None
            yield AlarmCondition(t, SUPPLY, loss.signal, True, loss.why, loss.value)

    def _is_explained(self) -> bool:
        return self._discharge is not None and self._discharge < ON

    def _watch_return(self, t: int) -> Iterator[AlarmCondition]:
        assert self._loss is not None
        by_voltage = self._loss.signal == "controller_voltage"
        back = self._collapse.is_back(t) if by_voltage else self._gone.is_back(t)
        if not back:
            self._back_since = None
        elif self._back_since is None:
            self._back_since = t
        elif t - self._back_since >= _BACK_FOR:
            yield from self._end_loss(t)

    def _end_loss(self, t: int) -> Iterator[AlarmCondition]:
        if self._loss is None:
            return
        signal, self._loss, self._cleared_at = self._loss.signal, None, t
        yield AlarmCondition(t, SUPPLY, signal, False)
