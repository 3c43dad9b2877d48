"""When an alarm was raised, and what would have kept it one with the alarm before: to find faults of limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.machine.limits import Limit
from telemetry.model.batch import MICROSECONDS, Times, Values


@dataclass(frozen=True, slots=True)
class Raise:
    """The innermost bound of a limit became exceeded.

    Attributes:
        t: when, int microseconds.
        limit, signal: which alarm.
        inside: how far inside the bound the value went since the raise before, in the signal's unit, >= 0: a clear
            margin as wide would have kept it one alarm. NaN for the first, and where no value decides.
        after_s: seconds since the clearing before: a clear delay longer by as much would have kept it one alarm,
            too. NaN for the first.
        clear_delay_s: what the limit has now; NaN where it has none.

    """

    t: int
    limit: str
    signal: str
    inside: float
    after_s: float
    clear_delay_s: float


class RaiseLog:
    """Follows the innermost bound of one limit on one signal; costs nothing before the first alarm."""

    def __init__(self, limit: Limit, signal: str, bound: float) -> None:
        self._limit = limit
        self._signal = signal
        self._bound = bound
        self._sign = 1.0 if limit.side == "high" else -1.0
        self._inside: float | None = None
        self._cleared: int | None = None

    @property
    def is_idle(self) -> bool:
        """Whether there has been no alarm yet, so that rows without a crossing mean nothing."""
        return self._inside is None

    def take(self, t: Times, values: Values, crossings: list[tuple[int, bool]]) -> list[Raise]:
        """Take known rows and the crossings among them, as (time, exceeded or left); return the raises."""
        raises = []
        row = 0
        for at, on in crossings:
            if not on:
                self._cleared = at
                continue
            stop = int(np.searchsorted(t, at, side="right"))
            self._look(values[row:stop])
            row = stop
            inside = after = float("nan")
            if self._inside is not None and self._cleared is not None:
                inside, after = self._inside, (at - self._cleared) / MICROSECONDS
            raises.append(Raise(at, self._limit.name, self._signal, inside, after, self._limit.clear_delay_s))
            self._inside = 0.0
        self._look(values[row:])
        return raises

    def _look(self, values: Values) -> None:
        if self._inside is not None and len(values):
            furthest = float(values.min() if self._sign > 0 else values.max())
            self._inside = max(self._inside, self._sign * (self._bound - furthest))
