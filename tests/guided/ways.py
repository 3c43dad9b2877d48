"""Each step of a guided drive done well, and done badly in some ways, as one drive of a drawn machine."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from drivers.simulated.scenarios import Scenario
from tests.guided.course import (
    BROKEN_OFF_S,
    braking,
    charge,
    climb,
    coast,
    coast_elsewhere,
    coast_short,
    implement,
    launches,
    machine,
    pulls,
    recovery,
    run_to_low,
    top_km_h,
    wheels,
    work,
    zero,
)
from tests.guided.scripted import Act

INSULATED = {
    "rested-voltage": 52.0,
    "frame-to-positive-connected": 0.4,
    "frame-to-negative-connected": 0.2,
    "ac-controller": 0.0,
}
"""What first power reads of a pack without a leak: no resistor is asked for."""
SLOW_MACHINE_KM_H = 12.0
"""Of a slower machine a stop from walking pace is one from near its top speed, and nothing is done badly."""


@dataclass(frozen=True)
class Task:
    """One drive.

    Attributes:
        step: its step; ``how``: ``well`` or what is wrong with it.
        scenario, seed: the machine.
        acts: what is done.
        reason: what a word of the reason must be where it is done badly; empty for well.
        without: signals taken out of the recording; ``every``: of the rows of every group only each so many.
        position: whether a receiver is on board; rate_hz: rows a second.
        backwards: whether the second run is said to turn the motor in reverse.
        readings: of first power; twice: whether the same is driven on two days.
    """

    step: str
    how: str
    scenario: Scenario
    seed: int
    acts: tuple[Act, ...]
    reason: str = ""
    without: tuple[str, ...] = ()
    slow: bool = False
    position: bool = False
    rate_hz: float = 10.0
    backwards: bool = False
    readings: Mapping[str, float] = field(default_factory=dict)
    twice: bool = False


Maker = Callable[[Scenario, random.Random], Sequence[Act]]
SLOW_WORDS, LACK = "every", "not recorded"


LONG = {"rate_hz": 1.0}
WAYS: dict[str, dict[str, tuple[Maker, str, dict]]] = {
    "zero": {
        "well": (zero, "", {}),
        "too short": (lambda w, c: zero(w, c, off=(25, 50), on=(25, 50)), "too short", {}),
        "charger on": (lambda w, c: zero(w, c, (80, 80), (80, 80), charger=True), "charger|not found", {}),
    },
    "wheels-up": {
        "well": (wheels, "", {"backwards": True}),
        "too short": (lambda w, c: wheels(w, c, seconds=6.0), "too short", {"backwards": True}),
        "no stop": (lambda w, c: wheels(w, c, stops=False), "stop", {"backwards": True}),
        "no motor speed": (wheels, LACK, {"without": ("motor_speed",), "backwards": True}),
        "one reading a second": (wheels, SLOW_WORDS, {"slow": True, "backwards": True}),
    },
    "pulls": {
        "well": (pulls, "", {}),
        "well, cells missing": (pulls, "", {"without": ("cell_",)}),
        "too short": (lambda w, c: pulls(w, c, held=7.0), "too short", {}),
        "no stand before": (lambda w, c: pulls(w, c, before=0.5), "without load before it", {}),
        "too few": (lambda w, c: pulls(w, c, count=4), "4 of 6", {}),
        "one reading a second": (pulls, SLOW_WORDS, {"slow": True}),
    },
    "launches": {
        "well": (launches, "", {}),
        "too short": (lambda w, c: launches(w, c, full=1.9), "full throttle for", {}),
        "not fully down": (lambda w, c: launches(w, c, pedal=0.8), "full throttle for", {}),
        "one reading a second": (launches, SLOW_WORDS, {"slow": True}),
    },
    "climb": {
        "well": (climb, "", {}),
        "well, one reading a second": (climb, "", {"slow": True}),
        "too short": (lambda w, c: climb(w, c, seconds=40.0), "too short", {}),
        "too flat": (lambda w, c: climb(w, c, steep=0.05), "not found", {}),
    },
    "coast-down": {
        "well": (coast, "", {}),
        "well, with position": (lambda w, c: coast(w, c, turn=False, further=True), "", {"position": True}),
        "too short": (coast_short, "too short|brake", {}),
        "never turned": (lambda w, c: coast(w, c, turn=False), "there and back", {}),
        "elsewhere": (coast_elsewhere, "slope", {}),
        "two pairs": (lambda w, c: coast(w, c, pairs=2), "4 of 6", {}),
        "no speed": (coast, LACK, {"without": ("vehicle_speed",)}),
        "one reading a second": (coast, SLOW_WORDS, {"slow": True}),
    },
    "braking": {
        "well": (braking, "", {}),
        "did not stop": (lambda w, c: braking(w, c, let_go=True), "of 2", {}),
        "never fast": (lambda w, c: braking(w, c, fast=False), "near top speed|of 2|not found", {}),
        "no speed": (braking, LACK, {"without": ("vehicle_speed",)}),
        "one reading a second": (braking, SLOW_WORDS, {"slow": True}),
    },
    "implement": {
        "well": (implement, "", {}),
        "too short": (lambda w, c: implement(w, c, on=2.5), "too short", {}),
        "never driving": (lambda w, c: implement(w, c, driving=0), "0 of 2 driving", {}),
        "one reading a second": (implement, SLOW_WORDS, {"slow": True}),
    },
    "work": {
        "well": (work, "", {}),
        "well, after much standing": (
            lambda w, c: [*work(w, c, minutes=15.0, rests=1.5), *work(w, c)],
            "",
            {},
        ),
        "too short": (lambda w, c: work(w, c, minutes=12.0), "too short", {}),
        "mostly standing": (lambda w, c: work(w, c, minutes=40.0, rests=1.2), "moved for", {}),
    },
    "run-to-low": {
        "well": (run_to_low, "", LONG),
        "not from full": (lambda w, c: run_to_low(w, c, full=False), "anchor", LONG),
        "not to low": (lambda w, c: run_to_low(w, c, low=0.7), "anchor", LONG),
        "no rest after": (lambda w, c: run_to_low(w, c, rests=False), "anchor", LONG),
    },
    "charge": {
        "well": (charge, "", LONG),
        "broken off": (lambda w, c: charge(w, c, seconds=BROKEN_OFF_S), "broken off", LONG),
        "not plugged in": (lambda w, c: charge(w, c, seconds=BROKEN_OFF_S, plugs=False), "not found", LONG),
    },
    "close": {
        "well": (pulls, "", {"readings": INSULATED, "twice": True}),
        "no insulation reading": (pulls, "insulation", {"twice": True}),
        "one drive": (pulls, "two drives", {"readings": INSULATED}),
        "no pulls": (lambda w, c: [Act(60)], "two drives", {"readings": INSULATED, "twice": True}),
    },
    "recovery": {
        "well": (recovery, "", {}),
        "too short": (lambda w, c: recovery(w, c, minutes=15.0), "too short", {}),
        "charger on": (lambda w, c: recovery(w, c, minutes=31.0, charger=True), "charger|not found", {}),
    },
}


def task(step: str, how: str, seed: int) -> Task | None:
    """Return the drive of a step by a way; None where the machine that the seed draws cannot do it.

    The drawn chargers end below the voltage at which an NMC cell is full, so only iron phosphate is charged full.
    """
    what = machine(seed, step)
    if step == "run-to-low" and what.cells.chemistry != "lfp":
        return None
    if step == "braking" and not what.controller.brake_current_a:
        return None
    if step == "implement" and what.implement is None:
        return None
    if how == "never fast" and top_km_h(what) < SLOW_MACHINE_KM_H:
        return None
    maker, reason, more = WAYS[step][how]
    acts = tuple(maker(what, random.Random(f"guided {step} {how} {seed}")))
    return Task(step, how, what, seed, acts, reason, **more)


def is_long(step: str, how: str) -> bool:
    """Return whether a drive lasts for hours, and its simulation for a minute."""
    return bool(WAYS[step][how][2].get("rate_hz"))


def every_way() -> list[tuple[str, str]]:
    """Return each step with each way of doing it."""
    return [(step, how) for step, ways in WAYS.items() for how in ways]
