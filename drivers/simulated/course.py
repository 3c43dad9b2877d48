"""The course, leg by leg and round again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

M_S_PER_KMH = 1 / 3.6
GOES_OVER_M = 2.0


@dataclass(frozen=True, slots=True)
class Leg:
    """One piece of the course.

    Attributes:
        length_m: along the way.
        grade: rise over run, positive uphill.
        speed_kmh: what the foot aims at.
        engaged: whether the implement works.
        growth: how much it has to do, times the ordinary.
        pause_s: time stood still before this leg.
        softness: resistance of the ground, times the ordinary: tall grass, soft soil.

    """

    length_m: float
    grade: float
    speed_kmh: float
    engaged: bool = False
    growth: float = 1.0
    pause_s: float = 0.0
    softness: float = 1.0


class Course:
    """Where the vehicle is on the legs, which it goes round for ever.

    Attributes:
        grade: the slope under the wheels; one leg's goes over into the next one's within some metres.
        laps: times round.
        parked: stands still, implement off, until set free.

    """

    def __init__(self, legs: Sequence[Leg]) -> None:
        self._legs = legs
        self._at = 0
        self._end_m = legs[0].length_m
        self._pause_s = legs[0].pause_s
        self.grade = 0.0
        self.laps = 0
        self.parked = False

    @property
    def engaged(self) -> bool:
        """Whether the implement is to work now."""
        return not self.parked and self._legs[self._at].engaged

    @property
    def growth(self) -> float:
        """How much the implement has to do here, times the ordinary."""
        return self._legs[self._at].growth

    @property
    def softness(self) -> float:
        """Resistance of the ground here, times the ordinary."""
        return self._legs[self._at].softness

    def aim(self, dt: float, position: float, speed: float) -> float:
        """Move on to ``position`` (m) at ``speed`` (m/s); return the speed to aim at, m/s."""
        if position >= self._end_m:
            self._at += 1
            if self._at == len(self._legs):
                self._at = 0
                self.laps += 1
            self._end_m += self._legs[self._at].length_m
            self._pause_s = self._legs[self._at].pause_s
        leg = self._legs[self._at]
        self.grade += (leg.grade - self.grade) * min(1.0, speed * dt / GOES_OVER_M)
        if self.parked:
            return 0.0
        if self._pause_s > 0:
            if speed < 0.02:
                self._pause_s -= dt
            return 0.0
        return leg.speed_kmh * M_S_PER_KMH
