"""Whether power was lost under load, from what a machine measures besides the BMS's own flag.

Two signs, either of which is enough:

- the controller's supply voltage collapses while the pack's does not, and the current goes with it;
- the current falls to nothing at once while the throttle is held.

A fuse, a contactor, a joint, a seat switch and a controller's cut-out look the same here. Pack voltage and current
alone say nothing: a foot that lifts looks the same. All thresholds are ours, set on simulated drives.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from telemetry.analysis.recent import Recent
from telemetry.model.batch import MICROSECONDS, Flags, Values

_LEAST_NONE_A = 1.5  # what counts as no current at the least: offset of a sensor, and what electronics draw
_LEAST_LOAD_A = 2.0  # above what a controller draws at a stop
_COLLAPSED, _RECOVERED, _GONE = 0.85, 0.92, 0.6  # shares of the usual controller to pack voltage
_LEFT_OVER, _OTHERS_DRAW = 0.2, 0.8  # shares of the current before, without and with other consumers
_LEAST_PACK_V = 5.0  # below this the pack is off
_LEARN = 0.05  # weight of a new pair in the usual controller to pack voltage
_JUST_BEFORE = MICROSECONDS
_SKEW = MICROSECONDS // 20
_PRESSED, _AT_REST, _GIVEN_BACK = 0.15, 0.08, 0.03  # shares of the throttle's travel
_LEAST_TRAVEL_V = 0.3
_NO_CURRENT, _LOADED = 0.05, 0.25  # shares of the highest current so far
_AT_ONCE, _SLOWEST, _CONFIRMED = MICROSECONDS // 10, 16 * MICROSECONDS // 100, MICROSECONDS // 5
_LEVEL = 0.7


@dataclass
class Signals:
    """What the rules look at: the recent rows of each signal."""

    current: Recent = field(default_factory=Recent)
    pack: Recent = field(default_factory=Recent)
    supply: Recent = field(default_factory=Recent)
    throttle: Recent = field(default_factory=Recent)
    enable: Recent = field(default_factory=Recent)
    implement: Recent = field(default_factory=Recent)
    speed: Recent = field(default_factory=Recent)

    @property
    def no_current_a(self) -> float:
        """Current that counts as none, A, either way."""
        return max(_LEAST_NONE_A, _NO_CURRENT * self.current.highest)

    @property
    def load_a(self) -> float:
        """Current from which the machine counts as under load, A."""
        return max(_LEAST_LOAD_A, _NO_CURRENT * self.current.highest)

    def highest_a(self, current: Values) -> Values:
        """Return the highest current so far at each of the next rows, A; NaN for no row."""
        return np.asarray(np.fmax.accumulate(np.concatenate([[self.current.highest], current]))[1:])

    def are_loads(self, current: Values) -> Flags:
        """Return at which of the next rows the machine is under load."""
        return np.asarray(current >= np.fmax(_LEAST_LOAD_A, _NO_CURRENT * self.highest_a(current)))

    def travel(self, volts: float) -> float:
        """Return the share of the throttle's travel seen so far; 0 while it has not moved."""
        width = self.throttle.highest - self.throttle.lowest
        return (volts - self.throttle.lowest) / width if width > _LEAST_TRAVEL_V else 0.0

    def was_loaded(self, start: int) -> bool:
        """Return whether the machine drew current, moved or was throttled at or after ``start``."""
        return (
            any(value >= self.load_a for value in self.current.since(start))
            or any(abs(value) > 1.0 for value in self.speed.since(start))
            or any(self.travel(value) > _PRESSED for value in self.throttle.since(start))
        )

    def is_disabled(self, t: int) -> bool:
        """Return whether the enable line is off, or was within the last second: the driver, or a seat switch."""
        line = self.enable
        if not line.is_fresh(t) or line.highest < 1.0:
            return False
        recent = line.since(t - _JUST_BEFORE) or [line.rows[-1][1]]
        return min(recent) < 0.5 * line.highest


@dataclass(frozen=True)
class Loss:
    """Power was lost: the signal that shows it, its value, and the sentence for the operator."""

    signal: str
    value: float
    why: str


class SupplyCollapse:
    """The sign of the two voltages.

    Args:
        signals: kept up to date by whoever asks.

    """

    def __init__(self, signals: Signals) -> None:
        self._signals = signals
        self._usual = 0.0
        self._began: int | None = None
        self._before = 0.0
        self._counts = False

    def step(self, t: int, new_supply: bool, new_pack: bool) -> Loss | None:
        """Look at the rows of time ``t``; return the loss on the row that shows it."""
        signals = self._signals
        supply, pack = signals.supply.value, signals.pack.value
        if supply is None or pack is None or pack < _LEAST_PACK_V or not signals.pack.is_fresh(t):
            return None
        ratio = supply / pack
        if new_supply or new_pack:
            if ratio >= _COLLAPSED * self._usual:
                self._began = None
                if new_pack and signals.supply.is_fresh(t):
                    self._usual += (ratio - self._usual) * (_LEARN if self._usual else 1.0)
                return None
            if self._began is None and new_supply:
                self._begin(t)
        if self._began is None or not self._counts:
            return None
        return self._decide(t, ratio, supply)

    @property
    def is_idle(self) -> bool:
        """Whether the supply is not low."""
        return self._began is None

    def look_ahead(self, supply: Values, pack: Values, fresh: Flags) -> tuple[Values, Flags]:
        """Return the ratio of the latest of both voltages at each row, and where it may be low: nowhere else is it.

        Args:
            supply, pack: float64 (rows,), V, NaN before any.
            fresh: whether that of the pack is.
        """
        ratio = np.where(fresh & (pack >= _LEAST_PACK_V), supply / pack, np.nan)
        most = np.fmax.accumulate(np.concatenate([[self._usual], ratio]))[1:]
        return ratio, np.asarray(ratio < _COLLAPSED * most * (1.0 + 1e-9))  # nor by the last bit of an average

    def learn(self, ratios: Values) -> None:
        """Take rows of which none is low."""
        for ratio in ratios.tolist():
            self._usual += (ratio - self._usual) * (_LEARN if self._usual else 1.0)

    def is_back(self, t: int) -> bool:
        """Return whether the controller has its supply."""
        supply, pack = self._signals.supply, self._signals.pack
        if supply.value is None or pack.value is None or not supply.is_fresh(t):
            return False
        return supply.value >= _RECOVERED * self._usual * pack.value

    def _begin(self, t: int) -> None:
        """Take that the supply is low from now on; settle whether the machine was under load just before."""
        signals = self._signals
        self._began = t
        current, throttle = signals.current, signals.throttle
        self._counts = True
        if throttle.is_fresh(t) and throttle.highest - throttle.lowest > _LEAST_TRAVEL_V:
            start = t - max(_JUST_BEFORE // 2, throttle.interval)
            self._counts = any(signals.travel(value) > _AT_REST for value in throttle.since(start))
        if current.is_fresh(t):
            start = t - max(_JUST_BEFORE, current.interval * 3 // 2)
            self._before = max(current.since(start), default=0.0)
            self._counts &= self._before >= signals.load_a
        else:
            self._counts &= throttle.is_fresh(t) or any(abs(v) > 1.0 for v in signals.speed.since(t - _JUST_BEFORE))

    def _decide(self, t: int, ratio: float, supply: float) -> Loss | None:
        signals, began = self._signals, self._began
        assert began is not None
        # A pack that sags pulls the controller down with it: only a pack row from after the drop separates them.
        # So does a poor joint while current flows: then what is left of the current must be next to nothing.
        pack_t, is_gone = signals.pack.t, ratio <= _GONE * self._usual
        if not is_gone and (pack_t is None or pack_t < began - _SKEW):
            return None
        if signals.current.is_fresh(t):
            current_t, current = signals.current.rows[-1]
            most = max(signals.no_current_a, (_OTHERS_DRAW if is_gone else _LEFT_OVER) * self._before)
            if current_t < began - _SKEW or current > most:
                return None
        elif len(signals.supply.since(began)) <= 1:  # one odd reading is not a loss
            return None
        if signals.is_disabled(t):
            self._counts = False
            return None
        self._counts = False
        why = "power lost under throttle, cause not known: the controller has no supply though the pack has voltage"
        return Loss("controller_voltage", supply, why)


class CurrentGone:
    """The sign of the throttle: current that falls to nothing at once while it is held.

    A broken path takes all of the current from one row to the next. Rows that come about ten times a second show it:
    a controller's ramp takes longer, and so does a slope on which a speed-controlled motor draws nothing. Slower rows
    cannot separate these, and nothing is reported.

    Args:
        signals: kept up to date by whoever asks.

    """

    def __init__(self, signals: Signals) -> None:
        self._signals = signals
        self._gone_from: int | None = None
        self._held_from = 0

    def step(self, t: int, new_current: bool) -> Loss | None:
        """Look at the rows of time ``t``; return the loss on the row that shows it."""
        current = self._signals.current
        if new_current:
            if abs(current.rows[-1][1]) > self._signals.no_current_a:
                self._gone_from = None
            elif len(current.rows) > 1 and abs(current.rows[-2][1]) > self._signals.no_current_a:
                self._gone_from = t if self._fell_at_once(t) else None
        return None if self._gone_from is None else self._decide(self._gone_from)

    @property
    def is_idle(self) -> bool:
        """Whether no current has just gone."""
        return self._gone_from is None

    def may_begin(self, current: Values, before: Values) -> Flags:
        """Return at which rows the current is gone that flowed before, float64 (rows,) each, A, NaN for no row."""
        none = np.fmax(_LEAST_NONE_A, _NO_CURRENT * self._signals.highest_a(current))
        return np.asarray((np.abs(current) <= none) & (np.abs(before) > none))

    def is_back(self, t: int) -> bool:
        """Return whether current flows."""
        current = self._signals.current
        return current.is_fresh(t) and current.rows[-1][1] > self._signals.load_a

    def _fell_at_once(self, t: int) -> bool:
        """Return whether the current was a load that had not begun to fall a row, or a tenth of a second, before."""
        current = self._signals.current
        last = current.at(t - max(_AT_ONCE, current.interval))
        least = max(3 * self._signals.no_current_a, _LOADED * current.highest)
        if last is None or t - last[0] > _SLOWEST or last[1] < least:
            return False
        self._held_from = last[0] - 2 * _AT_ONCE
        before = current.between(last[0] - MICROSECONDS, last[0] + 1)
        return last[1] >= _LEVEL * sum(before) / len(before)

    def _decide(self, began: int) -> Loss | None:
        signals = self._signals
        throttle, current = signals.throttle, signals.current
        travels = [signals.travel(value) for value in throttle.since(self._held_from)]
        if not travels or min(travels) < _PRESSED or _given_back(travels) > _GIVEN_BACK:
            self._gone_from = None  # the foot asked for it
            return None
        if min(current.rows[-1][0], throttle.rows[-1][0]) - began < _CONFIRMED:
            return None
        self._gone_from = None
        if signals.is_disabled(began) or len(set(signals.implement.since(began - MICROSECONDS))) > 1:
            return None
        why = "power lost under throttle, cause not known: the current dropped to zero at once"
        return Loss("pack_current", current.rows[-1][1], why)


def _given_back(travels: list[float]) -> float:
    """Return by how much a throttle was let up, share of travel; one that rises asks for more."""
    most = back = 0.0
    for travel in travels:
        most = max(most, travel)
        back = max(back, most - travel)
    return back
