"""Pasts for the traces view, of an invented mower: a drive with a low cell, and what odd machines leave of one."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from telemetry.analysis.stretch import StretchFigures
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange, Event, Gap, Mark, Situation
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.past import Past
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.scene import Scene
from telemetry.screen.span_figures import SpanFigures, span_items
from telemetry.screen.traces import Traces
from tests.screen.drive_states import LIMITS, SCALE, START

SECOND = 1_000_000
LASTS_S = 2530
TITLE = "review  session 41, orchard mower, 28 Nov 14:10"
FIGURES = StretchFigures(84.0, 0.2, 1.26, 0.0, 7200.0, 8600.0, 66.2, 2.47, 17, 28.4, 0.9)


class KnownFigures(SpanFigures):
    """Figures that need not be found."""

    def items(self, _past: Past, _begin: int, _end: int) -> list[str]:
        """Return the same for every span."""
        return span_items(FIGURES)


def _load(second: np.ndarray) -> np.ndarray:
    works = ((second > 360) & (second < 1250)) | ((second > 1450) & (second < 2300))
    pull = np.where((second > 900) & (second < 975), 112.0, 0.0)
    return np.where(
        works, 53 + 9 * np.sin(second / 40) + pull * 0.9, np.where((second > 120) & (second < 2300), 25.0, 0.5)
    )


def drive(step_s: float = 1.0, without: tuple[str, ...] = (), gap: bool = True, lasts_s: int = LASTS_S) -> LivePast:
    """Return a drive of 42 minutes with a pull, an alarm, marks and a gap."""
    past = LivePast(START)
    second = np.arange(0, lasts_s, step_s)
    if gap:
        second = second[(second < 1020) | (second > 1031)]
    current = _load(second)
    signals = {
        "pack_voltage": 81.4 - 0.09 * current,
        "pack_current": current,
        "pack_power": (81.4 - 0.09 * current) * current,
        "cell_min_voltage": 3.33 - 0.0054 * current,
        "vehicle_speed": np.where(current > 1, 6.0 + 0.5 * np.sin(second / 70), 0.0),
    }
    kept = {name: values for name, values in signals.items() if name not in without}
    if kept:
        group = Group("pack", "pack", tuple(kept))
        t = START + np.round(second * SECOND).astype(np.int64)
        past.take(Span(int(t[-1]), (Batch(group, t, np.column_stack(list(kept.values()))),)))
    for word, ends in (("resting", 120), ("driving", 360), ("resting", 400), ("driving", 2300), ("resting", lasts_s)):
        situation: Situation = word  # type: ignore[assignment]
        past.take(Span(START + min(ends, lasts_s) * SECOND, (), situation=situation))
    past.take(Span(START + lasts_s * SECOND, (), _events(lasts_s), final=True))
    return past


def _events(lasts_s: int) -> tuple[Event, ...]:
    def at(second: float) -> int:
        return START + round(second * SECOND)

    low = ("cell-voltage-low", "cell_min_voltage")
    found: tuple[Event, ...] = (
        Mark(at(303), "gate"),
        AlarmChange(at(925), *low, "trip", "raised", 2.47, 2.5, cell=17),
        AlarmChange(at(967), *low, "trip", "cleared", 2.61, 2.5, stands="normal"),
        Gap(at(1031), "pack", "pack_current", at(1020)),
        Mark(at(872), "hill"),
        AlarmChange(at(1560), "motor-temperature-high", "motor_temperature", "warn", "raised", 81.0, 80.0),
        Mark(at(2020), "mark"),
        Mark(at(2040), "gone", taken_back=True),
    )
    return tuple(event for event in found if event.t <= at(lasts_s))


def looked_at(
    past: LivePast, cursor_s: float, width_s: float | None, size: tuple[int, int], title: str = TITLE
) -> Traces:
    """Return traces with the cursor at a time, a column that long, and a span around the alarm."""
    traces = Traces(past, {limit.name: limit for limit in LIMITS}, KnownFigures(None), title)
    if title:
        past.grows = False
    else:
        past.grows = True
    window = traces.window
    window.follows = False
    window.fit(past.end - past.start, past.grows, size[0])
    window.width = None
    window.show(round(cursor_s * SECOND), None if width_s is None else round(width_s * SECOND))
    return traces


def scene_at(traces: Traces, run_word: str = "review paused") -> Scene:
    """Return the scene that goes with it."""
    snapshot = Snapshot({limit.name: limit for limit in LIMITS}, START)
    snapshot.take(Span(traces.cursor))
    return Scene(snapshot, traces.cursor, "orchard mower", run_word, not traces.title, scale=SCALE)


def _spanned(traces: Traces) -> Traces:
    traces.window.ends = (967 * SECOND, 925 * SECOND)
    return traces


# name: what is looked at in a window of that size, and the word of the run
STATES: dict[str, tuple[Callable[[tuple[int, int]], Traces], str]] = {
    "review": (lambda size: _spanned(looked_at(drive(), 949, 2, size)), "review paused"),
    "whole": (lambda size: looked_at(drive(), 0, None, size), "review x8"),
    "close": (lambda size: looked_at(drive(), 925.4, 0.1, size), "review paused"),
    "gap": (lambda size: looked_at(drive(), 1024, 0.5, size), "review paused"),
    "live": (lambda size: _following(looked_at(drive(), 0, 2, size, title="")), "recording"),
    "back": (lambda size: looked_at(drive(), 700, 5, size, title=""), "recording"),
    "voltage-alone": (
        lambda size: looked_at(
            drive(without=("pack_current", "pack_power", "cell_min_voltage", "vehicle_speed")), 949, 2, size
        ),
        "review paused",
    ),
    "no-speed": (lambda size: looked_at(drive(without=("vehicle_speed",)), 949, 2, size), "review paused"),
    "one-a-minute": (lambda size: looked_at(drive(step_s=60.0, gap=False), 949, 10, size), "review paused"),
    "short": (lambda size: looked_at(drive(lasts_s=3), 1, None, size), "review paused"),
    "empty": (lambda size: looked_at(LivePast(START), 0, None, size), "review paused"),
}
assert math.isclose(FIGURES.energy_out_wh or 0.0, 84.0)


def _following(traces: Traces) -> Traces:
    traces.window.to_end()
    return traces
