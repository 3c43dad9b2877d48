"""A bench test while it runs: each second's readings, what to do next, and when it is over."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, TextIO

import numpy as np

from telemetry.analysis.chosen import Chosen
from telemetry.analysis.fault_isolation.enabled_bench import (
    HOLD_S,
    PEDAL,
    SPEED,
    WATCHED,
    EnabledBench,
    judge_enabled,
)
from telemetry.analysis.fault_isolation.pedal_bench import PedalBench, judge_pedal
from telemetry.analysis.taken_over import JoinedTurns
from telemetry.model.batch import MICROSECONDS, Span, Times, Values
from telemetry.model.time_text import clock_at
from telemetry.report.printer import say

_HALF_HELD_S = 2.0  # of a hold from which its figures are shown
_SAME_V = 0.005  # readings that print alike


Bench = Literal["throttle", "enabled"]
LONGEST_S = 120.0
NOTHING_AFTER = 30 * MICROSECONDS
LABELS = {
    "enable_voltage": ("enable", "V", 1),
    "controller_voltage": ("supply", "V", 1),
    PEDAL: ("throttle", "V", 2),
    SPEED: ("motor", "rpm", 0),
}
"""Label, unit and decimal places of each signal that is watched."""
_WIDTH = 32
_SECOND = MICROSECONDS


class BenchTest:
    """Collects signals off the bus, draws them, and stops once it has enough; a direct listener.

    Args:
        bench: which test.
        out: where the lines go; None prints nothing.
    """

    def __init__(self, bench: Bench, out: TextIO | None) -> None:
        self.bench = bench
        self._out = out
        names = (PEDAL,) if bench == "throttle" else tuple(LABELS)
        self._joined = JoinedTurns()
        self._chosen = {name: Chosen(name) for name in names}
        self._t: dict[str, list[Times]] = {name: [] for name in names}
        self._values: dict[str, list[Values]] = {name: [] for name in names}
        self._start: int | None = None
        self._waited_from: int | None = None
        self._due = 0
        self._scale = 5.0
        self._told = ""
        self._faults = 0
        self._stop: Callable[[], None] = lambda: None

    def listen(self, stop: Callable[[], None]) -> Callable[[Span], None]:
        """Return the listener; it calls ``stop`` once it has enough, or if no signal arrives."""
        self._stop = stop
        return self.take

    def take(self, span: Span) -> None:
        """Keep the readings; once a second draw them and check whether the test is over."""
        joined = self._joined.as_of_one(span)
        for name, chosen in self._chosen.items():
            found = chosen.find(joined)
            if found is not None:
                known = ~np.isnan(found[1])
                self._t[name].append(found[0].t[known])
                self._values[name].append(found[1][known])
                if self._start is None and known.any():
                    self._start = int(found[0].t[known][0])
        if self._start is None:
            self._waited_from = span.end if self._waited_from is None else self._waited_from
            if span.end - self._waited_from > NOTHING_AFTER:
                self._stop()
            return
        if span.end < self._due:
            return
        self._due = span.end + _SECOND
        result = self.result()
        if isinstance(result, PedalBench):
            over = result.presses > 1 and result.at_rest
            self._say(span.end, self._bar(span.end, result), _next_press(result))
        else:
            over = result is not None and result.held_s >= HOLD_S
            steady = result is not None and result.held_s > _HALF_HELD_S and result.turning
            self._say(span.end, self._figures(span.end, steady), _next_hold(result))
        if over:
            self._stop()

    def result(self) -> PedalBench | EnabledBench | None:
        """Return the judgement; None if no signal for it arrived."""
        if self._start is None:
            return None
        if self.bench == "throttle":
            return judge_pedal(*self.series(PEDAL))
        return judge_enabled({name: self.series(name) for name in self._t if self._t[name]})

    def series(self, name: str) -> tuple[Values, Values]:
        """Return times, s from the first reading, and values (n,) of a signal that was received."""
        t = np.concatenate(self._t[name])
        return (t - (self._start or 0)) / MICROSECONDS, np.concatenate(self._values[name])

    @property
    def drawn(self) -> str:
        """The signal that shows best what happened: throttle, or motor speed where it was received."""
        names = (PEDAL,) if self.bench == "throttle" else (SPEED, *LABELS)
        return next(name for name in names if self._t[name])

    def _say(self, now: int, line: str, told: str) -> None:
        """Print a second's line, and what to do where that has changed."""
        lines = [line] if line else []
        if told and told != self._told:
            self._told = told
            lines.append(f"{self._clock(now)} | {told}")
        if self._out is not None and not say(lines, self._out):
            self._stop()

    def _last_second(self, name: str, now: int) -> tuple[float, float] | None:
        """Return the lowest and highest reading of the last second, None where there is none."""
        if not self._t[name]:
            return None
        t, values = np.concatenate(self._t[name][-200:]), np.concatenate(self._values[name][-200:])
        values = values[t > now - _SECOND]
        return (float(values.min()), float(values.max())) if len(values) else None

    def _bar(self, now: int, result: PedalBench) -> str:
        """Return the throttle's last second as a bar, with any fault since the line before."""
        last_second = self._last_second(PEDAL, now)
        if last_second is None:
            return ""
        low, high = last_second
        self._scale = max(self._scale, high)
        first, last = (max(0, min(_WIDTH, round(_WIDTH * value / self._scale))) for value in (low, high))
        bar = "=" * first + "#" * max(last - first, 1)
        reading = f"{low:.2f} V" if high - low < _SAME_V else f"{low:.2f} to {high:.2f} V"
        new = result.faults[self._faults :] if not math.isnan(result.rest) else ()
        self._faults = max(self._faults, len(result.faults))
        flag = f"  ! {new[-1].what} at {100 * new[-1].travel:.0f} %" if new else ""
        return f"{self._clock(now)} |{bar:<{_WIDTH + 1}}| {reading:<14}{flag}".rstrip()

    def _figures(self, now: int, steady: bool) -> str:
        """Return each signal's last second in figures; lowest and highest, flagged, where a steady one dropped."""
        parts = []
        for name, (label, unit, places) in LABELS.items():
            if (last := self._last_second(name, now)) is None:
                continue
            low, high = (max(value, 0.0) for value in last)
            fell = steady and name in WATCHED and low < WATCHED[name][0] * high
            reading = f"{low:.{places}f}-{high:.{places}f}!" if fell else f"{high:.{places}f}"
            parts.append(f"{label} {reading} {unit}")
        return f"{self._clock(now)} | {' | '.join(parts)}" if parts else ""

    def _clock(self, now: int) -> str:
        return clock_at(now, self._start or 0)


def _next_press(result: PedalBench) -> str:
    if result.presses > 1:
        return "two presses done" if result.at_rest else "release it"
    if result.presses == 1:
        return "one press done; once more, and wiggle its plug and wire meanwhile"
    return "now press slowly to the stop, and release slowly"


def _next_hold(result: EnabledBench | None) -> str:
    if result is None or result.held_s < _HALF_HELD_S or not result.turning:
        return "enable the controller, press until the wheels turn slowly, hold still"
    if result.held_s < 0.45 * HOLD_S:
        return f"hold still for {HOLD_S:.0f} s"
    return "keep holding; rock the seat, wiggle the key and safe signal plugs"
