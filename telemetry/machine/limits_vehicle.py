"""Limits of the machine around the pack: motor, controller, the path to it, auxiliary supply and insulation."""

from __future__ import annotations

from telemetry.machine.conductors import BeyondTable, stated_conductor
from telemetry.machine.limits_frame import Frame, Ground, Limit
from telemetry.machine.sections import Machine

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

JOINT_WARN_W, JOINT_TRIP_W = 40.0, 80.0
"""A lug or contact of a few cm2 that gives off tens of watts gets hot enough to char insulation. From memory."""
UNSTATED_CONDUCTOR_FACTOR = 2.0
"""Where no conductor is stated its own heat is in the figure. Ours."""
WARM_CONDUCTOR_C = 60.0


def conductor_ohm(machine: Machine) -> float:
    """Return the resistance of the stated conductor from pack to controller and back, warm, ohm; 0 if not stated."""
    wiring = machine.wiring
    conductor = stated_conductor(wiring)
    if conductor is None or wiring.one_way_length_m is None:
        return 0.0
    try:
        return conductor.loop_ohm(wiring.one_way_length_m, WARM_CONDUCTOR_C)
    except BeyondTable:
        return 0.0


def _joint_heating(on: Ground) -> Limit:
    ohm = conductor_ohm(on.machine)
    factor = 1.0 if ohm else UNSTATED_CONDUCTOR_FACTOR
    warn, trip = factor * JOINT_WARN_W, factor * JOINT_TRIP_W
    counted = (
        f"more than the stated conductor ({1000 * ohm:.2g} mΩ) explains"
        if ohm
        else "including the cable, so twice our usual bounds: [wiring] does not state a conductor and its length"
    )
    origin = (
        f"heat between pack and controller {counted}; tens of watts in a joint of a few cm² char its insulation, "
        f"from memory; warn at {warn:g} W, trip at {trip:g} W"
    )
    return on.limit(warn, trip, origin, margin=0.2 * warn, raise_s=0.0, clear_s=60.0)


def _motor_temperature(on: Ground) -> Limit:
    stated = on.machine.vehicle.motor_temperature_max_c
    unstated = (
        "100 °C on the motor case: class 130 winding (IEC 60085, from memory) less 30 °C from winding to case, "
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
    Frame("joint-heating", "path_heat", "high", _joint_heating),
    Frame("auxiliary-voltage-low", "auxiliary_voltage", "low", _auxiliary_voltage),
    Frame("insulation-low", "insulation_resistance", "low", _insulation),
)
