"""What a higher pack voltage does to speed, of machine and mower's blade; whether temperature limits are known."""

from __future__ import annotations

import math

from telemetry.machine.cell_practice import CELL_PRACTICE
from telemetry.machine.fit.findings import Finding, judged, unknown
from telemetry.machine.fit.loads import mean_pack_v
from telemetry.machine.sections import Machine
from telemetry.model.words import capital

_SHEETS = "the makers' sheets, defaults are common practice (see limits)"
_SENSORS = "A limit without a sensor protects nothing: read one on the motor's case and the controller's own."
_HOTTEST = ("motor_temperature_max_c", "controller_temperature_max_c")
FASTER = 1.10
"""New voltage over old, at rest: up to here brakes and tyres hardly notice (common practice, from memory). Sixteen
iron phosphate cells for four 12 V lead blocks give 1.06."""
BLADE_TIP_M_S = 19000 * 0.3048 / 60
"""Highest speed of a blade's tip, 96.5 m/s: 19 000 ft/min of ANSI B71.1 (secondary copies)."""

_PREVIOUS = (("machine", "previous_chemistry"), ("machine", "previous_cells_in_series"))
_SPEED_SOURCE = "no-load speed of a DC motor goes with its voltage; mean open-circuit voltages, common practice"
_BLADE_SOURCE = f"blade tip at most {BLADE_TIP_M_S:.1f} m/s (19 000 ft/min, ANSI B71.1, secondary copies)"


def voltage_ratio(machine: Machine) -> float | None:
    """Return the mean open-circuit voltage of the new pack over that of the old battery; None where not stated."""
    chemistry, cells = machine.vehicle.previous_chemistry, machine.vehicle.previous_cells_in_series
    if chemistry is None or cells is None:
        return None
    return mean_pack_v(machine.pack) / (cells * CELL_PRACTICE[chemistry].mean_open_v)


def tip_speed(length_m: float, rpm: float) -> float:
    """Return the speed of a blade's tip, m/s: pi times its length, tip to tip, times its turns a second."""
    return math.pi * length_m * rpm / 60


def overspeed(machine: Machine) -> Finding | None:
    """Check whether a higher voltage makes the machine faster than its brakes; None without a previous battery."""
    ratio, vehicle = voltage_ratio(machine), machine.vehicle
    if ratio is None:
        return None
    value, limit = 100 * ratio, 100 * FASTER
    said = f"the new pack's voltage is {value:.0f} % of the old battery's"
    if ratio <= FASTER:
        return judged("ok", f"{said}: hardly faster.", _SPEED_SOURCE, value=value, limit=limit, unit="%")
    if vehicle.speed_limited:
        why = f"{said}, and the controller limits the top speed. Test that with the wheels off the ground first."
        return judged("ok", why, _SPEED_SOURCE, value=value, limit=limit, unit="%")
    faster = (
        f"{said}. A DC motor's top speed rises with it, and stopping distance with the square: "
        f"{ratio**2:.2g} times. Set a speed limit in the controller; check brakes, tyres and the motor's top speed."
    )
    if vehicle.motor_type == "dc" or vehicle.speed_limited is False:
        return judged("caution", faster, _SPEED_SOURCE, value=value, limit=limit, unit="%")
    asked = ("machine", "motor_type") if vehicle.motor_type is None else ("machine", "speed_limited")
    note = f"{capital(faster)}"
    return unknown(asked, unit="%", source=_SPEED_SOURCE, note=note)


def blade_speed(machine: Machine) -> Finding | None:
    """Compare the speed of a blade's tip on the new pack with the limit; None where no blade is stated."""
    vehicle = machine.vehicle
    length, rpm, ratio = vehicle.blade_length_m, vehicle.blade_speed_rpm, voltage_ratio(machine)
    if length is None and rpm is None:
        return None
    if length is None or rpm is None or ratio is None:
        keys = (("machine", "blade_length_m"), ("machine", "blade_speed_rpm"), *_PREVIOUS)
        lacking = [key for key in keys if getattr(vehicle, key[1]) is None]
        return unknown(*lacking, unit="m/s", source=_BLADE_SOURCE)
    tip = ratio * tip_speed(length, rpm)
    said = f"the tip of a {length:g} m blade reaches {tip:.1f} m/s on the new pack ({rpm:g} rpm on the old battery)"
    if tip > BLADE_TIP_M_S:
        why = (
            f"{said}. It throws stones further than the deck was built for, and a blade may break. Slow it down: a "
            "larger pulley on the blade, fewer cells, or a controller with a speed limit."
        )
        return judged("stop", why, _BLADE_SOURCE, value=tip, limit=BLADE_TIP_M_S, unit="m/s")
    return judged("ok", f"{said}.", _BLADE_SOURCE, value=tip, limit=BLADE_TIP_M_S, unit="m/s")


def temperature_limits(machine: Machine) -> Finding | None:
    """Check that the temperature limits of motor and controller are stated, as advice; None for a pack on a bench."""
    if machine.bench:
        return None
    lacking = [("machine", key) for key in _HOTTEST if getattr(machine.vehicle, key) is None]
    if lacking:
        return unknown(*lacking, unit="°C", source=_SHEETS, note=_SENSORS)
    motor, controller = (getattr(machine.vehicle, key) for key in _HOTTEST)
    why = f"the motor may reach {motor:g} °C and the controller {controller:g} °C. {_SENSORS}"
    return judged("ok", why, _SHEETS, unit="°C")
