"""From the foot to the motor: pedal sensor, connection to the pack, motor controller with its motor."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class PedalSensor:
    """Turns the pedal's way, 0 to 1, into a voltage; ``noise_v`` is one standard deviation, added when measured."""

    offset_v: float = 0.86
    range_v: float = 3.30
    noise_v: float = 0.006

    def voltage(self, way: float) -> float:
        """Return the sensor's voltage for a pedal at ``way``."""
        return self.offset_v + self.range_v * way


@dataclass(frozen=True, slots=True)
class Connection:
    """Cable, fuse, switch and connectors between pack and controller, both ways together."""

    resistance_ohm: float

    def far_voltage(self, voltage: float, current: float, added_ohm: float = 0.0) -> float:
        """Return the voltage at the controller with ``current`` (A, positive out of the pack) flowing."""
        return voltage - current * (self.resistance_ohm + added_ohm)


def drawn_current(power: float, source_v: float, resistance: float) -> float:
    """Return the current (A) at which a load takes ``power`` (W, negative: gives) behind ``resistance`` (ohm).

    From P = (E - R i) i, the root with the higher voltage; where the source cannot give so much, the current at
    which it gives most, E / (2 R).
    """
    inside = source_v * source_v - 4 * resistance * power
    if inside <= 0:
        return source_v / (2 * resistance)
    # The usual form loses digits where power is small; this one is the same root.
    return 2 * power / (source_v + math.sqrt(inside))


@dataclass(frozen=True, slots=True)
class ControllerParameters:
    """What the controller and its motor are.

    Attributes:
        pedal_low_v, pedal_high_v: pedal voltages of no and of full torque.
        motor_current_a: motor current at full pedal; ``brake_current_a`` at full braking, 0 for none.
        battery_current_a: limit of the battery current; ``charge_current_a`` of what braking may give back.
        minimum_v, foldback_v, maximum_v: off below; gives less below, unless the two are one; no
            braking current above.
        cut_after_s, back_v, restart_s: how long below before it is off; how far above it must come, and for how
            long, before it is on again.
        follows: what the pedal sets: the motor's current (``torque``) or the voltage it is fed with (``voltage``).
        capacitance_f: of the capacitors at its battery terminals.
        starts_above_air_c: how much warmer than the air it is to begin with.
        lag_s: time constant of the motor current.
        efficiency: of the controller, either way.
        standby_w: drawn always.
        torque_nm_per_a, motor_ohm, free_running_w: of the motor; the last at 1000 rpm.

    """

    pedal_low_v: float
    pedal_high_v: float
    motor_current_a: float
    brake_current_a: float
    battery_current_a: float
    charge_current_a: float
    minimum_v: float
    foldback_v: float
    maximum_v: float
    torque_nm_per_a: float
    motor_ohm: float
    lag_s: float = 0.15
    efficiency: float = 0.95
    standby_w: float = 16.0
    free_running_w: float = 60.0
    brakes_from_rad_s: float = 12.0
    cut_after_s: float = 0.0
    back_v: float = 0.0
    restart_s: float = 0.0
    follows: Literal["torque", "voltage"] = "torque"
    capacitance_f: float = 0.010
    starts_above_air_c: float = 0.0


class Controller:
    """A torque controller: the pedal sets motor current, within limits of current and voltage.

    Attributes:
        motor_current: A, negative when braking.
        motor_c, controller_c: temperatures.
        stopped: whether its supply is, or was just now, too ``low`` or too ``high``; empty while it works.
        share: of the motor current wanted that it gives; 1 unless something is wrong with it.

    """

    def __init__(self, parameters: ControllerParameters, air_c: float) -> None:
        self.parameters = parameters
        self.motor_current = 0.0
        self.motor_c = self.controller_c = air_c + parameters.starts_above_air_c
        self.stopped: Literal["", "low", "high"] = ""
        self.share = 1.0
        self._supply_s = 0.0
        self._lost_w = 0.0

    def torque(self) -> float:
        """Return the motor's torque, Nm."""
        return self.parameters.torque_nm_per_a * self.motor_current

    def off(self) -> None:
        """Stop: without supply there is no torque."""
        self.motor_current = 0.0

    def power(self, dt: float, pedal_v: float, brake: float, speed: float, voltage: float) -> float:
        """Return the power wanted at the battery terminals, W; negative when braking gives back.

        Args:
            dt: s since the last call.
            pedal_v: V from the pedal sensor.
            brake: 0 to 1.
            speed: of the motor, rad/s.
            voltage: at the battery terminals, as measured last, V.

        """
        what = self.parameters
        self._watch_supply(dt, voltage)
        way = min(1.0, max(0.0, (pedal_v - what.pedal_low_v) / (what.pedal_high_v - what.pedal_low_v)))
        wanted = what.motor_current_a * way
        if what.follows == "voltage" and way > 0:
            room = way * voltage - what.torque_nm_per_a * speed
            wanted = min(what.motor_current_a, max(0.0, room / what.motor_ohm))
        if brake > 0 and what.brake_current_a:
            # Braking fades out towards standstill, and towards the highest voltage.
            fading = min(1.0, speed / what.brakes_from_rad_s - 0.3, (what.maximum_v - voltage) / 1.5)
            wanted = -what.brake_current_a * brake * max(0.0, fading)
        if wanted > 0 and what.foldback_v > what.minimum_v:
            fold = (voltage - what.minimum_v) / (what.foldback_v - what.minimum_v)
            wanted *= min(1.0, max(0.0, fold))
        wanted = min(max(wanted, self._least(speed, voltage)), self._most(speed, voltage))
        wanted = 0.0 if self.stopped else wanted * self.share
        self.motor_current += (wanted - self.motor_current) * (1 - math.exp(-dt / what.lag_s))
        return self._battery_power(speed)

    def _watch_supply(self, dt: float, voltage: float) -> None:
        """Stop where the supply leaves the window, and start again some time after it has come back."""
        what = self.parameters
        if self.stopped:
            back = what.minimum_v + what.back_v < voltage < what.maximum_v
            self._supply_s = self._supply_s + dt if back else 0.0
            if back and self._supply_s >= what.restart_s:
                self.stopped, self._supply_s = "", 0.0
        elif voltage > what.maximum_v:
            self.stopped, self._supply_s = "high", 0.0
        elif voltage < what.minimum_v:
            self._supply_s += dt
            if self._supply_s >= what.cut_after_s:
                self.stopped, self._supply_s = "low", 0.0
        else:
            self._supply_s = 0.0

    def _battery_power(self, speed: float) -> float:
        what, i = self.parameters, self.motor_current
        shaft = what.torque_nm_per_a * i * speed
        free = what.free_running_w * speed / 104.72 if i else 0.0
        inner = shaft + i * i * what.motor_ohm + free
        drawn = inner / what.efficiency if inner > 0 else inner * what.efficiency
        self._lost_w = drawn - shaft
        return drawn + what.standby_w

    def _most(self, speed: float, voltage: float) -> float:
        """Motor current at which the battery current reaches its limit."""
        what = self.parameters
        back, ohm = what.torque_nm_per_a * speed, what.motor_ohm
        most = what.battery_current_a * max(voltage, 1.0) * what.efficiency
        return (math.sqrt(back * back + 4 * ohm * most) - back) / (2 * ohm)

    def _least(self, speed: float, voltage: float) -> float:
        """Motor current, negative, at which braking gives back as much as it may."""
        what = self.parameters
        if speed <= 0:
            return 0.0
        back, ohm = what.torque_nm_per_a * speed, what.motor_ohm
        inside = back * back - 4 * ohm * what.charge_current_a * voltage / what.efficiency
        # Where the motor cannot give that much, the current at which it gives most bounds it.
        return -(back - math.sqrt(inside)) / (2 * ohm) if inside > 0 else -back / (2 * ohm)

    def warm(self, dt: float, air_c: float) -> None:
        """Let the losses warm motor (two thirds) and controller for ``dt`` seconds."""
        self.motor_c += dt * (0.65 * self._lost_w - 6.0 * (self.motor_c - air_c)) / 9000.0
        self.controller_c += dt * (0.35 * self._lost_w - 5.0 * (self.controller_c - air_c)) / 2500.0
