"""The simulated machine: parts in the order of the power path, stepped along a course, and measured.

Step for step the same for a scenario and a seed, however calls are cut: all state lives here, and every random
number has a place in its own sequence.
"""

from __future__ import annotations

import math
import random

import numpy as np

from telemetry.model.batch import Batch, Group

from . import instruments
from .cells import Array, Cells
from .charger import Charger
from .controller import Controller, drawn_current
from .course import Course, Foot
from .electronics import PackElectronics
from .instruments import Channel, Instrument, Reading
from .scenarios import SCENARIOS, Scenario
from .vehicle import Implement, Vehicle

LONGEST_STEP_US = 25_000
WARMS_EVERY_S = 0.5
BUS_DIES_S = 0.4
"""Time constant of the voltage at the controller when the pack has switched off: its capacitor empties."""
RPM = 60 / (2 * math.pi)


class SimulatedMachine:
    """A pack in a machine that drives its course.

    Args:
        scenario: name of one of ``SCENARIOS``, or a scenario itself.
        seed: of all that is drawn by chance, 0 or more.
        start: time of the first rows, microseconds since the Unix epoch.
        source: of the groups.
        rate_hz: rows a second of group ``pack``; ``vehicle`` comes twice as often, ``cells`` a quarter as often.
        truth: whether group ``truth`` is given too: ``extra_truth_soc`` (%, mean of the cells),
            ``extra_truth_current`` (A, positive out of the pack), ``extra_truth_resistance`` (ohm, ohmic, between
            the pack's terminals).

    Attributes:
        groups: all groups that will come.

    Raises:
        KeyError: there is no such scenario.

    """

    def __init__(
        self,
        scenario: str | Scenario,
        seed: int,
        start: int,
        source: str,
        rate_hz: float = 10.0,
        truth: bool = False,
    ) -> None:
        what = SCENARIOS[scenario] if isinstance(scenario, str) else scenario
        self._what = what
        self.cells = Cells(what.cells, what.soc, what.air_c, np.random.default_rng([seed, 0]))
        self.electronics = PackElectronics(what.electronics, what.cells.capacity_ah, float(self.cells.soc.mean()))
        self.controller = Controller(what.controller, what.air_c)
        self.vehicle = Vehicle(what.vehicle)
        noise = random.Random(seed)  # noqa: S311 - a simulation, not secrets
        self.implement = Implement(what.implement, noise) if what.implement else None
        self.charger = Charger(what.charger)
        self.course = Course(what.legs)
        self.foot = Foot(what.foot)
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
        self._warms_every = max(1, round(WARMS_EVERY_S / self._dt))
        self._start = start
        self._done = 0
        self._instruments = self._instrumented(source, seed, truth)

    def _instrumented(self, source: str, seed: int, truth: bool) -> list[Instrument]:
        steps, count = self._steps_a_row, self._what.cells.count
        plan: list[tuple[str, tuple[Channel, ...], int, Reading, bool]] = [
            ("pack", instruments.PACK, 2 * steps, self._read_pack, True),
            ("cells", instruments.cell_channels(count), 8 * steps, self._read_cells, True),
            ("vehicle", instruments.VEHICLE, steps, self._read_vehicle, True),
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

    def _next(self) -> int:
        return self._start + round(self._done * self._step_us)

    def _step(self) -> None:
        dt, speed = self._dt, self.vehicle.speed
        self._plan_charge()
        self.foot.step(dt, self.course.aim(dt, self.vehicle.position, speed), speed)
        pedal_v = self._what.pedal.voltage(self.foot.pedal)
        power = self.controller.power(dt, pedal_v, self.foot.brake, self.vehicle.motor_speed, self.bus_voltage)
        if self.implement is not None:
            power += self.implement.power(dt, self.course.engaged, self.course.growth, self.bus_voltage)
        self._carry(power, dt)
        self.vehicle.step(dt, self.controller.torque(), self.course.grade, self._wheel_brake())
        if self._done % self._warms_every == 0:
            self.cells.warm_up()
            self.controller.warm(dt * self._warms_every, self._what.air_c)

    def _carry(self, power: float, dt: float) -> None:
        """Find the current for a load of ``power`` (W, at the controller), and let pack and connection carry it."""
        cells, electronics, connection = self.cells, self.electronics, self._what.connection
        source_v = float(cells.source_voltage.sum())
        inner = cells.total_resistance + electronics.path_ohm
        load = drawn_current(power, source_v, inner + connection.resistance_ohm)
        charging = self.charger.step(dt, source_v - load * inner, inner, electronics.charge_allowed)
        self.current = electronics.passed(load - charging)
        # What is read beside a current is the switches that let it through, not what was decided upon it.
        self.switches = (electronics.discharge_allowed, electronics.charge_allowed)
        if not electronics.discharge_allowed or (load < 0 and self.current == 0.0):
            load = 0.0
            self.controller.off()
        cells.step(self.current, dt, self._what.air_c, electronics.bleed(cells.voltage))
        self.pack_voltage = float(cells.voltage.sum()) - self.current * electronics.path_ohm
        if electronics.discharge_allowed:
            self.bus_voltage = connection.far_voltage(self.pack_voltage, load)
        else:
            self.bus_voltage *= math.exp(-dt / BUS_DIES_S)
        voltage, temperature = cells.voltage, cells.temperature_c
        lowest, highest = float(voltage.min()), float(voltage.max())
        coldest, hottest = float(temperature.min()), float(temperature.max())
        electronics.step(dt, lowest, highest, self.current, coldest, hottest)

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

    def _read_cells(self) -> Array:
        parts = np.array_split(self.cells.temperature_c, instruments.PACK_SENSORS)
        return np.concatenate((self.cells.voltage, [part.mean() for part in parts]))

    def _read_vehicle(self) -> list[float]:
        return [
            self._what.pedal.voltage(self.foot.pedal),
            self.bus_voltage,
            self.controller.motor_current,
            self.vehicle.motor_speed * RPM,
            self.vehicle.speed * 3.6,
            float(self.course.engaged),
            self.controller.controller_c,
            self.controller.motor_c,
        ]

    def _read_wall(self) -> list[float]:
        return [self.charger.input_power(self.pack_voltage)]

    def _read_truth(self) -> list[float]:
        resistance = self.cells.total_resistance + self.electronics.path_ohm
        return [100 * float(self.cells.soc.mean()), self.current, resistance]
