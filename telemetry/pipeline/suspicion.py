"""The stage that sets a mark by itself when a part seems to fail, so that the driver can repeat the manoeuvre.

It works in blocks of half a second and looks two seconds back, because a BMS trip is reported late and only the
following readings show whether it was the foot or a loose wire. The usual values (range and noise of the throttle,
voltage between pack and controller, current at rest) come from the last two minutes of the same drive; nothing is
marked in the first half minute. The judgement itself is left to ``isolate``, which sees the whole drive.

A replay makes these marks anew: recorded ones are removed from the span, so that none appears twice.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from telemetry.analysis.fault_isolation.drive import SLOWEST_PEDAL_S
from telemetry.analysis.fault_isolation.response import PedalRange, pedal_range
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.events import Event, Mark
from telemetry.pipeline.blocks import Holder
from telemetry.pipeline.lately import LENGTH, Lately
from telemetry.pipeline.pedal_edges import pedal_edges, trembles
from telemetry.pipeline.sinking_output import SinkingOutput, SteadyHalfSecond

FIRST_AFTER = 30 * MICROSECONDS
SAME_AFTER = 10 * MICROSECONDS
MOST_MARKS = 30
SUSPICIONS = (
    "throttle signal dropped out",
    "throttle signal jumped",
    "BMS trip",
    "high voltage drop to controller",
    "output dropped, throttle steady",
    "throttle signal jittered",
    "output folded back, throttle steady",
)
"""The words of the marks; a fault nearer to the throttle or the pack explains faults of the parts after it."""
_EARLIER_WORDS = (
    "pedal signal dropped",
    "pedal signal jumped",
    "pack's switch opened",
    "voltage lost on the way",
    "output fell away, pedal steady",
    "pedal signal trembled",
    "output sank, pedal as before",
)
"""The same in recordings of earlier versions."""

_BEHIND = 4  # blocks
_DROPPED, _JUMPED, _OPENED, _LOST, _OUTPUT, _TREMBLED, _SANK = SUSPICIONS
_SAME_MOMENT = 3 * MICROSECONDS // 2
_STEADY, _PRESSED = 0.008, 0.2  # shares of the pedal's travel
_LEAST_RANGE_V = 0.3  # a pedal that moved less was not pressed, or is not connected
_FALL = 4 * MICROSECONDS // 10
_HELD = 0.05  # share of the pedal's range within which it counts as held
_LONGEST_STEP = 11 * MICROSECONDS // 10


class Suspicion:
    """Adds a program's :class:`~telemetry.model.events.Mark` at the time of each suspicious event.

    At most one of a kind in ten seconds, and thirty in a session.
    """

    def __init__(self) -> None:
        self._holder = Holder(LENGTH)
        self._pedal, self._switch = Lately("throttle_voltage"), Lately("discharge_allowed")
        self._supply, self._pack = Lately("controller_voltage"), Lately("pack_voltage")
        self._current, self._implement = Lately("pack_current"), Lately("implement_engaged")
        self._speed = Lately("vehicle_speed")
        self._signals = (
            self._pedal,
            self._switch,
            self._supply,
            self._pack,
            self._current,
            self._implement,
            self._speed,
        )
        self._sinking = SinkingOutput()
        self._due: set[int] = set()
        self._last: dict[str, int] = {}
        self._count = 0

    def advance(self, span: Span) -> Span:
        """Replace recorded marks of this stage by those that it makes itself."""
        span = replace(span, events=tuple(event for event in span.events if not _is_ours(event)))
        end = span.end + (_BEHIND + 1) * LENGTH if span.final else span.end  # nothing more comes after the last
        held = self._holder.take(replace(span, end=end))
        if held is None:
            return span
        for signal in self._signals:
            for number in signal.take(held, end):
                self._due |= set(range(number, number + _BEHIND + 1))
        over = sorted(number for number in self._due if (number + 1) * LENGTH <= end)
        self._due -= set(over)
        return span.adding(events=[mark for number in over for mark in self._marks(number)])

    def _marks(self, number: int) -> list[Mark]:
        """Judge the half second that lies two seconds before the end of block ``number``."""
        for signal in self._signals:
            signal.move_on(number)
        until = (number + 1 - _BEHIND) * LENGTH
        start = until - LENGTH
        seen = {**self._pedal_marks(start, until), **self._supply_marks(start, until)}
        if not seen and self._may(_OUTPUT, start) and (t := self._output_fell(start, until)) is not None:
            seen[_OUTPUT] = t
        if self._sank(start, until):
            seen[_SANK] = start
        marks = []
        for words, t in seen.items():
            if not self._may(words, t):
                continue
            self._last[words] = t
            self._count += 1
            marks.append(Mark(t, words, "program"))
        return marks

    def _may(self, words: str, t: int) -> bool:
        """Tell whether a mark of that kind may be set at ``t``; none of the output right after one of its inputs."""
        if self._count >= MOST_MARKS:
            return False
        if words == _OUTPUT and any(t - last < _SAME_MOMENT for last in self._last.values()):
            return False
        return words not in self._last or t - self._last[words] >= SAME_AFTER

    def _pedal_marks(self, start: int, until: int) -> dict[str, int]:
        pedal = self._pedal
        if pedal.first is None or start - pedal.first < FIRST_AFTER or not pedal.high - pedal.low > _LEAST_RANGE_V:
            return {}
        if not self._may(_DROPPED, start):
            return {}
        least = 0.1 * (pedal.high - pedal.low)
        if not _spread(pedal, start - LENGTH) >= least:
            return {}
        t, volts = pedal.since(start - LENGTH)
        if len(t) < 4 or float(np.abs(np.diff(volts)).max()) < least:
            return {}
        t, volts = pedal.since()
        if float(np.median(np.diff(t))) > SLOWEST_PEDAL_S * MICROSECONDS:
            return {}
        limits = pedal_range(volts)
        # A foot that held one spot for long looks at rest there; a machine is switched on with the pedal let go.
        limits = replace(limits, rest=min(limits.rest, pedal.began))
        seconds = (t - start) / MICROSECONDS
        marks: dict[str, int] = {}
        for edge in pedal_edges(seconds, volts, limits):
            at = start + round(edge.t * MICROSECONDS)
            if start <= at < until:
                marks.setdefault(_DROPPED if edge.depth < 0 else _JUMPED, at)
        for began in () if marks else trembles(seconds, volts, limits):
            at = start + round(began * MICROSECONDS)
            if start <= at < until:
                marks.setdefault(_TREMBLED, at)
        return marks

    def _supply_marks(self, start: int, until: int) -> dict[str, int]:
        if self._switch.bounds(start - 4 * LENGTH)[0] < 0.5:
            t, allowed = self._switch.since(start - 4 * LENGTH)
            opened = t[1:][(allowed[1:] < 0.5) & (allowed[:-1] >= 0.5)]
            now = opened[(opened >= start) & (opened < until)]
            if len(now):
                return {_OPENED: int(now[0])}
            if ((allowed < 0.5) & (t >= start - LENGTH)).any():
                return {}
        if not self._may(_LOST, start):
            return {}
        lost = self._voltage_lost(start, until)
        return {} if lost is None else {_LOST: lost}

    def _voltage_lost(self, start: int, until: int) -> int | None:
        """Return when the controller's voltage fell away from the pack's, twice on end; None where it did not."""
        supply = self._supply
        if supply.first is None or start - supply.first < FIRST_AFTER:
            return None
        lowest, _ = supply.bounds(start - 4 * LENGTH)
        pack_low, pack_high = self._pack.bounds(start - 4 * LENGTH)
        if not pack_high - lowest > 0.06 * pack_low:
            return None
        t, volts = supply.since(start - 4 * LENGTH)
        pack_t, pack = self._pack.since(start - 4 * LENGTH)
        if len(t) < 2 or len(pack_t) < 2:
            return None
        away = np.interp(t, pack_t, pack) - volts
        low = (away > 0.06 * float(np.median(pack))) & (t >= start) & (t < until)
        if not low.any():
            return None
        all_t, all_volts = supply.since()
        all_away = np.interp(all_t, *self._pack.since()) - all_volts
        usual, high = np.quantile(all_away[all_t < start], [0.5, 0.95])
        low &= away > usual + 3.0 * (high - usual) + 0.06 * float(np.median(pack))
        rows = np.flatnonzero(low[:-1] & (away[1:] > 0.06 * float(np.median(pack))))
        return int(t[rows[0]]) if len(rows) else None

    def _output_fell(self, start: int, until: int) -> int | None:
        """Return when the current fell to that at rest while the pedal was held and the pack's switch closed."""
        pedal = self._pedal
        if pedal.first is None or self._current.first is None or not pedal.high - pedal.low > _LEAST_RANGE_V:
            return None
        if start - max(pedal.first, self._current.first) < FIRST_AFTER:
            return None
        if self._changed(self._implement, start, until) or self._is_open(start, until):
            return None
        if not _spread(self._current, start - 2 * LENGTH) > 0.08 * self._current.high:
            return None
        t, current = self._current.since(start - 2 * LENGTH)
        after = np.maximum(np.searchsorted(t, t + _FALL), np.arange(len(t)) + 1)
        first = np.flatnonzero((t >= start) & (t < until) & (after < len(t)))
        if not len(first):
            return None
        fell = current[first] - current[after[first]] > 0.08 * self._current.high
        first = first[fell & (t[after[first]] - t[first] < _LONGEST_STEP)]
        if not len(first):
            return None
        _, all_current = self._current.since()
        rest, high = np.maximum(np.quantile(all_current, [0.04, 0.95]), 0.0)
        noise = 1.5 * float(np.median(np.abs(np.diff(all_current))))
        pedal_t, volts = pedal.since()
        limits = pedal_range(volts)
        for row in first.tolist():
            lately = current[(t > t[row] - LENGTH // 2) & (t <= t[row])]
            later = current[(t >= t[after[row]]) & (t < t[after[row]] + LENGTH // 2)]
            before, left = float(np.median(lately)) - rest, float(np.median(later)) - rest
            if before < max(0.15 * (high - rest), 12 * noise) or left > 0.25 * before:
                continue
            beside = (pedal_t > t[row] - LENGTH) & (pedal_t < t[after[row]] + LENGTH // 2)
            travel = limits.travel(volts[beside])
            if len(travel) < 3 or travel.min() < _PRESSED:
                continue
            given_back = float((np.maximum.accumulate(travel) - travel).max())  # a pedal that rises asks for more
            if given_back < _STEADY + 5 * _share(limits):
                return int(t[row])
        return None

    def _sank(self, start: int, until: int) -> bool:
        """Tell whether less comes for the same pedal than in the first minutes, in half seconds of a steady pedal."""
        pedal = self._pedal
        if not pedal.high - pedal.low > _LEAST_RANGE_V:
            return False
        if self._is_open(start, until) or self._changed(self._implement, start, until):
            return False
        t, volts = pedal.since(start - LENGTH)
        before, now = volts[t < until], volts[(t >= start) & (t < until)]
        width = pedal.high - pedal.low
        if len(now) < 2 or np.ptp(before) > _HELD * width or now.mean() < pedal.low + 0.1 * width:
            return False
        read = [signal.since(start) for signal in (self._speed, self._current)]
        speed, current = (values[t < until] for t, values in read)
        if not len(speed) or not len(current):
            return False
        engaged = self._implement.since(start - 2 * LENGTH)[1]
        engaged_now = float(engaged[0]) if len(engaged) else 0.0
        moment = SteadyHalfSecond(float(now.mean()), float(speed.mean()), engaged_now, float(current.mean()))
        return self._sinking.take(moment, pedal.low, pedal.high)

    def _is_open(self, start: int, until: int) -> bool:
        if not self._switch.bounds(start - LENGTH)[0] < 0.5:
            return False
        t, allowed = self._switch.since(start - LENGTH)
        return bool((allowed[t < until + 2 * LENGTH] < 0.5).any())

    def _changed(self, signal: Lately, start: int, until: int) -> bool:
        if not _spread(signal, start - 2 * LENGTH) > 0.5:
            return False
        t, values = signal.since(start - 2 * LENGTH)
        values = values[t < until + 2 * LENGTH]
        return len(values) > 1 and float(np.ptp(values)) > 0.5


def _spread(signal: Lately, start: int) -> float:
    """Return how far the readings from ``start`` on lie apart at most; NaN where there are none."""
    low, high = signal.bounds(start)
    return high - low


def _share(limits: PedalRange) -> float:
    """Return the pedal's noise as a share of its travel."""
    return limits.noise / max(limits.top - limits.rest, 1e-6)


def _is_ours(event: Event) -> bool:
    return isinstance(event, Mark) and event.by == "program" and event.text in SUSPICIONS + _EARLIER_WORDS
