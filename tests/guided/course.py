"""What a driver does at each step, well or badly, for one drawn machine."""

from __future__ import annotations

import random
from dataclasses import replace

from drivers.simulated.bench import held_pedal, on_stands
from drivers.simulated.scenarios import Scenario
from drivers.simulated.varied import varied_scenario
from tests.guided.scripted import Act

BROKEN_OFF_S = 900.0
Span = tuple[float, float]


def _stop(way: int = 1, grade: float = 0.0) -> tuple[Act, ...]:
    return Act(40, brake=0.9, below_km_h=0.3, way=way, grade=grade), Act(1.5, brake=1.0, way=way, grade=grade)


STOP = _stop()


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


def zero(
    what: Scenario, chance: random.Random, off: Span = (75, 130), on: Span = (66, 90), charger: bool = False
) -> list[Act]:
    rests = Act(chance.uniform(*off), key=False, charger=charger), Act(chance.uniform(*on), charger=charger)
    return [*rests, Act(6, throttle=1.0), *STOP]


def wheels(what: Scenario, chance: random.Random, seconds: float = 12.0, stops: bool = True) -> list[Act]:
    held = held_pedal(what) * chance.uniform(1.0, 1.2)
    acts = [Act(8, mark="wheels up"), Act(seconds, throttle=held), Act(6), Act(seconds, throttle=held), Act(6)]
    if stops:
        acts += [Act(4, throttle=held), Act(6, throttle=held, key=False), Act(4, key=False)]
    return [*acts, Act(4, mark="wheels down")]


def pulls(
    what: Scenario, chance: random.Random, held: float = 11.0, count: int = 6, before: float = 6.0
) -> list[Act]:
    acts = [Act(4)]
    for _ in range(count):
        pedal = chance.uniform(0.42, 0.58)
        acts += [Act(before), Act(held, throttle=pedal), Act(chance.uniform(8, 11)), *STOP]
    return [*acts, Act(3)]


def launches(
    what: Scenario, chance: random.Random, full: float = 9.0, count: int = 3, pedal: float = 1.0
) -> list[Act]:
    acts = [Act(4)]
    for _ in range(count):
        acts += [Act(6), Act(full, throttle=pedal), Act(2), *STOP]
    return [*acts, Act(3)]


def climb(
    what: Scenario, chance: random.Random, seconds: float = 75.0, steep: float = 1.0, gains: float = 0.0
) -> list[Act]:
    speed = 0.55 * top_km_h(what)
    grade = steep * max(0.05, 1.4 * what.vehicle.resistance)
    acts = [Act(4), Act(110, aim_km_h=speed)]
    for _ in range(2):
        ohm = gains * what.connection.resistance_ohm
        acts += [Act(seconds, aim_km_h=speed, grade=grade, gains_ohm=ohm), Act(30, aim_km_h=speed)]
    return [*acts, *STOP]


def coast(
    what: Scenario,
    chance: random.Random,
    pairs: int = 3,
    turn: bool = True,
    further: bool = False,
) -> list[Act]:
    slope, most = chance.uniform(-0.01, 0.01), 0.45 * what.vehicle.resistance
    slope = max(-most, min(most, slope))
    acts = [Act(5)]
    for _ in range(pairs):
        for way in (1, -1):
            mark = "turned round" if turn else ""
            acts += [
                Act(3, way=way, grade=slope, mark=mark),
                Act(11, throttle=1.0, way=way, grade=slope),
                Act(120, way=way, grade=slope, below_km_h=1.3),
                *_stop(way, slope),
            ]
            if further:  # so far that the way back rolls over the same stretch
                acts += [Act(24, aim_km_h=6.0, way=way, grade=slope), *STOP]
    return acts


def coast_short(what: Scenario, chance: random.Random) -> list[Act]:
    acts = [Act(5)]
    for number in range(6):
        acts += [Act(3, mark="turned round", way=1 - 2 * (number % 2)), Act(9, throttle=1.0), Act(2.7), *STOP]
    return acts


def coast_elsewhere(what: Scenario, chance: random.Random) -> list[Act]:
    """Each pair on another slope: there level, back steep, so that no pair is one."""
    acts = [Act(5)]
    for number in range(6):
        grade = (0.0, -0.55 * what.vehicle.resistance, 0.3 * what.vehicle.resistance)[number % 3]
        acts += [
            Act(3, mark="turned round", grade=grade),
            Act(11, throttle=1.0, grade=grade),
            Act(120, grade=grade, below_km_h=1.3),
            *_stop(grade=grade),
        ]
    return acts


def braking(what: Scenario, chance: random.Random, let_go: bool = False, fast: bool = True) -> list[Act]:
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


def implement(
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


def recovery(what: Scenario, chance: random.Random, minutes: float = 31.0, charger: bool = False) -> list[Act]:
    return [Act(4), Act(8, throttle=1.0), *STOP, Act(60 * minutes, key=False, charger=charger)]


def charge(what: Scenario, chance: random.Random, seconds: float = 6 * 3600.0, plugs: bool = True) -> list[Act]:
    charge = Act(seconds, key=False, charger=plugs, until_full=seconds > BROKEN_OFF_S)
    return [Act(20, key=False), charge, Act(300, key=False)]


def run_to_low(
    what: Scenario, chance: random.Random, full: bool = True, low: float = 0.05, rests: bool = True
) -> list[Act]:
    acts = [Act(20, key=False)]
    acts += [Act(2 * 3600.0, key=False, charger=True, until_full=True)] if full else []
    speed = top_km_h(what)
    drive = [Act(120, aim_km_h=speed * chance.uniform(0.6, 0.8), grade=0.09, until_soc=low) for _ in range(300)]
    return [*acts, Act(60), *drive, *STOP, Act(2100 if rests else 120, key=False, mark="key off")]


def tour(what: Scenario, chance: random.Random) -> list[Act]:
    """Return most steps in one drive, which loads the machine long enough for every figure."""
    acts = [Act(70, key=False), Act(64), *pulls(what, chance, before=6.0), *launches(what, chance)]
    return [*acts, *climb(what, chance), *coast(what, chance), *work(what, chance, minutes=3.0)]
