"""What the machine is doing, from current and speed: driving, braking, charging or resting.

Of a machine without a speed signal only the current shows whether it moves. One that gave more than 2 A within the
last minute may still roll; a standing machine with its key on draws less. Ours.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from telemetry.alarms.comparator import Comparator
from telemetry.alarms.rules import CONDITIONS, Condition
from telemetry.analysis.charger_watch import INTO_A, MOVES
from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.gaps import steps
from telemetry.model.batch import MICROSECONDS, Span, Times
from telemetry.model.events import Situation

_OUT = Condition("pack_current", "high", 2.0, 1.0, 0.0, 60.0, "the pack has given current within the last minute")
_SPEEDS = tuple(Condition(name, "high", least, least / 2, 0.0, 5.0, "it moves") for name, least in MOVES.items())
_GAP = 10 * MICROSECONDS
_KEPT = 1000
"""Changes of one condition that a late signal may still ask for."""


class Followed:
    """One condition on its own signal.

    Args:
        condition: what holds or does not.
        magnitude: whether the signal's sign does not matter.

    """

    def __init__(self, condition: Condition, magnitude: bool = False) -> None:
        self._chosen = Chosen(condition.signal, measured_only=False)
        self._magnitude = magnitude
        self._comparator = Comparator(
            condition.side,
            condition.bound,
            condition.clear_margin,
            condition.raise_delay_s,
            condition.clear_delay_s,
        )
        self.t: Times = np.empty(0, dtype=np.int64)

    def take(self, span: Span) -> list[tuple[int, bool]]:
        """Return when it began or ended in ``span``; :attr:`t` are the times of the known rows of ``span``."""
        self.t, values = known_values(self._chosen, span)
        if self._magnitude:
            values = np.abs(values)
        return [(crossing.t, crossing.on) for crossing in self._comparator.take(self.t, values, span.end)]


class _Flag:
    """When something began and ended to hold, as far back as late signals may ask."""

    def __init__(self) -> None:
        self._times: list[int] = []
        self._on: list[bool] = []

    def turn(self, t: int, on: bool) -> None:
        self._times.append(t)
        self._on.append(on)
        if len(self._times) > 2 * _KEPT:
            del self._times[:_KEPT], self._on[:_KEPT]

    def at(self, t: int) -> bool:
        place = bisect_right(self._times, t)
        return self._on[place - 1] if place else False


class _Follows:
    """A followed condition, and when its signal was known."""

    def __init__(self, condition: Condition, magnitude: bool = False) -> None:
        self._followed = Followed(condition, magnitude)
        self._last: int | None = None
        self._known = _Flag()
        self.holds = _Flag()
        self.first: int | None = None

    def take(self, span: Span) -> None:
        for t, on in self._followed.take(span):
            self.holds.turn(t, on)
        rows = self._followed.t
        if not len(rows):
            return
        self.first = int(rows[0]) if self.first is None else self.first
        newest = int(rows[-1])
        if self._last is not None and newest - self._last <= _GAP:
            self._last = newest
            return
        last = self._last if self._last is not None else int(rows[0]) - 2 * _GAP
        for place in np.flatnonzero(steps(rows, last) > _GAP).tolist():
            before = int(rows[place - 1]) if place else self._last
            if before is not None:
                self._known.turn(before + _GAP + 1, False)
            self._known.turn(int(rows[place]), True)
        self._last = newest

    def is_known(self, t: int) -> bool:
        """Return whether its signal was known at ``t`` or within ten seconds before."""
        return self._known.at(t) and (self._last is None or t <= self._last + _GAP)


class SituationLog:
    """What the machine did at each time of a run; costs four comparisons a span.

    Args:
        into_a: current into the pack that is more than the sensor may show at none, A.

    """

    def __init__(self, into_a: float = INTO_A) -> None:
        into = Condition("pack_current", "low", -into_a, into_a / 2, 1.0, 1.0, "current has flowed into the pack")
        self._charging = _Follows(CONDITIONS["charging"])
        self._into, self._out = _Follows(into), _Follows(_OUT)
        self._speeds = tuple(_Follows(speed, magnitude=True) for speed in _SPEEDS)

    def take(self, span: Span) -> None:
        """Follow the signals up to the end of ``span``."""
        for each in (self._charging, self._into, self._out, *self._speeds):
            each.take(span)

    def at(self, t: int) -> Situation:
        """Return what the machine did at ``t``, at the latest the end of the latest span.

        *Driving* where nothing is known: an act for a moving machine does no harm at rest, the reverse may.
        """
        speed = next((each for each in self._speeds if each.is_known(t)), None)
        if speed is None and self._charging.holds.at(t):
            return "charging"
        moves = self._out.holds.at(t) if speed is None else speed.holds.at(t)
        if self._into.holds.at(t):
            return "braking" if moves else "charging"
        current = self._into.first is not None and self._into.first <= t
        rests = not moves and (speed is not None or current)
        return "resting" if rests else "driving"
