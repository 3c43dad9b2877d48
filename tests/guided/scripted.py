"""A simulated machine that is driven by a script, act after act, and recorded with what is true of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from drivers.simulated.course import M_S_PER_KMH
from drivers.simulated.foot import Foot, FootParameters, Habits
from drivers.simulated.machine import SimulatedMachine
from drivers.simulated.scenarios import Scenario
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Event, Mark
from tests.reference.drives import DriveRecording

LATITUDE, LONGITUDE = 50.0, 0.0
M_A_DEGREE = 111_200.0
STEP_US, SECOND_US, FAST_HZ = 50_000, 1_000_000, 5.0
PARKED_STEPS = 20


@dataclass(frozen=True)
class Act:
    """What the driver does for a while.

    Attributes:
        seconds: for how long at most.
        throttle, brake: 0 to 1; ``aim_km_h``: keep to that speed instead.
        below_km_h: over as soon as the machine is slower.
        mark: set at its beginning.
        way: 1 there, -1 back: the slope and the position follow it.
        until_soc: over as soon as the mean cell holds less than this share of its charge.
        until_full: over as soon as the charger has ended the charge.
        gains_ohm: what a joint on the way to the controller gains along it.
    """

    seconds: float
    throttle: float = 0.0
    brake: float = 0.0
    aim_km_h: float | None = None
    below_km_h: float = -1.0
    engaged: bool = False
    growth: float = 1.0
    key: bool = True
    charger: bool = False
    enabled: bool = True
    grade: float = 0.0
    way: int = 1
    until_soc: float = -1.0
    until_full: bool = False
    gains_ohm: float = 0.0
    mark: str = ""


class Script:
    """Stands for the foot and for the course."""

    laps = 0
    parked = False
    growth = softness = 1.0

    def __init__(self, acts: Sequence[Act], foot: FootParameters) -> None:
        self.acts = acts
        self.place = -1
        self.left_s = 0.0
        self.act = Act(0.0)
        self.begun: list[int] = []
        self.done = False
        self.pedal = self.brake = 0.0
        self._foot = Foot(foot)

    @property
    def grade(self) -> float:
        return self.act.grade * self.act.way

    @property
    def engaged(self) -> bool:
        return self.act.engaged

    @property
    def enabled(self) -> bool:
        return self.act.enabled

    def next(self) -> None:
        self.place += 1
        if self.place >= len(self.acts):
            self.done = True
            self.act = Act(1e9)
            return
        self.act = self.acts[self.place]
        self.left_s, self.growth = self.act.seconds, self.act.growth

    def aim(self, dt: float, position: float, speed: float) -> float:
        self.left_s -= dt
        return (self.act.aim_km_h or 0.0) * M_S_PER_KMH

    def step(self, dt: float, aim: float, speed: float, habits: Habits | None = None) -> None:
        if self.act.aim_km_h is not None:
            self._foot.step(dt, aim, speed)
            self.pedal, self.brake = self._foot.pedal, self._foot.brake
            return
        for name in ("pedal", "brake"):
            now, wanted = getattr(self, name), self.act.throttle if name == "pedal" else self.act.brake
            setattr(self, name, now + min(4.0 * dt, max(-4.0 * dt, wanted - now)))

    def over(self, speed: float) -> bool:
        return self.left_s <= 0.0 or speed < self.act.below_km_h * M_S_PER_KMH


class ScriptedMachine(SimulatedMachine):
    """Drives by a script. ``where`` is the position along the way, m."""

    def __init__(self, scenario: Scenario, seed: int, acts: Sequence[Act], rate_hz: float = 10.0) -> None:
        super().__init__(scenario, seed, 0, "machine", rate_hz)
        self.script = Script(acts, scenario.foot)
        self.foot = self.course = self.script  # type: ignore[assignment]
        self.script.next()
        self.where = 0.0

    @property
    def what(self) -> Scenario:
        """What it is."""
        return self._what

    @property
    def can_drive(self) -> bool:
        """Whether the BMS lets it drive and the controller has not cut out."""
        return self.electronics.discharge_allowed and self.controller.stopped != "low"

    def _step(self) -> None:
        """Go a step; with the key off and standing, twenty at once, for then everything is slow."""
        if self.script.act.key or self.vehicle.speed > 0.0:
            self._go()
        elif self._done % PARKED_STEPS == 0:
            done, dt = self._done, self._dt
            self._done, self._dt = done // PARKED_STEPS, dt * PARKED_STEPS
            self._go()
            self._done, self._dt = done, dt

    def _go(self) -> None:
        script, act = self.script, self.script.act
        if act.charger != self.charger.connected:
            self.charger.plug(act.charger)
        self.fault.opened = not act.key
        self.fault.added_ohm = act.gains_ohm * (1.0 - max(0.0, script.left_s) / max(act.seconds, 1e-9))
        before = self.vehicle.position
        super()._step()
        self.where += act.way * (self.vehicle.position - before)
        full = act.until_full and self.charger.finished
        if full:
            self.electronics.charge_ended()
        low = act.until_soc > 0.0 and float(self.cells.soc.mean()) < act.until_soc
        if full or low or script.over(self.vehicle.speed):
            script.next()


@dataclass(frozen=True, eq=False)
class MarkedRecording(DriveRecording):
    """A recording in memory, with marks."""

    events: tuple[Event, ...] = field(default=())

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        left = list(self.events)
        for span in super().spans(rows):
            now = [event for event in left if event.t <= span.end]
            left = left[len(now) :]
            yield span.adding(events=now)

    def dated(self, start: int, marks: Sequence[Mark] = (), machine_text: str | None = None) -> MarkedRecording:
        """Return it as it was recorded from ``start`` on, microseconds since the epoch, with more marks."""
        batches = tuple(Batch(each.group, each.t + start, each.values) for each in self.batches)
        events = tuple(replace(event, t=event.t + start) for event in (*self.events, *marks))
        events = tuple(sorted(events, key=lambda event: event.t))
        return replace(
            self, batches=batches, events=events, start=start, time_basis="absolute", machine_text=machine_text
        )


@dataclass(frozen=True, eq=False)
class Driven:
    """A drive and what is true of it.

    Attributes:
        recording: as the program sees it.
        machine: after the drive.
        t: int64 (n,), microseconds; the others are float64 (n,): A, V, V, m/s, and what a joint gained, ohm.
    """

    recording: MarkedRecording
    machine: ScriptedMachine
    t: np.ndarray
    current: np.ndarray
    pack_v: np.ndarray
    controller_v: np.ndarray
    speed_m_s: np.ndarray
    gained_ohm: np.ndarray


def driven(
    scenario: Scenario, seed: int, acts: Sequence[Act], *, position: bool = False, rate_hz: float = 10.0
) -> Driven:
    """Drive the script to its end and record it."""
    machine = ScriptedMachine(scenario, seed, acts, rate_hz)
    batches: dict[tuple[str, str], list[Batch]] = {}
    truth, marks, places = [], list[Event](), list[tuple[int, float]]()
    t, place, step = 0, -1, STEP_US if rate_hz >= FAST_HZ else SECOND_US
    while not machine.script.done:
        t += step
        for batch in machine.advance_to(t):
            batches.setdefault(batch.group.key, []).append(batch)
        script = machine.script
        for number in range(place + 1, min(script.place, len(acts) - 1) + 1):
            if acts[number].mark:
                marks.append(Mark(t, acts[number].mark))
        place = script.place
        volts = machine.pack_voltage, machine.bus_voltage
        truth.append((t, machine.current, *volts, machine.vehicle.speed, machine.fault.added_ohm))
        if t % 1_000_000 == 0:
            places.append((t, machine.where))
    joined = [
        Batch(each[0].group, np.concatenate([b.t for b in each]), np.concatenate([b.values for b in each]))
        for each in batches.values()
    ]
    if position:
        rows = [[LATITUDE + along / M_A_DEGREE, LONGITUDE] for _, along in places]
        group = Group("receiver", "position", ("latitude", "longitude"))
        joined.append(Batch.of_rows(group, [at for at, _ in places], rows))
    recording = MarkedRecording("drive", tuple(joined), events=tuple(marks))
    columns = np.array(truth).T
    return Driven(recording, machine, columns[0].astype(np.int64), *columns[1:])
