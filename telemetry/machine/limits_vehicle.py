"""Limits of the machine around the pack: motor, controller, auxiliary supply and insulation."""

from __future__ import annotations

from telemetry.machine.limits_frame import Frame, Ground, Limit

MOTOR_MAX_C = 100.0
"""Insulation class B allows 130 °C in the winding (IEC 60085, thermal class 130; from memory); a sensor on the case
reads some 30 °C less than the hottest winding (common practice)."""
CONTROLLER_MAX_C = 85.0
"""Controllers commonly begin to fold back the current at about this temperature (common practice)."""
TEMPERATURE_WARN_C = 10.0
AUXILIARY_WARN_V, AUXILIARY_TRIP_V = 11.5, 10.5
"""A 12 V lead battery is flat at 1.75 V a cell, 10.5 V; a 12 V converter holds its output within a few percent.
Common practice."""
DC_OHM_PER_V, AC_OHM_PER_V = 100.0, 500.0
"""Least insulation resistance for each volt of the pack: UN Regulation No. 100, from memory."""


def _motor_temperature(on: Ground) -> Limit:
    stated = on.machine.vehicle.motor_temperature_max_c
    unstated = (
        "100 °C on the motor's case: winding of class 130 (IEC 60085, from memory) less 30 °C from winding to case, "
        "common practice"
    )
    return _temperature(on, stated, MOTOR_MAX_C, "[machine] motor_temperature_max_c", unstated)


def _controller_temperature(on: Ground) -> Limit:
    stated = on.machine.vehicle.controller_temperature_max_c
    unstated = "controllers commonly fold back from about 85 °C, common practice"
    return _temperature(on, stated, CONTROLLER_MAX_C, "[machine] controller_temperature_max_c", unstated)


def _temperature(on: Ground, stated: float | None, usual: float, key: str, unstated: str) -> Limit:
    trip = usual if stated is None else stated
    origin = f"{unstated}; {key} is not stated" if stated is None else f"{key} {trip:g} °C"
    origin += f"; warn {TEMPERATURE_WARN_C:g} °C below"
    return on.limit(trip - TEMPERATURE_WARN_C, trip, origin, margin=3.0, raise_s=10.0, clear_s=60.0)


def _auxiliary_voltage(on: Ground) -> Limit:
    origin = (
        f"common practice for a 12 V supply: a lead battery is flat at {AUXILIARY_TRIP_V:g} V, warn at "
        f"{AUXILIARY_WARN_V:g} V; for another voltage set [limits.{on.frame.name}]"
    )
    return on.limit(AUXILIARY_WARN_V, AUXILIARY_TRIP_V, origin, margin=0.3, raise_s=5.0)


def _insulation(on: Ground) -> Limit:
    pack, motor = on.machine.pack, on.machine.vehicle.motor_type
    highest = pack.high_cutoff_v or pack.cells_in_series * pack.cell.maximum_v
    dc, ac = DC_OHM_PER_V * highest, AC_OHM_PER_V * highest
    rule = (
        f"UN Regulation No. 100, from memory: {DC_OHM_PER_V:g} ohm/V for DC, {AC_OHM_PER_V:g} ohm/V with an AC motor"
    )
    if motor is None:
        warn, trip = ac, dc
        which = "[machine] motor_type is not stated, so warn at the AC figure and trip at the DC figure"
    else:
        trip = ac if motor == "ac" else dc
        warn = 2.0 * trip
        which = f'[machine] motor_type "{motor}"; warn at twice the trip, ours'
    return on.limit(
        warn, trip, f"{rule}; highest pack voltage {highest:.1f} V; {which}", margin=0.1 * trip, raise_s=10.0
    )


FRAMES = (
    Frame("motor-temperature-high", "motor_temperature", "high", _motor_temperature, "either"),
    Frame("controller-temperature-high", "controller_temperature", "high", _controller_temperature, "either"),
    Frame("auxiliary-voltage-low", "auxiliary_voltage", "low", _auxiliary_voltage),
    Frame("insulation-low", "insulation_resistance", "low", _insulation),
)
