"""The drive view in each of its states, made of spans of an invented mower: 24 iron phosphate cells, 105 Ah."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from telemetry.machine.limits import Limit
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.model.events import AlarmChange, Event, LinkChange
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.scene import PackScale, Scene

START = 1_700_000_000 * MICROSECONDS
LASTS_S = 150
CELLS = 24


def _limit(name: str, signal: str, side: str, warn: float | None, trip: float) -> Limit:
    return Limit(name, signal, side, warn, trip, 0.05, 2.0, 10.0, "a bound for this test")  # type: ignore[arg-type]


LIMITS = (
    _limit("pack-voltage-low", "pack_voltage", "low", 64.0, 60.0),
    _limit("pack-voltage-high", "pack_voltage", "high", 86.9, 87.6),
    _limit("cell-voltage-low", "cell_min_voltage", "low", 2.8, 2.5),
    _limit("cell-voltage-high", "cell_max_voltage", "high", 3.62, 3.65),
    _limit("discharge-current", "pack_current", "high", 128.0, 142.0),
    _limit("charge-current", "pack_current", "low", -54.0, -60.0),
    _limit("motor-temperature-high", "motor_temperature", "high", 80.0, 90.0),
    _limit("pack-temperature-high", "pack_temperature_*", "high", 45.0, 60.0),
    _limit("charging-cold", "cold_charge_current", "high", None, 2.0),
)
SCALE = PackScale(CELLS, 3.40, 3.00, 0.0)


@dataclass(frozen=True)
class State:
    """What is sent in one state.

    Attributes:
        values: by signal, as a function of the second; None where nothing comes any more.
        quiet_s: seconds without values at the end.
        events: given at the end, with the alarms that they make.
        without: signals never sent.

    """

    values: dict[str, float | Callable[[float], float]] = field(default_factory=dict)
    quiet_s: int = 0
    stopped: tuple[str, ...] = ()
    events: tuple[Event, ...] = ()
    without: tuple[str, ...] = ()


def _pull(second: float) -> float:
    """Return the load over the minutes: standing, a pull, mowing, a slope, braking, mowing."""
    if second < 10:
        return 3.0
    if second < 16:
        return 128.0
    if 90 <= second < 102:
        return 86.0
    return -14.0 if 122 <= second < 126 else 53.0 + 4.0 * math.sin(second / 5)


def _alarm(limit: str, signal: str, level: str, value: float, bound: float, **more: object) -> AlarmChange:
    now = START + (LASTS_S - 4) * MICROSECONDS
    return AlarmChange(now, limit, signal, level, "raised", value, bound, **more)  # type: ignore[arg-type]


WORKING: dict[str, float | Callable[[float], float]] = {
    "pack_current": _pull,
    "pack_voltage": lambda s: 81.4 - 0.056 * _pull(s),
    "cell_min_voltage": lambda s: 3.33 - 0.0049 * _pull(s),
    "cell_max_voltage": lambda s: 3.40 - 0.0012 * _pull(s),
    "cell_min_number": 17.0,
    "cell_max_number": 9.0,
    "cell_spread": 0.213,
    "vehicle_speed": lambda s: 0.0 if s < 10 else 6.2 + 0.3 * math.sin(s / 7),
    "implement_engaged": 1.0,
    "pack_power": lambda s: (81.4 - 0.056 * _pull(s)) * _pull(s),
    "soc_reported": 84.0,
    "soc_estimated": 86.0,
    "soc_uncertainty": 4.9,
    "minutes_left_low": 76.0,
    "motor_temperature": 41.0,
    "pack_temperature_1": 24.0,
    "discharge_allowed": 1.0,
}
REST = WORKING | {
    "pack_current": 0.2,
    "pack_voltage": 80.2,
    "pack_power": 16.0,
    "cell_min_voltage": 3.34,
    "cell_max_voltage": 3.342,
    "cell_spread": 0.002,
    "vehicle_speed": 0.0,
    "implement_engaged": 0.0,
}
CHARGING = REST | {
    "pack_current": -17.8,
    "pack_voltage": lambda s: 82.6 + 0.002 * s,
    "pack_power": -1470.0,
    "cell_min_voltage": 3.44,
    "cell_max_voltage": lambda s: 3.45 + 0.0001 * s,
    "cell_spread": 0.031,
    "charge_in": 46.1,
    "charger_input_power": 1700.0,
    "soc_reported": lambda s: 68.0 + s / 30,
    "soc_estimated": lambda s: 68.0 + s / 30,
    "soc_uncertainty": 2.4,
    "pack_temperature_1": 7.0,
}
# Charging is told by the current alone where no speed is known.
STATES: dict[str, State] = {
    "working": State(WORKING),
    "driving": State(
        WORKING
        | {"implement_engaged": 0.0, "pack_current": lambda s: -14.0 if s > 140 else _pull(s)}
        | {"pack_power": lambda s: -1133.0 if s > 140 else 80.0 * _pull(s)}
    ),
    "resting": State(REST),
    "charging": State(CHARGING, without=("vehicle_speed", "implement_engaged")),
    "some_cells": State(WORKING | {f"cell_{number:02d}_voltage": 3.33 for number in range(1, 5)}),
    "charging_unwatched": State(CHARGING, without=("vehicle_speed", "implement_engaged", "pack_temperature_1")),
    "warning": State(
        WORKING | {"cell_min_voltage": lambda s: 3.33 - 0.0049 * _pull(s) if s < 140 else 2.71},
        events=(_alarm("cell-voltage-low", "cell_min_voltage", "warn", 2.74, 2.8, cell=17),),
    ),
    "trip": State(
        WORKING | {"cell_min_voltage": lambda s: 3.33 - 0.0049 * _pull(s) if s < 140 else 2.47},
        events=(_alarm("cell-voltage-low", "cell_min_voltage", "trip", 2.47, 2.5, cell=17),),
    ),
    "seen": State(
        WORKING | {"cell_min_voltage": lambda s: 3.33 - 0.0049 * _pull(s) if s < 140 else 2.47},
        events=(
            _alarm("cell-voltage-low", "cell_min_voltage", "trip", 2.47, 2.5, cell=17),
            _alarm("cell-voltage-low", "cell_min_voltage", "trip", 2.47, 2.5, cell=17, stands="acknowledged"),
        ),
    ),
    "link_lost": State(
        WORKING,
        quiet_s=12,
        events=(
            LinkChange(START, "pack", "lost", "the cable was pulled"),
            _alarm("link", "pack", "trip", math.nan, math.nan),
        ),
    ),
    "other_link_lost": State(
        WORKING,
        events=(
            LinkChange(START, "position", "lost", "the cable was pulled"),
            _alarm("link", "position", "trip", math.nan, math.nan),
        ),
    ),
    "bms_trip": State(
        WORKING
        | {"discharge_allowed": lambda s: float(s < 140), "pack_current": lambda s: _pull(s) if s < 140 else 0.0}
        | {"pack_voltage": 80.2, "cell_min_voltage": 3.34, "pack_power": lambda s: 80 * _pull(s) if s < 140 else 0.0},
        events=(_alarm("discharge-disabled", "discharge_allowed", "trip", math.nan, math.nan),),
    ),
    "power_lost": State(
        WORKING | {"pack_current": lambda s: _pull(s) if s < 140 else 0.0},
        without=("discharge_allowed",),
        events=(_alarm("supply-lost", "supply-lost", "trip", math.nan, math.nan),),
    ),
    "no_cells": State(
        WORKING, without=("cell_min_voltage", "cell_max_voltage", "cell_min_number", "cell_max_number", "cell_spread")
    ),
    "unknown": State(
        WORKING,
        without=(
            *("vehicle_speed", "soc_reported", "motor_temperature", "pack_temperature_1", "minutes_left_low"),
            *("soc_estimated", "soc_uncertainty"),
        ),
    ),
    "stale": State(WORKING, stopped=("pack_voltage",)),
    "low_priority": State(WORKING, events=(_alarm("cell-spread", "cell_spread", "warn", 0.213, 0.1),)),
    "nothing": State(WORKING, without=tuple(WORKING)),
}


def scene_of(name: str) -> Scene:
    """Return the moment at the end of a state, as the screen has it."""
    state = STATES[name]
    snapshot, judge = Snapshot({limit.name: limit for limit in LIMITS}, START), Judge(())
    names = [signal for signal in state.values if signal not in state.without]
    snapshot.take(Span(START, (), (LinkChange(START, "pack", "live"), LinkChange(START, "position", "live"))))
    for second in range(LASTS_S):
        t = START + second * MICROSECONDS
        sent = [
            n for n in names if second < LASTS_S - state.quiet_s and (n not in state.stopped or second < LASTS_S - 9)
        ]
        row = [v(second) if callable(v := state.values[n]) else v for n in sent]
        batches: tuple[Batch, ...] = ()
        if sent:
            group = Group("pack", "pack" + str(len(sent)), tuple(sent))
            batches = (Batch.of_rows(group, [t], [row]),)
        snapshot.take(judge.advance(Span(t, batches)))
    end = START + (LASTS_S - 1) * MICROSECONDS
    snapshot.take(Span(end, (), state.events))
    return Scene(snapshot, end, "orchard mower", "recording", True, scale=SCALE)
