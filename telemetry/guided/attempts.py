"""An attempt at a step, what every recogniser of one has in common, and the calm between two manoeuvres."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, Protocol

from telemetry.guided.rows import Row
from telemetry.model.batch import MICROSECONDS

STANDING_KM_H: Final = 0.5
"""Speed below which a machine counts as standing; common practice."""
CALM_A: Final = 1.0
"""No load: within this of the draw of the machine with nothing moving. Common practice."""
CALM_S: Final = 2.0
CALM_SD_A: Final = 0.2
"""Over so long with means of a second that scatter by no more the current counts as the standby draw. Ours."""
ROWS_A_SECOND: Final = 5
MOST_STANDBY_A: Final = 2.0
MOST_STANDBY_C: Final = 0.02
"""More than this, in A or as a share of the capacity an hour, is no standby draw; common practice."""
NOISES: Final = 4.0
"""So many standard deviations beyond the standby draw are no noise. Ours."""
PRESSED_V: Final = 0.15
"""A throttle sensor that reads so much more than released has been pressed: twice its noise and wobble. Ours."""
TENTHS_BELOW_S: Final = 8.0
"""What takes less is told in tenths of a second. Ours."""
MOST_AGE_S: Final = 0.45
"""Readings of the current further apart than twice a fifth of a second miss what is over in a second. Ours."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt at a step.

    Attributes:
        step: its name.
        start, end: int microseconds.
        part: of a step that has several, which one.
        refused: why it does not count, a clause; empty where it does.
        facts: what was seen, by name with the unit at the end.
    """

    step: str
    start: int
    end: int
    part: str = ""
    refused: str = ""
    facts: Mapping[str, float] = field(default_factory=dict)

    @property
    def accepted(self) -> bool:
        """Whether it counts."""
        return not self.refused

    @property
    def seconds(self) -> float:
        """Length, s."""
        return (self.end - self.start) / MICROSECONDS


@dataclass(frozen=True, slots=True)
class Moment:
    """A row beside what is known of the machine at rest.

    Attributes:
        row: the row.
        over_a: current beyond the standby draw, A; NaN where the current is not known.
        noise_a: more than this beside the standby draw is no noise, A.
        calm_s: for how long there was no load, s, this row included; 0 under load.
        released_v: throttle voltage of the last calm, V; NaN where not known.
        stands: whether the machine stood over the last second, as far as the speed tells; without one it may.
    """

    row: Row
    over_a: float
    noise_a: float
    calm_s: float
    released_v: float
    stands: bool

    @property
    def loaded(self) -> bool:
        """Whether the motor drives: by the throttle where it is known, else by the current."""
        pressed = self.row.throttle - self.released_v
        return self.over_a >= self.noise_a if math.isnan(pressed) else pressed > PRESSED_V

    @property
    def idles(self) -> bool:
        """Whether the motor neither drives nor brakes; what flows with the throttle released is no load."""
        return not self.loaded and self.over_a > -self.noise_a


class Manoeuvre(Protocol):
    """Recognises the attempts at one step, or at several of a kind; looks forward only."""

    @property
    def share(self) -> float:
        """How far the manoeuvre that goes on has come, 0 to 1; 0 where none goes on."""
        ...

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row; give the attempts that ended with it."""
        ...

    def mark(self, text: str) -> None:  # noqa: ARG002 - for those that do
        """Take note of the operator's mark; most take none."""
        return

    def end(self) -> Iterator[Attempt]:
        """Give what the end of a stretch without a gap leaves; then begin anew."""
        ...


def most_standby_a(capacity_ah: float) -> float:
    """Return the highest current that may still be a machine standing with its key on, A."""
    return max(MOST_STANDBY_A, MOST_STANDBY_C * capacity_ah)


class Calm:
    """Follows the standby draw: what flows while nothing moves.

    Args:
        capacity_ah: of the pack.
    """

    def __init__(self, capacity_ah: float) -> None:
        self._most_a = most_standby_a(capacity_ah)
        self._last: deque[tuple[int, float, float]] = deque()
        self._speeds: deque[float] = deque(maxlen=ROWS_A_SECOND)
        self._standby_a = 0.0
        self._noise_a = CALM_A
        self._released_v = math.nan
        self._since: int | None = None
        self._beyond = 0

    def moment(self, row: Row) -> Moment:
        """Return ``row`` with what is known now."""
        self._speeds.append(row.speed)
        stands = not sum(self._speeds) >= STANDING_KM_H * len(self._speeds)
        if math.isnan(row.current):
            self._since = None
            return Moment(row, math.nan, self._noise_a, 0.0, self._released_v, stands)
        self._last.append((row.t, row.current, row.throttle))
        while row.t - self._last[0][0] > CALM_S * MICROSECONDS:
            self._last.popleft()
        if stands:
            self._learn(row)
        over_a = row.current - self._standby_a
        self._beyond = self._beyond + 1 if abs(over_a) >= self._noise_a else 0
        if self._beyond > 1 or over_a >= self._most_a:
            self._since = None
        elif self._since is None:
            self._since = row.t
        calm_s = 0.0 if self._since is None else (row.t - self._since) / MICROSECONDS
        return Moment(row, over_a, self._noise_a, calm_s, self._released_v, stands)

    def _learn(self, row: Row) -> None:
        if row.t - self._last[0][0] < 0.9 * CALM_S * MICROSECONDS or not row.current < self._most_a:
            return
        if row.current < -CALM_A:  # a charger, or braking
            return
        amperes = [current for _, current, _ in self._last]
        mean = sum(amperes) / len(amperes)
        spread = math.sqrt(sum((each - mean) ** 2 for each in amperes) / len(amperes))
        if spread < CALM_SD_A * math.sqrt(ROWS_A_SECOND) and abs(mean) < self._most_a:
            self._standby_a, self._noise_a = mean, max(CALM_A, NOISES * spread)
            # The older half: the throttle may be on its way already while no current flows yet.
            volts = [throttle for _, _, throttle in self._last][: len(self._last) // 2]
            self._released_v = sum(volts) / len(volts)


def too_slow(age_s: float) -> str:
    """Return why readings that come so far apart do not do; empty where they do."""
    return f"the current came every {age_s:.1f} s; it takes 5 readings a second" if age_s > MOST_AGE_S else ""


def too_short(seconds: float, wanted_s: float, what: str = "too short") -> str:
    """Return why so long does not do, ``what`` in front, such as ``too short: 2.4 of 5 s``; empty where it does."""
    if seconds >= wanted_s:
        return ""
    places = 0 if wanted_s > TENTHS_BELOW_S else 1
    down = math.floor(seconds * 10**places) / 10**places
    return f"{what}: {down:.{places}f} of {wanted_s:.0f} s"
