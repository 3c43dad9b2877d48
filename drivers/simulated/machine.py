"""The simulated machine: parts in the order of the power path, stepped along a course, and measured.

Step for step the same for a scenario, a fault and a seed, however calls are cut: all state lives here, and each
random number has a place in its own sequence. On rough ground, and with a fault, all but the cells goes finer steps.
"""

from __future__ import annotations

import math
import random

import numpy as np

from telemetry.model.batch import Batch, Group, Values

from . import instruments
from .bench import Hand, MovedPlugs, on_stands
from .cells import Cells
from .charger import Charger
from .controller import Controller, drawn_current
from .course import Course
from .electronics import PackElectronics
from .faults.catalogue import fault_of
from .faults.fault import Fault, FaultEvent, Moment
from .foot import Foot, Habits
from .instruments import Channel, Instrument, Reading
from .ride import Ride
from .scenarios import Scenario
from .varied import lively, scenario_named
from .vehicle import Implement, Vehicle

LONGEST_STEP_US = 25_000
FINE_STEPS = 5
WARMS_EVERY_S = 0.5
BUS_DIES_S = 0.4
"""Time constant of the voltage at a controller that nothing feeds and that draws nothing: its capacitor empties."""
JUMPS_TO = 1.06
"""Braking current that nobody takes lifts the voltage that far above the controller's highest, times it (ours)."""
RPM = 60 / (2 * math.pi)
PACK_OPENED = tuple((reason, f"pack opened: {reason}") for reason in PackElectronics.REASONS)
"""What may open the pack's switch, and how that is told."""


class SimulatedMachine:
    """A pack in a machine that drives its course.

    Args:
        scenario: one of ``SCENARIO_NAMES``, or a scenario itself.
        seed: of all that is drawn by chance, 0 or more.
        start: time of the first rows, microseconds since the Unix epoch.
        source: of the groups.
        rate_hz: rows a second of group ``pack``; ``vehicle`` comes twice as often, ``cells`` a quarter as often.
        truth: whether group ``truth`` is given too: ``extra_truth_soc`` (%, mean of the cells),
            ``extra_truth_current`` (A, positive out of the pack), ``extra_truth_resistance`` (ohm, ohmic, between
            the pack's terminals).
        fault: name of one of ``FAULTS``; with it, ``healthy`` included, the ground is rough and the foot has habits.
            Or a fault that was made for a scenario; its own counts, then.
        bench: on stands, its wheels free, and one of ``BENCH_TESTS`` is carried out; None for a drive.

    Attributes:
        groups: all groups that will come.
        fault: what is wrong with it, and which variant was drawn.
        bus_low_s: for how long in all the controller's voltage made it give less, though the pack was switched on.

    Raises:
        KeyError: there is no such scenario or fault.

    """

    def __init__(
        self,
        scenario: str | Scenario,
        seed: int,
        start: int,
        source: str,
        rate_hz: float = 10.0,
        truth: bool = False,
        fault: str | Fault | None = None,
        bench: str | None = None,
    ) -> None:
        what = scenario_named(scenario, seed) if isinstance(scenario, str) else scenario
        if isinstance(fault, str):
            self.fault = fault_of(fault, seed, lively(what, seed))
        else:
            self.fault = fault or Fault(what, random.Random(seed))  # noqa: S311 - a simulation, not secrets
        what = self._what = self.fault.scenario if bench is None else on_stands(self.fault.scenario)
        self._build(what, seed, bench)
        self.current = 0.0
        self.switches = (True, True)
        self.pack_voltage = self.bus_voltage = float(self.cells.voltage.sum())
        self._lap = 0
        if what.charges_at_once:
            self.course.parked = True
            self.charger.plug(True)
        row_us = 500_000 / rate_hz
        self._steps_a_row = math.ceil(row_us / LONGEST_STEP_US - 1e-9)
        self._step_us = row_us / self._steps_a_row
        self._dt = self._step_us / 1e6
        self._fine = FINE_STEPS if what.ride or fault else 1
        self._warms_every = max(1, round(WARMS_EVERY_S / self._dt))
        self._start = start
        self._done = 0
        self._poll_due_s = 0.0
        self._lost = False
        self.bus_low_s = 0.0
        self._moment = Moment()
        parts = np.array_split(np.arange(what.cells.count), instruments.PACK_SENSORS)
        self._sensed = [slice(int(part[0]), int(part[-1]) + 1) for part in parts]
        self._instruments = self._instrumented(source, seed, truth)

    def _build(self, what: Scenario, seed: int, bench: str | None) -> None:
        """Put the parts together."""
        self.cells = Cells(what.cells, what.soc, what.air_c, np.random.default_rng([seed, 0]))
        self.electronics = PackElectronics(what.electronics, what.cells.capacity_ah, float(self.cells.soc.mean()))
        self.controller = Controller(what.controller, what.air_c)
        self.vehicle = Vehicle(what.vehicle)
        noise = random.Random(seed)  # noqa: S311 - a simulation, not secrets
        self.implement = Implement(what.implement, noise) if what.implement else None
        self.charger = Charger(what.charger)
        self.course = Course(what.legs)
        # Ground and foot are the same whatever is wrong with the machine: their chances are drawn on their own.
        ground, habits = random.Random(f"ground {seed}"), random.Random(f"habits {seed}")  # noqa: S311
        self.foot: Foot | Hand = Foot(what.foot)
        self.ride: Ride | MovedPlugs | None = Ride(what.ride, ground) if what.ride else None
        if bench is not None:
            self.foot = Hand(bench, what, habits)
            self.ride = MovedPlugs(self.foot.moves_from, self.foot.moves_until, ground)
        self.habits = Habits(what.habits, habits) if what.habits else None
        self.pedal = 0.0
        self.pedal_voltage = what.pedal.voltage(0.0)

    def _instrumented(self, source: str, seed: int, truth: bool) -> list[Instrument]:
        steps, count = self._steps_a_row, self._what.cells.count
        vehicle = instruments.VEHICLE + (instruments.ENABLE if self._what.enable_v else ())
        plan: list[tuple[str, tuple[Channel, ...], int, Reading, bool]] = [
            ("pack", self._fitted(instruments.PACK), 2 * steps, self._read_pack, True),
            ("cells", instruments.cell_channels(count), 8 * steps, self._read_cells, True),
            ("vehicle", self._fitted(vehicle), steps, self._read_vehicle, True),
            ("wall", instruments.WALL, 8 * steps, self._read_wall, self._what.charges_at_once),
            ("truth", instruments.TRUTH, 2 * steps, self._read_truth, truth),
        ]
        return [
            Instrument(
                Group(source, name, tuple(each.signal for each in channels)), channels, every, read, seed + place
            )
            for place, (name, channels, every, read, wanted) in enumerate(plan)
            if wanted
        ]

    def _fitted(self, usual: tuple[Channel, ...]) -> tuple[Channel, ...]:
        """Return the channels with those that this machine has otherwise."""
        return tuple(self._what.channels.get(each.signal, each) for each in usual)

    @property
    def fault_events(self) -> tuple[FaultEvent, ...]:
        """What has gone wrong so far, in order of time; what still goes on lasts until now."""
        return self.fault.log.until(self._done * self._dt)

    @property
    def groups(self) -> tuple[Group, ...]:
        """All groups that will come."""
        return tuple(each.group for each in self._instruments)

    def advance_to(self, t: int) -> list[Batch]:
        """Return the rows of all groups after the last call, up to and including ``t``: one batch a group."""
        while (now := self._next()) <= t:
            self._step()
            for each in self._instruments:
                if self._done % each.every == 0:
                    each.measure(now)
            self._done += 1
        batches = (each.taken() for each in self._instruments)
        return [batch for batch in batches if batch is not None]

    def stand_still_until(self, t: int) -> None:
        """Let the next step fall on ``t``, where that is later than it would: in between, nothing happened."""
        self._start += max(0, t - self._next())

    @property
    def _enabled(self) -> bool:
        return self.foot.enabled and self.fault.enabled

    def _next(self) -> int:
        return self._start + round(self._done * self._step_us)

    def _step(self) -> None:
        self._plan_charge()
        cells, electronics = self.cells, self.electronics
        inner = cells.total_resistance + electronics.path_ohm
        source_v = float(cells.source_voltage.sum())
        load_before = self.current
        charging = self.charger.step(self._dt, source_v - load_before * inner, inner, electronics.charge_allowed)
        dt, carried = self._dt / self._fine, 0.0
        for place in range(self._fine):
            self._drive(place * dt, dt, source_v, inner, charging)
            carried += self.current
        self._settle(carried / self._fine)
        if self._done % self._warms_every == 0:
            cells.warm_up()
            self.controller.warm(self._dt * self._warms_every, self._what.air_c)

    def _drive(self, after: float, dt: float, source_v: float, inner: float, charging: float) -> None:
        """Go through the parts from foot to wheels, ``after`` s into the step, the cells' inner voltage standing."""
        vehicle, course, controller, fault = self.vehicle, self.course, self.controller, self.fault
        speed = vehicle.speed
        if self.ride is not None:
            self.ride.step(dt, speed)
        self.foot.step(dt, course.aim(dt, vehicle.position, speed), speed, self.habits)
        self._go_wrong(after, dt, speed)
        self.pedal_voltage = fault.pedal_voltage(self._what.pedal.voltage(self.pedal))
        controller.share = fault.torque_share if self._enabled else 0.0
        power = controller.power(dt, self.pedal_voltage, self.foot.brake, vehicle.motor_speed, self.bus_voltage)
        if self.implement is not None:
            power += self.implement.power(dt, course.engaged, course.growth, self.bus_voltage)
        self._carry(power, dt, source_v, inner, charging)
        vehicle.step(dt, controller.torque(), course.grade, self._wheel_brake(), course.softness, fault.drag_n)

    def _go_wrong(self, after: float, dt: float, speed: float) -> None:
        """Shake the foot, and let the fault go through this moment."""
        moment, ride = self._moment, self.ride
        pedal = self.foot.pedal
        if ride is not None:
            if pedal > 0.03:
                pedal = min(1.0, max(0.0, pedal + ride.foot_shift))
            moment.shaking, moment.bump = ride.shaking, ride.bump
        moment.t, moment.dt = self._done * self._dt + after, dt
        moment.pedal_speed = (pedal - self.pedal) / dt
        moment.pedal = self.pedal = pedal
        moment.current, moment.speed, moment.softness = self.current, speed, self.course.softness
        moment.controller_c = self.controller.controller_c
        self.fault.step(moment)

    def _carry(self, power: float, dt: float, source_v: float, inner: float, charging: float) -> None:
        """Find the current for a load of ``power`` (W, at the controller), and let pack and connection carry it."""
        electronics, fault = self.electronics, self.fault
        ohm = self._what.connection.resistance_ohm + fault.added_ohm
        load = drawn_current(power, source_v, inner + ohm)
        self.current = electronics.passed((0.0 if fault.opened else load) - charging)
        # What is read beside a current is the switches that let it through, not what was decided upon it.
        self._load = load if self.current != 0.0 else 0.0
        self._fed = electronics.discharge_allowed and not fault.opened
        self._refused = load < 0 and self.current == 0.0
        self._at_pack = source_v - self.current * inner
        if self._fed and not self._refused:
            self.bus_voltage = self._at_pack - self._load * ohm
            return
        inside = self.bus_voltage**2 - 2 * power * dt / self._what.controller.capacitance_f
        highest = JUMPS_TO * self._what.controller.maximum_v
        alone = min(highest, math.sqrt(max(0.0, inside)) * math.exp(-dt / BUS_DIES_S))
        self.bus_voltage = max(alone, self._at_pack) if self._fed else alone
        if not self._what.controller.minimum_v < self.bus_voltage < self._what.controller.maximum_v:
            self.controller.off()

    def _settle(self, carried: float) -> None:
        """Let the cells have carried the step's mean current (A), and the electronics judge what they read."""
        cells, electronics, now = self.cells, self.electronics, self.current
        cells.step(carried, self._dt, self._what.air_c, electronics.bleed(cells.voltage))
        if self._fine > 1:
            cells.load(now)
        self.pack_voltage = float(cells.voltage.sum()) - now * electronics.path_ohm
        if self._fed and not self._refused:
            self.bus_voltage = self._what.connection.far_voltage(self.pack_voltage, self._load, self.fault.added_ohm)
        t = self._done * self._dt
        if t >= self._poll_due_s:
            self._poll_due_s = t + self._what.polled_s
            self.switches = (electronics.discharge_allowed, electronics.charge_allowed)
        # Of so few numbers Python's own lowest and highest are found in a fifth of the time.
        volts, celsius = cells.voltage.tolist(), cells.temperature_c.tolist()
        pressed = self.foot.pedal > 0.02
        electronics.step(self._dt, min(volts), max(volts), now, min(celsius), max(celsius), pressed)
        self._note(t + self._dt)

    def _note(self, t: float) -> None:
        """Log what pack and controller did of themselves."""
        controller = self._what.controller
        if self.electronics.discharge_allowed and self.bus_voltage < controller.foldback_v:
            self.bus_low_s += self._dt
        log, why, stopped = self.fault.log, self.electronics.opened_by, self.controller.stopped
        for reason, opened in PACK_OPENED:
            log.hold(t, opened, why == reason)
        if not stopped or why or self.fault.opened:
            # A controller that nothing feeds has not stopped by itself, nor when it is only waiting to start again.
            self._lost = bool(stopped)
        log.hold(t, "controller stopped: supply too low", stopped == "low" and not self._lost)
        log.hold(t, "controller stopped: supply too high", stopped == "high" and not self._lost)

    def _wheel_brake(self) -> float:
        """What the wheel brake does of the foot's braking: the motor takes the first part where it can."""
        motor_brakes = self.controller.motor_current < 0 and self.vehicle.speed > 1.0
        return max(0.0, self.foot.brake - 0.6) if motor_brakes else self.foot.brake

    def _plan_charge(self) -> None:
        """Park and charge when the charge is low at the end of a lap; drive on when the charger has finished."""
        if self.charger.connected:
            if self.charger.finished:
                self.electronics.charge_ended()
                if not self._what.charges_at_once:
                    self.charger.plug(False)
                    self.course.parked = False
        elif self.course.laps > self._lap:
            self._lap = self.course.laps
            self.course.parked = self.electronics.soc_reported < self._what.charges_below
        elif self.course.parked and self.vehicle.speed == 0.0:
            self.charger.plug(True)

    def _read_pack(self) -> list[float]:
        return [self.pack_voltage, self.current, self.electronics.soc_reported, *self.switches]

    def _read_cells(self) -> Values:
        celsius = self.cells.temperature_c
        return np.concatenate((self.cells.voltage, [celsius[part].mean() for part in self._sensed]))

    def _read_vehicle(self) -> list[float]:
        line = [self._what.enable_v if self._enabled else 0.05] if self._what.enable_v else []
        return [
            self.pedal_voltage,
            self.bus_voltage,
            self.controller.motor_current,
            self.vehicle.motor_speed * RPM,
            self.vehicle.speed * 3.6,
            float(self.course.engaged),
            self.controller.controller_c,
            self.controller.motor_c,
            *line,
        ]

    def _read_wall(self) -> list[float]:
        return [self.charger.input_power(self.pack_voltage)]

    def _read_truth(self) -> list[float]:
        resistance = self.cells.total_resistance + self.electronics.path_ohm
        return [100 * float(self.cells.soc.mean()), self.current, resistance]
