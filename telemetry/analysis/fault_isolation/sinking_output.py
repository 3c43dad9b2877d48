"""Output that goes down bit by bit while the throttle says the same: what a controller gives is learnt, then watched.

At a given throttle and speed a controller draws a given current, uphill or down, for the slope changes the speed and
not the force. So half seconds of a held throttle tell, early in the drive, what belongs to what; later ones are
compared with it where both were seen before. Where that is not so (a load that comes and goes, a throttle that stands
for a speed) the early half seconds scatter, and nothing is said.
"""

from __future__ import annotations

from collections import Counter, deque
from statistics import median

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.analysis.fault_isolation.response import robust_fit

LEARNT_FROM = 120
"""Half seconds with a held throttle from which it is learnt: a minute."""
COMPARED = 30
_EXPLAINED = 0.9
_SANK = 0.85
_FURTHER = 0.15
_SPREADS = 10.0
_PLAIN = 2.0  # spreads that a half second must be expected to draw to count
_CELLS = 8
_ROUNDS = 5


class SinkingOutput:
    """Learns from the first minute of a held throttle, then says when the output has sunk by a sixth or more."""

    def __init__(self) -> None:
        self._rows: list[tuple[float, ...]] = []
        self._drawn: list[float] = []
        self._factors: Floats | None = None
        self._spread = self._fastest = 1.0
        self._known: set[tuple[int, ...]] = set()
        self._shares: deque[tuple[float, float]] = deque(maxlen=COMPARED)
        self._told = 1.0

    def take(self, travel: float, speed: float, engaged: float, current: float) -> bool:
        """Take the next half second; tell whether the output has sunk now, or further than was said before.

        Args:
            travel: share of the throttle's travel.
            speed: km/h.
            engaged: whether the implement works, 0 or 1.
            current: A.
        """
        row = (travel, travel * speed, travel * speed**2, travel**2, travel**2 * speed, engaged, 1.0)
        if len(self._rows) < LEARNT_FROM:
            self._rows.append(row)
            self._drawn.append(current)
            if len(self._rows) == LEARNT_FROM:
                self._learn()
            return False
        if self._factors is None or self._cell(row) not in self._known:
            return False
        base = float(self._factors[5] * engaged + self._factors[6])
        expected = float(np.array(row) @ self._factors) - base
        if expected <= _PLAIN * self._spread:
            return False
        self._shares.append(((current - base) / expected, (expected + base - current) / self._spread))
        if len(self._shares) < COMPARED:
            return False
        if sum(missing for _, missing in self._shares) < COMPARED * _SPREADS:
            return False
        share = median(share for share, _ in self._shares)
        if share > min(_SANK, self._told - _FURTHER):
            return False
        self._told = share
        return True

    def _learn(self) -> None:
        """Learn the current as a function of travel and speed, where it is one, by a fit that forgives outliers."""
        rows, drawn = np.array(self._rows), np.array(self._drawn)
        factors, left, self._spread = robust_fit(rows[:, :-1], rows[:, -1:], drawn, 0.0, _ROUNDS)
        if float(np.var(left)) < (1 - _EXPLAINED) * float(np.var(drawn)):
            self._factors = factors
        self._fastest = max(1.0, *(row[1] / row[0] for row in self._rows))
        self._known = {cell for cell, count in Counter(map(self._cell, self._rows)).items() if count > 1}

    def _cell(self, row: tuple[float, ...]) -> tuple[int, ...]:
        """Return which travels and speeds are alike."""
        return int(_CELLS * row[0]), int(_CELLS * row[1] / row[0] / self._fastest), int(row[5])
