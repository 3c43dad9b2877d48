"""A bench test while it runs: the signal as a bar a second, when it is over, and what is said at the end."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Literal, TextIO

import numpy as np

from telemetry.analysis.fault_isolation.enabled_bench import WATCHED, EnabledBench, judge_enabled
from telemetry.analysis.fault_isolation.pedal_bench import PedalBench, judge_pedal
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.pipeline.stage import Chosen
from telemetry.report.printer import say

Bench = Literal["throttle", "enabled"]
LONGEST_S = {"throttle": 120.0, "enabled": 60.0}
CAUTIONS = (
    "Before you begin: drive wheels off the ground on stands, the other wheels chocked, nobody near them,",
    "implement disengaged, rings and watch off, a way to cut the power within reach.",
)
HOW = {
    "throttle": (
        "Controller off: key off where it need not be on for the pedal's supply; the wheels must not turn.",
        "Leave the pedal alone for 2 s, press it slowly (4 s) to the end, let it back slowly. Twice.",
    ),
    "enabled": (
        "The wheels will turn. Enable the controller, press the pedal a little and hold it still for 30 s or more.",
    ),
}
_WIDTH = 50
_SECOND = MICROSECONDS
NOTHING_AFTER = 30 * MICROSECONDS


class BenchTest:
    """Collects signals off the bus, draws them, and ends the run once enough was seen; a direct listener.

    Args:
        bench: which test.
        out: where the bars go; None for none.
    """

    def __init__(self, bench: Bench, out: TextIO | None) -> None:
        self.bench = bench
        self._out = out
        names = ("throttle_voltage",) if bench == "throttle" else (*WATCHED, "throttle_voltage")
        self._chosen = {name: Chosen(name) for name in names}
        self._t: dict[str, list[np.ndarray[Any, Any]]] = {name: [] for name in names}
        self._values: dict[str, list[np.ndarray[Any, Any]]] = {name: [] for name in names}
        self._start: int | None = None
        self._waited_from: int | None = None
        self._due = 0
        self._scale = 5.0
        self._stop: Callable[[], None] = lambda: None

    def listen(self, stop: Callable[[], None]) -> Callable[[Span], None]:
        """Return the listener; it calls ``stop`` after two whole presses, or where no signal comes."""
        self._stop = stop
        return self.take

    def take(self, span: Span) -> None:
        """Keep what came; draw and look whether it is over once a second."""
        for name, chosen in self._chosen.items():
            found = chosen.find(span)
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
        self._draw(span.end)
        if self.bench == "throttle":
            judged = judge_pedal(*self._series("throttle_voltage"))
            if judged.presses >= 2 and judged.at_rest:
                self._stop()

    def result(self) -> PedalBench | EnabledBench | None:
        """Return the judgement; None where no signal for it came at all."""
        if self._start is None:
            return None
        if self.bench == "throttle":
            return judge_pedal(*self._series("throttle_voltage"))
        return judge_enabled({name: self._series(name) for name in self._t if self._t[name]})

    def _series(self, name: str) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        t = np.concatenate(self._t[name])
        return (t - (self._start or 0)) / MICROSECONDS, np.concatenate(self._values[name])

    def _draw(self, now: int) -> None:
        """Draw the last second of the first signal that came: from its lowest to its highest reading."""
        name = next(name for name in self._t if self._t[name])
        t, values = np.concatenate(self._t[name][-200:]), np.concatenate(self._values[name][-200:])
        values = values[t > now - _SECOND]
        if self._out is None or not len(values):
            return
        low, high = float(values.min()), float(values.max())
        self._scale = max(self._scale, high)
        first, last = (max(0, min(_WIDTH, round(_WIDTH * value / self._scale))) for value in (low, high))
        bar = "=" * first + "#" * max(last - first, 1)
        seconds = (now - (self._start or 0)) / MICROSECONDS
        reading = f"{low:.2f}" if high - low < 0.005 else f"{low:.2f} to {high:.2f}"
        if not say([f"{seconds:5.0f} s |{bar:<{_WIDTH + 1}}| {reading}"], self._out):
            self._stop()


def bench_lines(result: PedalBench | EnabledBench) -> list[str]:
    """Return the verdict in words."""
    lines = []
    if isinstance(result, PedalBench) and not math.isnan(result.rest):
        lines.append(
            f"Pedal: {result.rest:.2f} V let go, {result.top:.2f} V pressed down, "
            f"noise {result.noise * 1000:.0f} mV, {result.presses} presses."
        )
    if isinstance(result, EnabledBench) and result.seen:
        lines.append(f"Watched: {', '.join(result.seen)}.")
    if result.unknown:
        return [*lines, f"Verdict: unknown; {result.unknown}."]
    if result.is_sound:
        return [*lines, "Verdict: sound."]
    lines += ["Verdict: not sound.", *(f"- {sentence}" for sentence in result.wrong)]
    if isinstance(result, PedalBench):
        lines.append("Next: move its plug and wire by hand and try again; where nothing changes, it is the sensor.")
    return lines


def bench_object(bench: Bench, result: PedalBench | EnabledBench) -> dict[str, Any]:
    """Return the verdict as the object of ``--json``."""
    verdict = "unknown" if result.unknown else ("sound" if result.is_sound else "not sound")
    told: dict[str, Any] = {"kind": "bench", "bench": bench, "verdict": verdict, "wrong": list(result.wrong)}
    told["unknown"] = result.unknown or None
    if isinstance(result, PedalBench):
        known = not math.isnan(result.rest)
        told |= {"rest_v": result.rest if known else None, "top_v": result.top if known else None}
        told |= {"noise_v": result.noise if known else None, "presses": result.presses}
        told["faults"] = [{"t": each.t, "travel": each.travel, "what": each.what} for each in result.faults]
    else:
        told["seen"] = list(result.seen)
    return told
