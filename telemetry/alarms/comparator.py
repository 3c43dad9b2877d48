"""A bound with margin and delays: rows in, crossings out, on the rows' own time.

The bound counts as exceeded once the value has been beyond it for the raise delay, counted from the first row
beyond; as left once the value has been inside the bound by more than the clear margin for the clear delay. A delay
runs out whether a row arrives or not; a row at the very moment of the deadline comes before it. These are the
on-delay, off-delay and deadband of OPC UA Part 9 (OPC 10000-9) and of IEC 62682 (the latter from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

_NEVER = 2**62


@dataclass(frozen=True, slots=True)
class Crossing:
    """The bound became exceeded (``on``) or left at ``t``; ``value`` is the latest at that time."""

    t: int
    on: bool
    value: float


class Comparator:
    """Watches one series against one bound.

    Args:
        side: ``high``: beyond is above the bound; ``low``: beyond is below it.
        bound: in the signal's unit.
        clear_margin: how far inside the bound a value must lie to count as back, >= 0, same unit.
        raise_delay_s: seconds that the value must stay beyond.
        clear_delay_s: seconds that the value must stay back.
    """

    def __init__(
        self,
        side: Literal["high", "low"],
        bound: float,
        clear_margin: float = 0.0,
        raise_delay_s: float = 0.0,
        clear_delay_s: float = 0.0,
    ) -> None:
        self.bound = bound
        self.on = False
        self._sign = 1.0 if side == "high" else -1.0
        self._clear_margin = clear_margin
        self._raise_delay = round(raise_delay_s * MICROSECONDS)
        self._clear_delay = round(clear_delay_s * MICROSECONDS)
        self._since: int | None = None
        self._value = float("nan")

    @property
    def is_at_rest(self) -> bool:
        """Whether the bound is not exceeded and no delay runs: time alone changes nothing."""
        return not self.on and self._since is None

    def take(self, t: Times, values: Values, upto: int) -> list[Crossing]:
        """Take known rows, move time on to ``upto``, and return what was crossed, in order.

        Args:
            t: int64 (rows,), never decreasing, none after ``upto``.
            values: float64 (rows,), none NaN.
            upto: no row at or before this time is still to come.
        """
        if self._since is None and not self._may_turn(values):
            return []
        excess = self._sign * (values - self.bound)
        beyond = excess > 0.0
        back = excess < -self._clear_margin
        crossings: list[Crossing] = []
        row = 0
        while (step := self._next(t, back if self.on else beyond, row, upto)) is not None:
            row, fired_at = step
            if fired_at is not None:
                latest = int(np.searchsorted(t, fired_at, side="right"))
                value = float(values[latest - 1]) if latest else self._value
                self.on = not self.on
                crossings.append(Crossing(fired_at, self.on, value))
        self._value = float(values[-1]) if len(values) else self._value
        return crossings

    def _may_turn(self, values: Values) -> bool:
        """Return whether a row lies beyond, or back inside where the bound is exceeded."""
        if not len(values):
            return False
        if self.on:
            return self._sign * (_furthest(values, -self._sign) - self.bound) < -self._clear_margin
        return self._sign * (_furthest(values, self._sign) - self.bound) > 0.0

    def _next(self, t: Times, wanted: Flags, row: int, upto: int) -> tuple[int, int | None] | None:
        """Return the next row to look at, and the time at which the state turned, if it did; None when done."""
        if self._since is None:
            row = _first(wanted, row, True)
            if row == len(t):
                return None
            self._since = int(t[row])
        deadline = self._since + (self._clear_delay if self.on else self._raise_delay)
        ended = _first(wanted, row, False)
        ended_at = int(t[ended]) if ended < len(t) else _NEVER
        if ended_at <= deadline and not (ended_at == deadline == self._since):
            self._since = None
            return ended, None
        if deadline > upto:
            return None
        self._since = None
        return int(np.searchsorted(t, deadline, side="right")), deadline


def _furthest(values: Values, sign: float) -> float:
    """Return the value that lies furthest up, or down where ``sign`` is negative."""
    if len(values) == 1:
        return float(values[0])
    return float(values.max() if sign > 0 else values.min())


def _first(flags: Flags, start: int, wanted: bool) -> int:
    """Return the first place at or after ``start`` where ``flags`` is ``wanted``; the length where there is none."""
    if start >= len(flags):
        return len(flags)
    place = start + int(np.argmax(flags[start:] if wanted else ~flags[start:]))
    return place if flags[place] == wanted else len(flags)
