"""What a scenario's machine should need on level ground, by the arithmetic of its parts and without driving it."""

from __future__ import annotations

import math

import numpy as np

from .cells import open_circuit_curve
from .course import M_S_PER_KMH
from .scenarios import Scenario
from .vehicle import motion_resistance


def level_speed(what: Scenario) -> float:
    """Return the usual speed of the course, m/s: the median over its way."""
    legs = sorted(what.legs, key=lambda leg: leg.speed_kmh)
    way = np.cumsum([leg.length_m for leg in legs])
    return legs[int(np.searchsorted(way, way[-1] / 2))].speed_kmh * M_S_PER_KMH


def level_motor_current(what: Scenario) -> float:
    """Return the motor's current at the usual speed, A."""
    vehicle, speed = what.vehicle, level_speed(what)
    force = motion_resistance(vehicle.mass_kg, vehicle.resistance) + 0.6 * vehicle.drag_m2 * speed * speed
    torque = force * vehicle.wheel_radius_m / vehicle.gear_ratio / vehicle.gear_efficiency
    return torque / what.controller.torque_nm_per_a


def level_current(what: Scenario) -> float:
    """Return the pack's current at the usual speed with the implement, A."""
    controller, i = what.controller, level_motor_current(what)
    turning = level_speed(what) / what.vehicle.wheel_radius_m * what.vehicle.gear_ratio
    power = (controller.torque_nm_per_a * i * turning + i * i * controller.motor_ohm) / controller.efficiency
    power += what.implement.power_w if what.implement else 0.0
    return power / rest_voltage(what, what.soc)


def level_pedal(what: Scenario) -> float:
    """Return the way of the pedal that keeps the usual speed, 0 to 1."""
    controller, i = what.controller, level_motor_current(what)
    share = i / controller.motor_current_a
    if controller.follows == "voltage":
        turning = level_speed(what) / what.vehicle.wheel_radius_m * what.vehicle.gear_ratio
        share = (controller.torque_nm_per_a * turning + i * controller.motor_ohm) / rest_voltage(what, what.soc)
    volts = controller.pedal_low_v + share * (controller.pedal_high_v - controller.pedal_low_v)
    return (volts - what.pedal.offset_v) / what.pedal.range_v


def rest_voltage(what: Scenario, soc: float) -> float:
    """Return the voltage of the resting pack at a state of charge from 0 to 1, V."""
    return what.cells.count * float(np.interp(soc, *open_circuit_curve(what.cells.chemistry)))


def resistance(what: Scenario) -> float:
    """Return the resistance of pack and connection at 25 degC without any fault, ohm."""
    cells = what.cells
    return cells.count * cells.resistance_ohm + what.electronics.path_ohm + what.connection.resistance_ohm


def charge_where(what: Scenario, cell_v: float, current: float, ohm: float) -> float:
    """Return the state of charge, 0 to 1, at which a cell of ``ohm`` falls to ``cell_v`` under ``current``."""
    soc, volt = open_circuit_curve(what.cells.chemistry)
    return min(1.0, max(0.0, float(np.interp(cell_v + current * ohm, volt, soc))))


def heated_factor(at_c: float, kelvin: float) -> float:
    """Return by how much resistance at ``at_c`` differs from that at 25 degC, with ``exp(k (1/T - 1/T25))``."""
    return math.exp(kelvin * (1 / (at_c + 273.15) - 1 / 298.15))
