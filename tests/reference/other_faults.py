"""What can be wrong with the second simulator's machine: each function sets up one cause, drawn by chance."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tests.reference.other_drives import Machine

STEP_S = 0.01
REST_SOC = (0.0, 0.03, 0.08, 0.15, 0.3, 0.45, 0.6, 0.8, 0.95, 0.99, 1.0)
REST_V = (2.6, 2.95, 3.09, 3.17, 3.24, 3.27, 3.29, 3.32, 3.33, 3.36, 3.45)
"""An iron phosphate cell at rest, from memory."""


@dataclass
class Fault:
    """What is wrong, as it stands in this step; the kinds below change it."""

    cause: str = "healthy"
    kind: str = ""
    pedal: Callable[[float], float] | None = None
    share: float = 1.0
    most_share: float = 1.0
    ohm: float = 0.0
    opened: bool = False
    drag: float = 0.0
    events: list[tuple[float, float, str]] = field(default_factory=list)
    begun: dict[str, float] = field(default_factory=dict)

    def hold(self, t: float, on: bool, what: str) -> None:
        """Say whether the event goes on."""
        if on:
            self.begun.setdefault(what, t)
        elif what in self.begun:
            began = self.begun.pop(what)
            self.events.append((began, t - began, what))


@dataclass
class Now:
    """What the machine does in this step."""

    t: float = 0.0
    travel: float = 0.0
    rate: float = 0.0
    amps: float = 0.0
    speed: float = 0.0
    shake: float = 0.0


def healthy(machine: Machine) -> None:
    pass


def pedal_sensor(machine: Machine) -> None:
    r, f = machine.random, machine.fault
    f.kind = str(r.choice(["drops", "shallow", "spikes", "jitters"]))
    centre, width = r.uniform(0.1, 0.4), r.uniform(0.03, 0.10)
    moving, shaken = r.uniform(1.0, 5.0), r.uniform(0.02, 0.12)
    state = {"left": 0.0, "depth": 0.0}
    longest = {"jitters": 0.8, "spikes": 0.15}.get(f.kind, 0.4)

    def step(now: Now) -> None:
        state["left"] -= STEP_S
        inside = abs(now.travel - centre) < width / 2
        if state["left"] <= 0 and inside and r.random() < (moving * abs(now.rate) + shaken) * STEP_S:
            state["left"], state["depth"] = r.uniform(0.06, longest), r.uniform(0.35, 0.8)
        f.hold(now.t, state["left"] > 0, f.kind)

    def pedal(travel: float) -> float:
        if state["left"] <= 0:
            return travel
        if f.kind == "drops":
            return -machine.rest_v / machine.span_v + 0.015
        if f.kind == "shallow":
            return travel * (1 - state["depth"])
        if f.kind == "spikes":
            return travel + (1.1 - travel) * state["depth"]
        return travel + r.normal(0, 0.25 * state["depth"])

    machine.step_fault, f.pedal = step, pedal


def controller(machine: Machine) -> None:
    r, f = machine.random, machine.fault
    f.kind = str(r.choice(["cuts", "cuts hot", "cuts shaken", "gives part", "folds back"]))
    hazard = 1 / r.uniform(8, 25)
    part = r.uniform(0.1, 0.5) if f.kind == "gives part" else 0.0
    folds_at, folds_in, folds_to = r.uniform(20, 90), r.uniform(20, 200), r.uniform(0.2, 0.5)
    state = {"left": 0.0, "heat": 0.0}

    def step(now: Now) -> None:
        state["heat"] += ((abs(now.amps) / machine.amps_most) - state["heat"]) * STEP_S / 40
        if f.kind == "folds back":
            f.most_share = 1 - (1 - folds_to) * min(max((now.t - folds_at) / folds_in, 0), 1)
            return
        state["left"] -= STEP_S
        rate = hazard
        if f.kind == "cuts hot":
            rate = hazard * (3 if state["heat"] > 0.15 else 0.3)
        elif f.kind == "cuts shaken":
            rate = hazard * 3 * now.shake
        if state["left"] <= 0 and now.travel > 0.07 and r.random() < rate * STEP_S:
            state["left"] = r.uniform(0.2, 1.2)
        f.share = part if state["left"] > 0 else 1.0
        f.hold(now.t, state["left"] > 0, "cut")

    machine.step_fault = step


def power_connection(machine: Machine) -> None:
    r, f = machine.random, machine.fault
    f.kind = str(r.choice(["resists", "opens"]))
    base = machine.ohm * r.uniform(1.5, 5.0)
    base = min(base, 0.1 * machine.usual_v / machine.amps_most)
    wander, quick, opens = r.uniform(0.15, 0.5), r.uniform(0.05, 0.4), r.uniform(0.05, 0.25)
    state = {"noise": 0.0, "left": 0.0}

    def step(now: Now) -> None:
        state["noise"] += -state["noise"] * STEP_S / quick + wander * math.sqrt(2 * STEP_S / quick) * r.normal()
        f.ohm = base * math.exp(state["noise"] * (0.4 + now.shake))
        state["left"] -= STEP_S
        if f.kind == "opens" and now.shake > 0.3 and r.random() < opens * now.shake * STEP_S:
            state["left"] = r.uniform(0.04, 0.4)
        f.opened = state["left"] > 0
        f.hold(now.t, f.opened, "opening")

    machine.step_fault = step


def pack_weak(machine: Machine) -> None:
    r, f = machine.random, machine.fault
    f.kind = str(r.choice(["empty", "aged", "small", "weak cell"]))
    reach = r.uniform(0.45, 0.9) * machine.amps_most
    by_switch = f.kind == "weak cell" or r.random() < 0.45
    limit = r.uniform(2.5, 2.85)
    machine.cut_v, machine.switch_cell_v = (
        (0.8 * limit if by_switch else limit) * machine.cells,
        limit if by_switch else 2.2,
    )
    if by_switch and f.kind == "empty" and r.random() < 0.5:
        machine.cut_v = (limit + 0.02) * machine.cells
    machine.wait_s = r.uniform(3, 18)
    if f.kind == "small":
        machine.capacity *= 0.35
    if f.kind in ("aged", "small"):
        machine.soc = r.uniform(0.15, 0.6)
        worse = (machine.rest() - limit * machine.cells) / (machine.ohm + 0.5 * machine.slow_ohm) / reach
        machine.ohm, machine.slow_ohm = machine.ohm * worse, machine.slow_ohm * worse
        return
    if f.kind == "weak cell":
        machine.weak_ohm = r.uniform(1.2, 4.0)
    each = machine.ohm / machine.cells * machine.weak_ohm
    rest = limit + 1.5 * each * reach
    soc = float(np.interp(rest, REST_V, REST_SOC)) + r.uniform(0.0, 0.01)
    machine.soc = soc if f.kind == "empty" else soc + r.uniform(0.05, 0.4)
    machine.weak_less = machine.soc - soc


def bms_trip(machine: Machine) -> None:
    r, f = machine.random, machine.fault
    kinds = ["current", "current", "until released"] + (["braking", "braking, two switches"] if machine.brake else [])
    f.kind = str(r.choice(kinds))
    machine.wait_s, machine.trip_s = r.uniform(2, 20), r.uniform(0.02, 0.6)
    if f.kind.startswith("braking"):
        machine.two_switches = "two" in f.kind
        machine.trip_back_a = (
            r.uniform(0.25, 0.6) * machine.brake * machine.top * 0.5 * machine.efficiency / machine.usual_v
        )
    else:
        machine.trip_a = r.uniform(0.45, 0.85) * machine.amps_most
        machine.release = f.kind == "until released"


def mechanical_drag(machine: Machine) -> None:
    r, f = machine.random, machine.fault
    f.kind = str(r.choice(["steady", "grows"]))
    full = r.uniform(0.035, 0.10)
    since = r.uniform(10, 40) if f.kind == "grows" else 0.0

    def step(now: Now) -> None:
        f.drag = full * (1 if f.kind == "steady" else min(0.5 + now.t / (4 * since), 1.2))

    machine.step_fault = step


FAULTS: dict[str, Callable[[Machine], None]] = {
    "healthy": healthy,
    "pedal-sensor": pedal_sensor,
    "controller": controller,
    "power-connection": power_connection,
    "pack-weak": pack_weak,
    "bms-trip": bms_trip,
    "mechanical-drag": mechanical_drag,
}
