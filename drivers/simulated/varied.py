"""Machines drawn by a seed: no two alike in mass, motor, voltage, pedal, course, instruments; each fits in itself."""

from __future__ import annotations

import random
from dataclasses import replace

from .cells import CellParameters
from .charger import ChargerParameters
from .controller import Connection, ControllerParameters, PedalSensor
from .course import M_S_PER_KMH, Leg
from .electronics import ElectronicsParameters, Guard
from .foot import FootParameters, HabitParameters
from .instruments import Channel
from .ride import RideParameters
from .scenarios import SCENARIOS, Scenario
from .vehicle import G, ImplementParameters, VehicleParameters

VARIED = "varied"
SCENARIO_NAMES = (*SCENARIOS, VARIED)
COUNTS = {"lfp": (12, 15, 16, 20, 24), "nmc": (10, 13, 14, 17, 20)}
NOMINAL = {"lfp": 3.25, "nmc": 3.68}
LEAST = {"lfp": (2.55, 2.75), "nmc": (2.95, 3.15)}
MOST = {"lfp": 3.85, "nmc": 4.35}
PEDALS = ((0.50, 4.50), (0.80, 4.20), (0.86, 4.16), (1.0, 4.0))
"""Voltages of a released and of a pressed pedal: the usual ranges of sensors on a 5 V supply, from memory."""
CURRENT_GAIN_PERCENT, CURRENT_OFFSET_A, VOLTAGE_GAIN_PERCENT = 2.0, 0.7, 0.5
"""What the sheets of the drawn instruments would state: a Hall sensor, and a BMS (common practice, from memory). The
errors drawn have these limits over the root of three as their standard deviation, or a little less."""
PACK_OHM_AH = {"lfp": 0.068, "nmc": 0.075}
"""Resistance of one cell times its capacity, as in the other scenarios (ours)."""


def scenario_named(name: str, seed: int) -> Scenario:
    """Return the scenario of that name; ``varied`` is drawn by ``seed``.

    Raises:
        KeyError: there is no such scenario.

    """
    return varied_scenario(seed) if name == VARIED else SCENARIOS[name]


def lively(what: Scenario, seed: int) -> Scenario:
    """Return the scenario with rough ground and a foot with habits, where it has neither."""
    chance = random.Random(f"lively {seed}")  # noqa: S311 - a simulation, not secrets
    return replace(what, ride=what.ride or _ride(chance), habits=what.habits or _habits(chance))


def varied_scenario(seed: int) -> Scenario:
    """Return a machine that fits in itself: motor to mass and slope, pack to motor, limits to pack."""
    chance = random.Random(f"machine {seed}")  # noqa: S311 - a simulation, not secrets
    chemistry = chance.choices(("lfp", "nmc"), (3, 2))[0]
    count = chance.choice(COUNTS[chemistry])
    volts = NOMINAL[chemistry] * count
    fastest = chance.uniform(8.0, 20.0) * M_S_PER_KMH
    vehicle = _vehicle(chance, fastest)
    implement = ImplementParameters(chance.uniform(250.0, 1400.0), least_v=0.7 * volts)
    driven = implement if chance.random() < 0.4 else None
    legs = _legs(chance, fastest / M_S_PER_KMH, driven is not None)
    controller, pedal = _controller(chance, chemistry, count, vehicle, fastest)
    typical = vehicle.mass_kg * G * vehicle.resistance * 0.7 * fastest / 0.8 + (driven.power_w if driven else 0.0)
    draws = controller.battery_current_a + (4 * driven.power_w / volts if driven else 0.0)
    capacity = round(max(20.0, 0.22 * draws, chance.uniform(1.2, 3.5) * typical / volts))
    cell_ohm = PACK_OHM_AH[chemistry] / capacity * chance.uniform(0.7, 1.3)
    return Scenario(
        pedal=pedal,
        cells=CellParameters(chemistry, count, capacity, cell_ohm, chance.uniform(0.4, 0.8) * cell_ohm),
        electronics=_electronics(chance, chemistry, draws, controller.charge_current_a, volts),
        connection=Connection(chance.uniform(0.004, 0.012) * volts / controller.battery_current_a),
        controller=controller,
        vehicle=vehicle,
        implement=driven,
        charger=ChargerParameters(round(1.12 * volts, 1), round(0.2 * capacity, 1), round(0.03 * capacity, 1)),
        legs=legs,
        foot=FootParameters(
            acceleration=chance.uniform(0.5, 1.1),
            moves_per_s=chance.uniform(1.0, 2.5),
            quick_per_s=chance.uniform(4.0, 7.0),
            rests_within=chance.uniform(0.0, 0.03),
        ),
        soc=chance.uniform(0.35, 0.93),
        air_c=chance.uniform(9.0, 30.0),
        ride=_ride(chance),
        habits=_habits(chance),
        channels=_channels(chance),
        polled_s=chance.choice((0.0, 0.2, 0.2, 0.25)),
        enable_v=chance.choice((0.0, 0.0, 0.0, 12.0)),
    )


def _vehicle(chance: random.Random, fastest: float) -> VehicleParameters:
    radius = chance.uniform(0.18, 0.30)
    return VehicleParameters(
        mass_kg=round(chance.uniform(180.0, 850.0)),
        resistance=chance.uniform(0.015, 0.05),
        wheel_radius_m=radius,
        gear_ratio=chance.uniform(220.0, 360.0) * radius / fastest,
        gear_efficiency=chance.uniform(0.85, 0.95),
        drag_m2=chance.uniform(0.6, 1.5),
        brake_n=3500.0,
    )


def _controller(
    chance: random.Random, chemistry: str, count: int, vehicle: VehicleParameters, fastest: float
) -> tuple[ControllerParameters, PedalSensor]:
    """A motor that just reaches the highest speed, with current for the steepest slope and some to speed up."""
    volts = NOMINAL[chemistry] * count
    turning = fastest / vehicle.wheel_radius_m * vehicle.gear_ratio
    torque_per_a = chance.uniform(0.74, 0.86) * volts / turning
    force = vehicle.mass_kg * (G * (vehicle.resistance * 1.6 + 0.13) + chance.uniform(0.4, 0.9))
    current = force * vehicle.wheel_radius_m / vehicle.gear_ratio / vehicle.gear_efficiency / torque_per_a
    power = force * fastest * chance.uniform(0.45, 0.75)
    low, high = chance.choice(PEDALS)
    # Controllers leave some of the pedal's way at both ends unused.
    unused = chance.uniform(0.01, 0.05) * (high - low)
    brakes = chance.random() < 0.55
    minimum = chance.uniform(*LEAST[chemistry]) * count
    folds = chance.uniform(1.02, 1.06) if chance.random() < 0.35 else 1.0
    return ControllerParameters(
        pedal_low_v=low + unused,
        pedal_high_v=high - unused,
        motor_current_a=current,
        brake_current_a=chance.uniform(0.3, 0.6) * current if brakes else 0.0,
        battery_current_a=power / volts,
        charge_current_a=chance.uniform(0.2, 0.4) * power / volts,
        minimum_v=minimum,
        foldback_v=folds * minimum,
        maximum_v=chance.uniform(1.0, 1.08) * MOST[chemistry] * count,
        torque_nm_per_a=torque_per_a,
        motor_ohm=chance.uniform(0.04, 0.08) * volts / current,
        lag_s=chance.uniform(0.10, 0.20),
        efficiency=chance.uniform(0.91, 0.96),
        standby_w=chance.uniform(4.0, 25.0),
        free_running_w=chance.uniform(20.0, 70.0),
        cut_after_s=chance.uniform(0.01, 0.15),
        back_v=chance.uniform(0.02, 0.05) * minimum,
        restart_s=chance.uniform(0.8, 3.0),
        follows=chance.choice(("torque", "torque", "voltage")),
        capacitance_f=chance.uniform(0.004, 0.018),
    ), PedalSensor(low, high - low)


def _electronics(
    chance: random.Random, chemistry: str, draws: float, gives: float, volts: float
) -> ElectronicsParameters:
    """Limits that a machine without a fault does not reach."""
    low = 2.3 if chemistry == "lfp" else 2.75
    high = 3.65 if chemistry == "lfp" else 4.25
    return ElectronicsParameters(
        cell_low=Guard(low, low + 0.35, "low", chance.uniform(0.3, 1.5), chance.uniform(4.0, 15.0)),
        cell_high=Guard(high, high - 0.1, "high", 1.0, 20.0),
        discharge_current=Guard(1.35 * draws, 5.0, "high", 2.0, 15.0),
        charge_current=Guard(1.6 * gives, 5.0, "high", 3.0, 15.0),
        path_ohm=chance.uniform(0.001, 0.004) * volts / 50 * 100 / draws,
        balance_above_v=high - 0.2,
    )


def _legs(chance: random.Random, fastest_kmh: float, deck: bool) -> tuple[Leg, ...]:
    """Some minutes of slopes both ways, tall grass, slow turns and stops."""
    legs = [Leg(chance.uniform(8.0, 20.0), 0.0, 0.6 * fastest_kmh, pause_s=chance.uniform(2.0, 5.0))]
    hilly = chance.uniform(0.3, 1.0)
    while sum(leg.length_m for leg in legs) < 900.0:
        rises = hilly * chance.choice((-0.10, -0.06, -0.03, 0.0, 0.0, 0.02, 0.04, 0.08, 0.11))
        tall = chance.random() < 0.2
        turn = chance.random() < 0.2
        legs.append(
            Leg(
                length_m=chance.uniform(4.0, 7.0) if turn else chance.uniform(15.0, 60.0),
                grade=0.0 if turn else rises,
                speed_kmh=fastest_kmh * (chance.uniform(0.25, 0.4) if turn else chance.uniform(0.45, 0.85)),
                engaged=deck and (len(legs) > 2) and chance.random() < 0.9,
                growth=chance.uniform(1.4, 2.2) if tall else chance.uniform(0.8, 1.15),
                pause_s=chance.uniform(2.0, 9.0) if chance.random() < 0.13 else 0.0,
                softness=chance.uniform(1.3, 1.9) if tall else 1.0,
            )
        )
    return tuple(legs)


def _ride(chance: random.Random) -> RideParameters:
    return RideParameters(chance.uniform(0.4, 1.4), chance.uniform(0.02, 0.07), chance.uniform(0.02, 0.08))


def _habits(chance: random.Random) -> HabitParameters:
    return HabitParameters(1 / chance.uniform(14.0, 45.0), 1 / chance.uniform(25.0, 70.0))


def _channels(chance: random.Random) -> dict[str, Channel]:
    """Instruments with errors: two voltmeters half a percent apart, a current sensor with offset and gain, noise."""
    apart = chance.choice((-1.0, 1.0)) * chance.uniform(0.001, 0.005)
    common = chance.gauss(0.0, 0.003)
    return {
        each.signal: each
        for each in (
            Channel("pack_voltage", chance.uniform(0.008, 0.03), 2, 1 + common),
            Channel("controller_voltage", chance.uniform(0.01, 0.05), 2, 1 + common + apart, chance.gauss(0.0, 0.02)),
            Channel(
                "pack_current",
                chance.uniform(0.08, 0.6),
                1,
                1 + min(0.02, max(-0.02, chance.gauss(0.0, 0.01))),
                chance.gauss(0.0, 0.4),
            ),
            Channel(
                "throttle_voltage",
                chance.uniform(0.003, 0.012),
                3,
                1 + chance.gauss(0.0, 0.006),
                chance.gauss(0.0, 0.012),
            ),
            Channel("vehicle_speed", chance.uniform(0.02, 0.12), 1, 1 + chance.gauss(0.0, 0.02)),
        )
    }
