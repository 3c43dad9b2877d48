"""What is done standing: rests, and runs with the driven wheels off the ground."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Iterator
from typing import Final

from telemetry.guided.attempts import (
    CALM_A,
    CALM_SD_A,
    ROWS_A_SECOND,
    Attempt,
    Manoeuvre,
    Moment,
    most_standby_a,
    too_short,
    too_slow,
)
from telemetry.guided.rows import ROW, Row
from telemetry.guided.steps import LED
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS

REST_S: Final = 60.0
LONG_REST_S: Final = 1800.0
LONG_REST_C: Final = 0.01
"""Current below which a pack recovers, of the capacity an hour. Common practice."""
TOLD_SHARE: Final = 1 / 3
"""An attempt that came this far is listed with the reason why it does not count. Ours."""
CHARGER_W: Final = 30.0
CHARGER_A, CHARGER_C = 0.5, 0.015
"""More than this at the wall, or steadily into the pack in A and of the capacity an hour, may be a charger. Common
practice."""
LITTLE_SHARE, TAPERS_FROM, STARTS_BELOW = 0.25, 0.98, 0.80
"""A charger gives less than this of its current only where the pack is at its output voltage, where it tapers, or far
below, where it begins gently: shares of what is stated of it. Common practice, from memory."""
CONNECTED_SHARE: Final = 0.5
"""Below this share of the pack's voltage the controller has no supply. Ours."""
ENABLE_ON_V: Final = 2.0
"""An enable line that shows more is on; from memory."""

TURNS_RPM: Final = 50.0
RUN_S: Final = 10.0
LOST_SHARE: Final = 0.9
"""A supply, or an enable line, below this share of what it was a moment before has been taken away. Ours."""
BEFORE_S: Final = 1.0
STOP_WAIT_S: Final = 3.0
"""Beyond this a machine whose enable line is off has not stopped. Ours."""
STEADY_AFTER_S: Final = 2.0
_UP = re.compile(r"\bwheels?\s+(?:are\s+)?(?:up|off\b.*)", re.IGNORECASE)
_DOWN = re.compile(r"\bwheels?\s+(?:are\s+)?(?:down|on\b.*)", re.IGNORECASE)


class Rest(Manoeuvre):
    """Recognises a rest for the zero of the current, and a long one for the recovery.

    Args:
        machine: what its owner states of pack and charger.
    """

    def __init__(self, machine: Machine) -> None:
        capacity_ah, self._charger = machine.pack.capacity_ah, machine.charger
        self._charger_a = max(CHARGER_A, CHARGER_C * capacity_ah)
        self._most_a, self._recovers_a = most_standby_a(capacity_ah), max(CALM_A, LONG_REST_C * capacity_ah)
        self._last_second: deque[float] = deque(maxlen=ROWS_A_SECOND)
        self._reset()

    def _reset(self) -> None:
        self._start = self._last = 0
        self._part = ""
        self._count, self._sum, self._volts, self._wall = 0, 0.0, 0.0, False
        self._second: list[float] = []
        self._means: list[float] = []

    @property
    def share(self) -> float:
        """How far the rest has come."""
        return min(1.0, (self._last - self._start) / MICROSECONDS / REST_S) if self._count else 0.0

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        self._last_second.append(row.current)
        part = self._part_of(now, sum(self._last_second) / len(self._last_second))
        if part != self._part:
            yield from self.end()
            self._part, self._start = part, row.t
        if part:
            self._last = row.t
            self._count += 1
            self._sum += row.current
            self._volts += row.voltage
            self._second.append(row.current)
            if row.t % MICROSECONDS == 0:
                self._means.append(sum(self._second) / len(self._second))
                self._second = []
            self._wall |= row.wall > CHARGER_W

    def _part_of(self, now: Moment, current: float) -> str:
        """Return what kind of rest this row belongs to; empty for none."""
        row = now.row
        if math.isnan(current) or not now.stands or current > self._most_a:
            return ""
        if current < -self._most_a:
            return "charger"
        if math.isnan(row.controller) or math.isnan(row.voltage):
            if math.isnan(row.enable):
                return "key not known"
            return "key on" if row.enable > ENABLE_ON_V else "key off"
        return "key on" if row.controller > CONNECTED_SHARE * row.voltage else "key off"

    def end(self) -> Iterator[Attempt]:
        """Give the rest that ended."""
        if not self._count:
            self._reset()
            return
        mean = self._sum / self._count
        spread = math.sqrt(sum((each - mean) ** 2 for each in self._means) / max(1, len(self._means)))
        seconds = (self._last - self._start) / MICROSECONDS
        facts = {"mean_a": mean, "scatter_a": spread, "seconds": seconds}
        on = self._charged(-mean)
        unsteady = f"the current was not steady: ± {spread:.1f} A" if spread >= CALM_SD_A else ""
        part = "" if self._part == "charger" else self._part
        if seconds >= TOLD_SHARE * REST_S:
            refused = on or too_short(seconds, REST_S) or unsteady
            yield Attempt("zero", self._start, self._last, part, refused, facts)
        if seconds >= TOLD_SHARE * LONG_REST_S:
            loaded = "" if abs(mean) < self._recovers_a else f"{mean:.1f} A flowed"
            yield Attempt(
                "recovery", self._start, self._last, "", on or too_short(seconds, LONG_REST_S) or loaded, facts
            )
        self._reset()

    def _charged(self, into_a: float) -> str:
        """Return why what flows into the pack may be a charger's; empty where the sensor's offset is as likely."""
        if self._wall or self._part == "charger":
            return f"the charger was on: {into_a:.1f} A into the pack"
        if into_a <= self._charger_a:
            return ""
        volts, amperes = self._charger.output_voltage_v, self._charger.output_current_a
        if volts is not None and amperes is not None:
            share = self._volts / self._count / volts
            if into_a < LITTLE_SHARE * amperes and STARTS_BELOW < share < TAPERS_FROM:
                return ""
        return f"a charger, or a current sensor off its zero: {into_a:.1f} A into the pack; unplug every charger"


class WheelsUp(Manoeuvre):
    """Recognises runs and stops between the marks 'wheels up' and 'wheels down': no reading shows that by itself."""

    def __init__(self) -> None:
        self._up = False
        self._recent: deque[Row] = deque()
        self._run: list[Moment] = []
        self._stopped_at: int | None = None
        self._loaded_at = 0

    @property
    def share(self) -> float:
        """How far the run has come."""
        return min(1.0, self._seconds() / RUN_S)

    def _seconds(self) -> float:
        return (self._run[-1].row.t - self._run[0].row.t) / MICROSECONDS if self._run else 0.0

    def mark(self, text: str) -> None:
        """Take note of wheels up and down; whatever is led after the step is done on the ground."""
        is_over = bool(_DOWN.search(text)) or text.startswith(LED)
        self._up = bool(_UP.search(text)) or (self._up and not is_over)

    def take(self, now: Moment) -> Iterator[Attempt]:
        """Look at the next row."""
        row = now.row
        if not self._up:
            yield from self.end()
            return
        turns = abs(row.motor_speed) > TURNS_RPM
        if self._run and (not turns or (row.motor_speed > 0) != (self._run[-1].row.motor_speed > 0)):
            yield from self._run_over()
        if turns:
            self._run.append(now)
        yield from self._look_for_stop(now)
        self._recent.append(row)
        while row.t - self._recent[0].t > BEFORE_S * MICROSECONDS:
            self._recent.popleft()

    def _look_for_stop(self, now: Moment) -> Iterator[Attempt]:
        """Give a stop once the current has ended, or has failed to."""
        row = now.row
        if now.over_a >= CALM_A:
            self._loaded_at = row.t
        if self._stopped_at is None:
            turned = any(abs(each.motor_speed) > TURNS_RPM for each in self._recent)
            if turned and any(_lost(row, each) for each in self._recent):
                self._stopped_at = row.t
        if self._stopped_at is None:
            return
        waited_s = (row.t - self._stopped_at) / MICROSECONDS
        if now.over_a < CALM_A or waited_s > STOP_WAIT_S:
            # The supply went in the fifth of a second that ended at ``_stopped_at``, or just before it.
            ended = math.inf if now.over_a >= CALM_A else (self._loaded_at + ROW - self._stopped_at) / MICROSECONDS
            begun, self._stopped_at = self._stopped_at, None
            self._recent.clear()
            yield Attempt("wheels-up", begun, row.t, "stop", too_slow(row.age_s), {"delay_s": max(0.0, ended)})

    def _run_over(self) -> Iterator[Attempt]:
        seconds = self._seconds()
        if seconds >= TOLD_SHARE * RUN_S:
            first = self._run[0].row.t + round(STEADY_AFTER_S * MICROSECONDS)
            steady = [each.row for each in self._run if each.row.t >= first] or [self._run[-1].row]
            power = sum(each.voltage * each.current for each in steady) / len(steady)
            part = "forwards" if steady[-1].motor_speed > 0 else "in reverse"
            refused = too_slow(max(each.row.age_s for each in self._run)) or too_short(seconds, RUN_S)
            yield Attempt("wheels-up", self._run[0].row.t, self._run[-1].row.t, part, refused, {"power_w": power})
        self._run = []

    def end(self) -> Iterator[Attempt]:
        """Give the run that ended."""
        yield from self._run_over()
        self._recent.clear()
        self._stopped_at = None


def _lost(row: Row, before: Row) -> bool:
    """Return whether the controller's supply, or its enable line, was taken away since ``before``."""
    return row.controller < LOST_SHARE * before.controller or row.enable < LOST_SHARE * before.enable
