"""Output that goes down bit by bit while the pedal says the same: what a controller gives is learnt, then watched.

At a given pedal and speed a controller draws a given current, uphill or down, for the slope changes the speed and not
the force. So half seconds of a steady pedal tell, early in the drive, what belongs to what; later ones are compared
with it where both were seen before. Where that is not so (a load that comes and goes, a pedal that stands for a
speed) the early half seconds scatter, and nothing is said.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.analysis.fault_isolation.response import robust_fit

LEARNT_FROM = 120
"""Half seconds with a steady pedal from which it is learnt: a minute."""
COMPARED = 30
_EXPLAINED = 0.9
_SANK = 0.85
_FURTHER = 0.15
_SPREADS = 10.0
_PLAIN = 2.0  # spreads that a half second must be expected to draw to count
_CELLS = 8
_ROUNDS = 5


@dataclass(frozen=True, slots=True)
class SteadyHalfSecond:
    """Means over half a second in which the pedal was held and nothing was switched.

    Attributes:
        pedal: V.
        speed: km/h.
        engaged: whether the implement works, 0 or 1.
        current: A.
    """

    pedal: float
    speed: float
    engaged: float
    current: float


class SinkingOutput:
    """Learns from the first minute of steady pedal, then says when the output has sunk by a sixth or more."""

    def __init__(self) -> None:
        self._first: list[SteadyHalfSecond] = []
        self._learnt: _Learnt | None = None
        self._shares: deque[tuple[float, float]] = deque(maxlen=COMPARED)
        self._told = 1.0

    def take(self, moment: SteadyHalfSecond, rest: float, top: float) -> bool:
        """Take the next half second; tell whether the output has sunk now, or further than was said before.

        Args:
            moment: what was measured.
            rest, top: lowest and highest signal of the pedal so far, V.
        """
        if self._learnt is None:
            self._first.append(moment)
            if len(self._first) == LEARNT_FROM:
                self._learnt = _Learnt(self._first, rest, top)
            return False
        expected = self._learnt.expected(moment)
        if expected is None:
            return False
        self._shares.append((expected[1] / expected[0], (expected[0] - expected[1]) / self._learnt.spread))
        if len(self._shares) < COMPARED:
            return False
        share, missing = np.median([each[0] for each in self._shares]), np.mean([each[1] for each in self._shares])
        if share > min(_SANK, self._told - _FURTHER) or missing < _SPREADS:
            return False
        self._told = float(share)
        return True


class _Learnt:
    """The current as a function of pedal and speed, by least squares that forgive outliers (Huber's weights)."""

    def __init__(self, moments: list[SteadyHalfSecond], rest: float, top: float) -> None:
        self._rest, self._width = rest, top - rest
        self._fastest = max(1.0, *(each.speed for each in moments))
        rows = np.concatenate([self._row(each) for each in moments])
        current = np.array([each.current for each in moments])
        self._factors, left, self.spread = robust_fit(rows[:, :-1], rows[:, -1:], current, 0.0, _ROUNDS)
        self._clear = float(np.var(left)) < (1 - _EXPLAINED) * float(np.var(current))
        cells = [self._cell(each) for each in moments]
        self._known = {cell for cell in cells if cells.count(cell) > 1}

    def expected(self, moment: SteadyHalfSecond) -> tuple[float, float] | None:
        """Return the currents that the pedal should draw and does, A; None where nothing like it was learnt."""
        if not self._clear or self._cell(moment) not in self._known:
            return None
        base = float(self._factors[6] + self._factors[5] * moment.engaged)
        expected = float((self._row(moment) @ self._factors)[0]) - base
        return (expected, moment.current - base) if expected > _PLAIN * self.spread else None

    def _row(self, moment: SteadyHalfSecond) -> Floats:
        way, speed = (moment.pedal - self._rest) / self._width, moment.speed / self._fastest
        return np.array([[way, way * speed, way * speed**2, way**2, way**2 * speed, moment.engaged, 1.0]])

    def _cell(self, moment: SteadyHalfSecond) -> tuple[int, int, bool]:
        way, speed = (moment.pedal - self._rest) / self._width, moment.speed / self._fastest
        return int(_CELLS * way), int(_CELLS * speed), moment.engaged > 0.5
