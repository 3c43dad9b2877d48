"""The charge back: recognised by a current into the pack that tapers, and does not just stop."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from typing import Final

from telemetry.analysis.charging_tail import HIGH_SHARE, LOW_SHARE, is_pulled_plug
from telemetry.guided.attempts import Attempt, Manoeuvre, Moment
from telemetry.guided.standing import CHARGER_A, CHARGER_C, LITTLE_SHARE
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS
from telemetry.model.signals import ON

SMOOTHED_S: Final = 10.0
TOLD_S: Final = 300.0
"""A shorter charge is no attempt. Ours."""
PAUSE_S: Final = 120.0
"""A charge that pauses for longer has ended. Ours."""


class ChargeBack(Manoeuvre):
    """Recognises a charge to its end.

    Args:
        machine: what its owner states of pack and charger.
    """

    def __init__(self, machine: Machine) -> None:
        self._least_a = max(CHARGER_A, CHARGER_C * machine.pack.capacity_ah)
        self._least_peak_a = max(self._least_a, LITTLE_SHARE * (machine.charger.output_current_a or 0.0))
        self._reset()

    def _reset(self) -> None:
        self._recent: deque[tuple[int, float]] = deque()
        self._levels: deque[float] = deque(maxlen=round(2 * SMOOTHED_S))
        self._start = self._last = self._high_at = self._low_at = self._now = 0
        self._rows_between = 0
        self._peak_a = 0.0
        self._disabled = False

    @property
    def share(self) -> float:
        """How far the taper has come; while the current is highest, none."""
        if not self._start or not self._levels:
            return 0.0
        return max(0.0, min(1.0, (self._peak_a - self._levels[-1]) / max(self._peak_a - self._least_a, 1e-9)))

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        if math.isnan(row.current):
            return
        self._now = row.t
        self._recent.append((row.t, -row.current))
        while row.t - self._recent[0][0] > SMOOTHED_S * MICROSECONDS:
            self._recent.popleft()
        into_a = sum(amperes for _, amperes in self._recent) / len(self._recent)
        if into_a > self._least_a and now.stands:
            self._start = self._start or row.t
            self._last, self._peak_a = row.t, max(self._peak_a, into_a)
            if not self._levels or row.t % MICROSECONDS == 0:
                self._levels.append(into_a)
        if self._start:
            self._follow_fall(row.t, -row.current)
            self._disabled |= row.charge_allowed < ON
        if self._start and row.t - self._last > PAUSE_S * MICROSECONDS:
            yield from self.end()

    def _follow_fall(self, t: int, into_a: float) -> None:
        if into_a >= HIGH_SHARE * self._peak_a:
            self._high_at, self._low_at, self._rows_between = t, 0, 0
        elif into_a > LOW_SHARE * self._peak_a:
            self._rows_between += not self._low_at
        else:
            self._low_at = self._low_at or t

    def end(self) -> Iterator[Attempt]:
        """Give the charge that ended."""
        seconds = (self._last - self._start) / MICROSECONDS
        level = self._levels[0] if self._levels else math.nan
        if self._start and seconds >= TOLD_S and self._peak_a >= self._least_peak_a:
            fall_s = ((self._low_at or self._now) - self._high_at) / MICROSECONDS
            refused = ""
            if not self._disabled and self._now - self._last < SMOOTHED_S * MICROSECONDS:
                refused = "the charge had not ended when the recording did"
            elif not self._disabled and is_pulled_plug(self._rows_between, fall_s):
                refused = f"broken off, without a taper: it ended at {level:.1f} A, of {self._peak_a:.1f} A at most"
            yield Attempt("charge", self._start, self._last, "", refused, {"peak_a": self._peak_a, "last_a": level})
        self._reset()
