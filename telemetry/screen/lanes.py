"""The three lanes: voltage, current, lowest or highest cell; of each the figure and how far it is from its limit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.model.batch import MICROSECONDS
from telemetry.model.events import AlarmLevel
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.strip import Strip
from telemetry.screen.formats import Places, age_text
from telemetry.screen.gauge import Gauge
from telemetry.screen.reach import Reach, bound_of, reach_of, voltage_reach
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Meaning
from telemetry.screen.trace import TraceScale

_SMALL_PACK_V = 10.0
_LARGE_PACK_V = 100.0
_FLOWING = ("discharge-current", "cell-voltage-low")
"""Limits whose headroom means nothing while nothing can flow out of the pack."""
_CELL_LIMITS = ("cell-voltage-low", "cell-voltage-high")
_LIMITS = {
    "pack_voltage": ("pack-voltage-low", "pack-voltage-high"),
    "pack_current": ("discharge-current", "discharge-peak", "charge-current", "charge-peak"),
    "cell_min_voltage": _CELL_LIMITS,
    "cell_max_voltage": _CELL_LIMITS,
}
"""The limits whose alarms make a lane's label a badge."""
_WORST_S = 60


@dataclass(slots=True)
class Lane:
    """One lane as it is drawn; filled in step by step.

    Attributes:
        signal: whose value it is.
        digits: the figure's text, dashes where unknown.
        places: its places.
        gauge: beside it.
        trace: scale of its trace.
        flipped: whether the trace shows the current into the pack as positive.
        left: in the signal's unit, how far it is from the limit, as in ``said``; empty where not known.
        worst: the least of that since the start, without its unit: ``14``, ``8 past``.

    """

    signal: str
    digits: str
    places: Places
    gauge: Gauge
    trace: TraceScale
    flipped: bool = False
    left: str = ""
    worst: str = ""


def lanes_of(scene: Scene) -> tuple[Lane, Lane, Lane]:
    """Return voltage, current and cell at this moment."""
    return _voltage(scene), _current(scene), _cell(scene)


def nearest(lanes: tuple[Lane, ...]) -> str:
    """Return which lane is nearest to its limit, and how near: ``nearest: cell 17, 0.57 V left (worst 0.36)``."""
    known = [lane for lane in lanes if lane.gauge.fill is not None and lane.left]
    if not known:
        return ""
    lane = max(known, key=lambda lane: lane.gauge.fill or 0.0)
    worst = f" (worst {lane.worst})" if lane.worst else ""
    return f"nearest: {lane.gauge.short.lower()}, {lane.left} left{worst}"


def _voltage(scene: Scene) -> Lane:
    cells = scene.scale.cells
    full = None if cells is None or scene.scale.full_v is None else cells * scene.scale.full_v
    empty = None if cells is None or scene.scale.empty_v is None else cells * scene.scale.empty_v
    reach, full_text = voltage_reach(scene, "pack", "pack_voltage", (full, empty))
    places = _voltage_places(scene)
    lane = _lane(scene, "pack_voltage", ("VOLTAGE", "VOLTAGE"), places, reach, 2 if is_small(scene) else 1)
    if scene.snapshot.no_discharge and lane.gauge.meaning != "old":
        meaning: Meaning = "danger" if scene.snapshot.no_discharge_alarmed else "caution"
        lane.gauge.said, lane.gauge.meaning = scene.snapshot.no_discharge, meaning
        lane.gauge.bar = "beyond" if meaning == "danger" else "warned"
    lane.gauge.left += full_text
    return lane


def _cell(scene: Scene) -> Lane:
    scale = scene.scale
    reach, _ = voltage_reach(scene, "cell", "cell_min_voltage", (scale.full_v, scale.empty_v))
    highest = reach.limit.side == "high" if reach is not None else scene.phase == "CHARGING"
    signal, numbers, word = (
        ("cell_max_voltage", "cell_max_number", "HIGHEST")
        if highest
        else ("cell_min_voltage", "cell_min_number", "LOWEST")
    )
    number = scene.snapshot.fresh(numbers, scene.now)
    which = "" if number is None else f" {scene.settled.number(numbers, scene.now, round(number))}"
    lane = _lane(scene, signal, (f"{word} CELL{which}", f"CELL{which}"), Places(False, 1, 2), reach, 2)
    if scene.snapshot.reading(signal) is None:
        lane.gauge.left, lane.gauge.right = "the pack sends no cells", ""
        return lane
    spread = scene.snapshot.fresh("cell_spread", scene.now)
    lane.gauge.middle = "" if spread is None else f"spread {1000 * spread:.0f} mV"
    return lane


def _current(scene: Scene) -> Lane:
    snapshot = scene.snapshot
    direction = snapshot.direction(scene.now)
    into = scene.settled.into(scene.now, direction == "charge") or scene.phase == "CHARGING"
    reach = reach_of(snapshot.limits.get("charge-current" if into else "discharge-current"), 0.0)
    whole = scene.phase in ("DRIVING", "WORKING")
    places = Places(True, 2, 2) if is_small(scene) else Places(True, 3, 0) if whole else Places(True, 2, 1)
    name = "CURRENT in" if into else "CURRENT out"
    lane = _lane(scene, "pack_current", (name, "CURRENT"), places, reach, 1 if is_small(scene) else 0)
    gauge = lane.gauge
    if into and gauge.bar == "out":
        gauge.bar = "into"
    if reach is not None and gauge.fill is not None and gauge.fill <= 1.0:
        gauge.said = _of_average(scene, reach) or gauge.said
    lane.trace, lane.flipped = _current_trace(scene), scene.phase == "CHARGING"
    return lane


def _of_average(scene: Scene, reach: Reach) -> str:
    """Return how far the average is from its limit while an alarm of it holds; empty otherwise.

    That limit judges an average: the current itself may be well inside it again.
    """
    signal = reach.limit.signal
    average = scene.snapshot.fresh(signal, scene.now)
    alarm = scene.snapshot.alarms.get((reach.limit.name, signal))
    if signal == "pack_current" or average is None or alarm is None or not alarm.active:
        return ""
    apart = reach.apart(average)
    return f"average {abs(apart):.0f} A {'left' if apart >= 0.0 else 'past'}"


def _current_trace(scene: Scene) -> TraceScale:
    charging = scene.phase == "CHARGING"
    main, other = ("charge-current", "discharge-current") if charging else ("discharge-current", "charge-current")
    top = abs(bound_of(scene.snapshot.limits.get(main)) or 0.0)
    bottom = 0.0 if charging else abs(bound_of(scene.snapshot.limits.get(other)) or 0.3 * top)
    if not top:
        low, high = scene.snapshot.extremes.get("pack_current", (0.0, 1.0))
        return TraceScale(min(low, 0.0), max(high, 1.0))
    return TraceScale(-bottom, top, limit="high")


def _lane(
    scene: Scene, signal: str, names: tuple[str, str], places: Places, reach: Reach | None, decimals: int
) -> Lane:
    """Return the lane of ``signal`` with all that its value and its limit say."""
    snapshot, now = scene.snapshot, scene.now
    reading = snapshot.reading(signal)
    shown = scene.settled.digits(snapshot, signal, now)
    gauge = Gauge(*names, "no limit stated")
    lane = Lane(signal, places.text(shown), places, gauge, TraceScale(0.0, 1.0))
    if reach is not None:
        gauge.left = f"{reach.left:.{decimals}f}" if reach.left else "0"
        gauge.right, gauge.warn = f"{reach.word} {abs(reach.bound):.{decimals}f}", reach.warn
        lane.trace = reach.trace
    elif signal in snapshot.extremes:
        lane.trace = TraceScale(*_widened(*snapshot.extremes[signal]))
    if reading is None:
        gauge.said = "not sent"
    elif shown is None:
        failed = any(change.source == reading.source for change in snapshot.failed_links())
        failed = failed or (reading.source == "derived" and bool(snapshot.no_discharge))
        gauge.said, gauge.meaning = f"{age_text(reading.age_s(now))} old", "old" if failed else "caution"
    elif reach is not None:
        _judge(scene, lane, reach, (reading.value, shown), f".{decimals}f")
    return lane


def _judge(scene: Scene, lane: Lane, reach: Reach, values: tuple[float, float], form: str) -> None:
    """Add to a lane how its fresh value stands to its limit.

    The bar follows the first of ``values``, the present one; the words follow the second, the one that the digits
    show, so that figure and headroom make the limit.
    """
    snapshot, gauge, (value, shown) = scene.snapshot, lane.gauge, values
    unit = "V" if lane.signal.endswith("voltage") else "A"
    apart, fill = reach.apart(shown), reach.share(value)
    lane.left = f"{max(0.0, apart):{form}} {unit}"
    gauge.said = f"{lane.left} left" if apart >= 0.0 else f"{-apart:{form}} {unit} past"
    gauge.bar = "beyond" if fill > 1.0 else "warned" if gauge.warn is not None and fill > gauge.warn else "out"
    standing = _standing(snapshot, lane.signal)
    gauge.meaning = "danger" if standing == "trip" else "caution" if standing or gauge.bar != "out" else None
    if snapshot.no_discharge and reach.limit.name in _FLOWING and gauge.meaning is None:
        gauge.said, lane.left, gauge.bar = "", "", "idle"  # inside its limit, yet nothing is well: no ampere is left
    gauge.fill, gauge.worst = fill, _worst(scene, lane, reach)
    low, high = snapshot.extremes.get(lane.signal, (value, value))
    least = reach.apart(low if reach.is_falling else high)
    lane.worst = f"{abs(least):{form}}{' past' if least < 0.0 else ''}"


def _worst(scene: Scene, lane: Lane, reach: Reach) -> float | None:
    low, high = _extremes(scene.snapshot.strips[lane.signal], scene.now // MICROSECONDS)
    return None if math.isnan(low) else reach.share(low if reach.is_falling else high)


@lru_cache(maxsize=8)
def _extremes(strip: Strip, second: int) -> tuple[float, float]:
    """Return lowest and highest of the minute that ends with ``second``, NaN where nothing is known."""
    low, high = strip.columns(second * MICROSECONDS, _WORST_S, 1)
    known = ~np.isnan(low)
    return (float(low[known].min()), float(high[known].max())) if known.any() else (math.nan, math.nan)


def _widened(low: float, high: float) -> tuple[float, float]:
    room = max(0.1 * (high - low), 0.02 * max(abs(low), abs(high)), 0.01)
    return low - room, high + room


def _standing(snapshot: Snapshot, signal: str) -> AlarmLevel | None:
    """Return the highest level of the active alarms of a lane; a current's watch its average too."""
    levels = {a.change.level for a in snapshot.alarms.values() if a.active and a.change.limit in _LIMITS[signal]}
    return "trip" if "trip" in levels else "warn" if levels else None


def is_small(scene: Scene) -> bool:
    """Tell whether the pack is a cell or two, whose figures need other places."""
    most = _most_volts(scene)
    return most is not None and most < _SMALL_PACK_V


def _voltage_places(scene: Scene) -> Places:
    most = _most_volts(scene)
    if most is not None and most < _SMALL_PACK_V:
        return Places(False, 1, 2)
    return Places(False, 3, 0) if most is not None and most >= _LARGE_PACK_V else Places(False, 2, 1)


def _most_volts(scene: Scene) -> float | None:
    """Return the highest voltage to expect: what is stated, so that a value never moves the places."""
    known: Iterator[float | None] = iter(
        (
            bound_of(scene.snapshot.limits.get("pack-voltage-high")),
            None if scene.scale.cells is None else scene.scale.cells * (scene.scale.full_v or 0.0),
            scene.snapshot.extremes.get("pack_voltage", (0.0, None))[1],
        )
    )
    return next((volts for volts in known if volts), None)
