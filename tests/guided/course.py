"""What a driver does at each step, done well, and the ways of doing it badly, for one drawn machine."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from drivers.simulated.bench import held_pedal, on_stands
from drivers.simulated.scenarios import Scenario
from drivers.simulated.varied import varied_scenario
from tests.guided.scripted import Act

BROKEN_OFF_S = 900.0
INSULATED = {
    "rested-voltage": 52.0,
    "frame-to-positive-connected": 0.4,
    "frame-to-negative-connected": 0.2,
    "insulation-resistor": 10_000.0,
    "insulation-voltage-connected": 0.1,
    "ac-controller": 0.0,
}
"""What first power reads of a pack without a leak."""
SLOW_MACHINE_KM_H = 12.0
"""Of a slower machine a stop from walking pace is one from near its top speed, and nothing is done badly."""
STOP = (Act(40, brake=0.9, below_km_h=0.3), Act(1.5, brake=1.0))


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


def machine(seed: int, step: str) -> Scenario:
    """Return a drawn machine fit for a step: level even ground, and a charge as the step wants it."""
    what = varied_scenario(seed)
    soc = {"braking": 0.75, "run-to-low": 0.97}.get(step, 0.8)
    allows = what.electronics.charge_current
    allows = replace(allows, limit=max(allows.limit, 1.3 * what.charger.current_a))  # else the BMS trips the charger
    electronics = replace(what.electronics, charge_current=allows)
    what = replace(what, ride=None, habits=None, soc=soc, charges_below=0.0, electronics=electronics)
    if step == "wheels-up":
        what = on_stands(what)
    return what


def top_km_h(what: Scenario) -> float:
    """Return about the speed that the motor's voltage allows, km/h."""
    volts = what.cells.count * (3.2 if what.cells.chemistry == "lfp" else 3.6)
    return 3.6 * 0.6 * volts / what.controller.torque_nm_per_a / what.vehicle.gear_ratio * what.vehicle.wheel_radius_m


def _zero(what: Scenario, chance: random.Random) -> list[Act]:
    return [Act(chance.uniform(75, 130), key=False), Act(chance.uniform(66, 90)), Act(6, throttle=1.0), *STOP]


def _zero_short(what: Scenario, chance: random.Random) -> list[Act]:
    return [Act(chance.uniform(25, 50), key=False), Act(chance.uniform(25, 50)), Act(6, throttle=1.0), *STOP]


def _zero_charger(what: Scenario, chance: random.Random) -> list[Act]:
    return [Act(80, key=False, charger=True), Act(80, charger=True), Act(6, throttle=1.0), *STOP]


def _wheels(what: Scenario, chance: random.Random, seconds: float = 12.0, stops: bool = True) -> list[Act]:
    held = held_pedal(what) * chance.uniform(1.0, 1.2)
    acts = [Act(8, mark="wheels up"), Act(seconds, throttle=held), Act(6), Act(seconds, throttle=held), Act(6)]
    if stops:
        acts += [Act(4, throttle=held), Act(6, throttle=held, key=False), Act(4, key=False)]
    return [*acts, Act(4, mark="wheels down")]


def _pulls(
    what: Scenario, chance: random.Random, held: float = 11.0, count: int = 6, before: float = 6.0
) -> list[Act]:
    acts = [Act(4)]
    for _ in range(count):
        pedal = chance.uniform(0.42, 0.58)
        acts += [Act(before), Act(held, throttle=pedal), Act(chance.uniform(8, 11)), *STOP]
    return [*acts, Act(3)]


def _launches(
    what: Scenario, chance: random.Random, full: float = 9.0, count: int = 3, pedal: float = 1.0
) -> list[Act]:
    acts = [Act(4)]
    for _ in range(count):
        acts += [Act(6), Act(full, throttle=pedal), Act(2), *STOP]
    return [*acts, Act(3)]


def _flat(what: Scenario, speed: float, seconds: float) -> Act:
    return Act(seconds, aim_km_h=speed)


def _climb(
    what: Scenario, chance: random.Random, seconds: float = 75.0, steep: float = 1.0, gains: float = 0.0
) -> list[Act]:
    speed = 0.55 * top_km_h(what)
    grade = steep * max(0.05, 1.4 * what.vehicle.resistance)
    acts = [Act(4), _flat(what, speed, 110)]
    for _ in range(2):
        ohm = gains * what.connection.resistance_ohm
        acts += [Act(seconds, aim_km_h=speed, grade=grade, gains_ohm=ohm), _flat(what, speed, 30)]
    return [*acts, *STOP]


def _coast(
    what: Scenario,
    chance: random.Random,
    pairs: int = 3,
    grade: float | None = None,
    turn: bool = True,
    further: bool = False,
) -> list[Act]:
    slope = chance.uniform(-0.01, 0.01) if grade is None else grade
    slope = (
        max(-0.45 * what.vehicle.resistance, min(0.45 * what.vehicle.resistance, slope)) if grade is None else slope
    )
    acts = [Act(5)]
    for _ in range(pairs):
        for way in (1, -1):
            mark = "turned round" if turn else ""
            acts += [
                Act(3, way=way, grade=slope, mark=mark),
                Act(11, throttle=1.0, way=way, grade=slope),
                Act(120, way=way, grade=slope, below_km_h=1.3),
                Act(40, brake=0.9, way=way, grade=slope, below_km_h=0.3),
                Act(1.5, brake=1.0, way=way, grade=slope),
            ]
            if further:  # so far that the way back rolls over the same stretch
                acts += [Act(24, aim_km_h=6.0, way=way, grade=slope), *STOP]
    return acts


def _coast_short(what: Scenario, chance: random.Random) -> list[Act]:
    acts = [Act(5)]
    for number in range(6):
        acts += [Act(3, mark="turned round", way=1 - 2 * (number % 2)), Act(9, throttle=1.0), Act(2.7), *STOP]
    return acts


def _coast_elsewhere(what: Scenario, chance: random.Random) -> list[Act]:
    """Each pair on another slope: there level, back steep, so that no pair is one."""
    acts = [Act(5)]
    for number in range(6):
        grade = (0.0, -0.55 * what.vehicle.resistance, 0.3 * what.vehicle.resistance)[number % 3]
        acts += [
            Act(3, mark="turned round", grade=grade),
            Act(11, throttle=1.0, grade=grade),
            Act(120, grade=grade, below_km_h=1.3),
            Act(40, brake=0.9, grade=grade, below_km_h=0.3),
            Act(1.5, brake=1.0),
        ]
    return acts


def _braking(what: Scenario, chance: random.Random, let_go: bool = False, fast: bool = True) -> list[Act]:
    acts, top = [Act(6)], top_km_h(what)
    for share in (0.3, 0.6, 1.0, 1.0) if fast else (0.3, 0.32, 0.34):
        lasts = 8 + 20 * share
        acts.append(Act(lasts, throttle=1.0) if share >= 1.0 else Act(lasts, aim_km_h=max(5.8, share * top)))
        if let_go:
            acts += [Act(0.9, brake=0.5), Act(6, throttle=0.5), Act(60, below_km_h=1.0), Act(1.5, brake=1.0)]
        else:
            acts += [Act(40, brake=0.4, below_km_h=0.3), Act(4, brake=1.0)]
    if not fast:
        acts += [Act(22, aim_km_h=top), Act(120, below_km_h=1.0)]
    return [*acts, Act(3, brake=1.0)]


def _implement(
    what: Scenario, chance: random.Random, on: float = 7.0, standing: int = 3, driving: int = 2
) -> list[Act]:
    speed = 0.4 * top_km_h(what)
    acts = [Act(5, brake=1.0)]
    for _ in range(standing):
        acts += [Act(on, engaged=True, brake=1.0), Act(6, brake=1.0)]
    acts += [Act(10, aim_km_h=speed)]
    for _ in range(driving):
        acts += [Act(on, engaged=True, aim_km_h=speed), Act(8, aim_km_h=speed)]
    return [*acts, *STOP]


def work(what: Scenario, chance: random.Random, minutes: float = 31.0, rests: float = 0.0) -> list[Act]:
    speed, acts, left = 0.5 * top_km_h(what), [Act(5)], 60.0 * minutes
    while left > 0:
        lasts = chance.uniform(40, 90)
        acts += [Act(lasts, aim_km_h=speed * chance.uniform(0.7, 1.2), grade=chance.choice((-0.02, 0.0, 0.02)))]
        acts += [*STOP, Act(rests * lasts, brake=1.0)] if rests else []
        left -= lasts * (1 + rests)
    return [*acts, *STOP]


def _recovery(what: Scenario, chance: random.Random, minutes: float = 31.0, charger: bool = False) -> list[Act]:
    return [Act(4), Act(8, throttle=1.0), *STOP, Act(60 * minutes, key=False, charger=charger)]


def _charge(what: Scenario, chance: random.Random, seconds: float = 6 * 3600.0, plugs: bool = True) -> list[Act]:
    charge = Act(seconds, key=False, charger=plugs, until_full=seconds > BROKEN_OFF_S)
    return [Act(20, key=False), charge, Act(300, key=False)]


def _run_to_low(
    what: Scenario, chance: random.Random, full: bool = True, low: float = 0.05, rests: bool = True
) -> list[Act]:
    acts = [Act(20, key=False)]
    acts += [Act(2 * 3600.0, key=False, charger=True, until_full=True)] if full else []
    speed = top_km_h(what)
    drive = [Act(120, aim_km_h=speed * chance.uniform(0.6, 0.8), grade=0.09, until_soc=low) for _ in range(300)]
    return [*acts, Act(60), *drive, *STOP, Act(2100 if rests else 120, key=False, mark="key off")]


Maker = Callable[[Scenario, random.Random], Sequence[Act]]
SLOW_WORDS, LACK = "every", "not recorded"


def tour(what: Scenario, chance: random.Random) -> list[Act]:
    """Return most steps in one drive, which loads the machine long enough for every figure."""
    acts = [Act(70, key=False), Act(64), *_pulls(what, chance, before=6.0), *_launches(what, chance)]
    return [*acts, *_climb(what, chance), *_coast(what, chance), *work(what, chance, minutes=3.0)]


LONG = {"rate_hz": 1.0}
WAYS: dict[str, dict[str, tuple[Maker, str, dict]]] = {
    "zero": {
        "well": (_zero, "", {}),
        "too short": (_zero_short, "too short", {}),
        "charger on": (_zero_charger, "charger|not found", {}),
    },
    "wheels-up": {
        "well": (_wheels, "", {"backwards": True}),
        "too short": (lambda w, c: _wheels(w, c, seconds=6.0), "too short", {"backwards": True}),
        "no stop": (lambda w, c: _wheels(w, c, stops=False), "stop", {"backwards": True}),
        "no motor speed": (_wheels, LACK, {"without": ("motor_speed",), "backwards": True}),
        "one reading a second": (_wheels, SLOW_WORDS, {"slow": True, "backwards": True}),
    },
    "pulls": {
        "well": (_pulls, "", {}),
        "well, cells missing": (_pulls, "", {"without": ("cell_",)}),
        "too short": (lambda w, c: _pulls(w, c, held=7.0), "too short", {}),
        "no stand before": (lambda w, c: _pulls(w, c, before=0.5), "without load before it", {}),
        "too few": (lambda w, c: _pulls(w, c, count=4), "4 of 6", {}),
        "one reading a second": (_pulls, SLOW_WORDS, {"slow": True}),
    },
    "launches": {
        "well": (_launches, "", {}),
        "too short": (lambda w, c: _launches(w, c, full=1.9), "full throttle for", {}),
        "not fully down": (lambda w, c: _launches(w, c, pedal=0.8), "full throttle for", {}),
        "one reading a second": (_launches, SLOW_WORDS, {"slow": True}),
    },
    "climb": {
        "well": (_climb, "", {}),
        "well, one reading a second": (_climb, "", {"slow": True}),
        "too short": (lambda w, c: _climb(w, c, seconds=40.0), "too short", {}),
        "too flat": (lambda w, c: _climb(w, c, steep=0.05), "not found", {}),
    },
    "coast-down": {
        "well": (_coast, "", {}),
        "well, with position": (lambda w, c: _coast(w, c, turn=False, further=True), "", {"position": True}),
        "too short": (_coast_short, "too short|brake", {}),
        "never turned": (lambda w, c: _coast(w, c, turn=False), "there and back", {}),
        "elsewhere": (_coast_elsewhere, "slope", {}),
        "two pairs": (lambda w, c: _coast(w, c, pairs=2), "4 of 6", {}),
        "no speed": (_coast, LACK, {"without": ("vehicle_speed",)}),
        "one reading a second": (_coast, SLOW_WORDS, {"slow": True}),
    },
    "braking": {
        "well": (_braking, "", {}),
        "did not stop": (lambda w, c: _braking(w, c, let_go=True), "of 2", {}),
        "never fast": (lambda w, c: _braking(w, c, fast=False), "near top speed|of 2|not found", {}),
        "no speed": (_braking, LACK, {"without": ("vehicle_speed",)}),
        "one reading a second": (_braking, SLOW_WORDS, {"slow": True}),
    },
    "implement": {
        "well": (_implement, "", {}),
        "too short": (lambda w, c: _implement(w, c, on=2.5), "too short", {}),
        "never driving": (lambda w, c: _implement(w, c, driving=0), "0 of 2 driving", {}),
        "one reading a second": (_implement, SLOW_WORDS, {"slow": True}),
    },
    "work": {
        "well": (work, "", {}),
        "well, after much standing": (lambda w, c: [*work(w, c, minutes=15.0, rests=1.5), *work(w, c)], "", {}),
        "too short": (lambda w, c: work(w, c, minutes=12.0), "too short", {}),
        "mostly standing": (lambda w, c: work(w, c, minutes=40.0, rests=1.2), "moved for", {}),
    },
    "run-to-low": {
        "well": (_run_to_low, "", LONG),
        "not from full": (lambda w, c: _run_to_low(w, c, full=False), "anchor", LONG),
        "not to low": (lambda w, c: _run_to_low(w, c, low=0.7), "anchor", LONG),
        "no rest after": (lambda w, c: _run_to_low(w, c, rests=False), "anchor", LONG),
    },
    "charge": {
        "well": (_charge, "", LONG),
        "broken off": (lambda w, c: _charge(w, c, seconds=BROKEN_OFF_S), "broken off", LONG),
        "not plugged in": (lambda w, c: _charge(w, c, seconds=BROKEN_OFF_S, plugs=False), "not found", LONG),
    },
    "close": {
        "well": (_pulls, "", {"readings": INSULATED, "twice": True}),
        "no insulation reading": (_pulls, "insulation", {"twice": True}),
        "one drive": (_pulls, "two drives", {"readings": INSULATED}),
        "no pulls": (lambda w, c: [Act(60)], "two drives", {"readings": INSULATED, "twice": True}),
    },
    "recovery": {
        "well": (_recovery, "", {}),
        "too short": (lambda w, c: _recovery(w, c, minutes=15.0), "too short", {}),
        "charger on": (lambda w, c: _recovery(w, c, minutes=31.0, charger=True), "charger|not found", {}),
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
