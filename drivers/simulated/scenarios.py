"""The machines that are simulated: invented ones, with numbers that fit one another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from .cells import CellParameters, OddCell
from .charger import ChargerParameters
from .controller import Connection, ControllerParameters, PedalSensor
from .course import Leg
from .electronics import ElectronicsParameters, Guard
from .foot import FootParameters, HabitParameters
from .instruments import Channel
from .ride import RideParameters
from .vehicle import ImplementParameters, VehicleParameters


@dataclass(frozen=True)
class Scenario:
    """One machine on one course, its parts in the order of the power path.

    Attributes:
        soc: state of charge to begin with, 0 to 1; ``air_c`` temperature of everything to begin with.
        charges_below: reported state of charge, %, below which it is parked at a lap's end and charged.
        charges_at_once: parked, the charger plugged in from the start, with a meter at the wall.
        ride, habits: None for even ground, and for a foot without any.
        channels: instruments that differ from the usual ones, by signal.
        polled_s: the pack's switches are read that seldom; 0 for with every row.
        enable_v: voltage of the controller's enable line, where it is measured; else 0.

    """

    pedal: PedalSensor
    cells: CellParameters
    electronics: ElectronicsParameters
    connection: Connection
    controller: ControllerParameters
    vehicle: VehicleParameters
    implement: ImplementParameters | None
    charger: ChargerParameters
    legs: tuple[Leg, ...]
    foot: FootParameters
    soc: float
    air_c: float
    charges_below: float = 12.0
    charges_at_once: bool = False
    ride: RideParameters | None = None
    habits: HabitParameters | None = None
    channels: Mapping[str, Channel] = field(default_factory=dict)
    polled_s: float = 0.0
    enable_v: float = 0.0


_ORCHARD_LEGS = (
    Leg(9.0, 0.00, 7.0, pause_s=1.2),
    Leg(16.0, 0.02, 6.3, engaged=True),
    Leg(34.0, 0.07, 6.3, engaged=True, growth=1.10),
    Leg(5.0, 0.00, 3.0, engaged=True, growth=0.8),
    Leg(38.0, -0.06, 6.5, engaged=True, growth=0.9),
    Leg(5.0, 0.00, 3.0, engaged=True, growth=0.8),
    Leg(40.0, 0.03, 6.3, engaged=True),
    Leg(16.0, 0.16, 6.6, engaged=True, growth=2.2),
    Leg(26.0, 0.00, 6.0, engaged=True, growth=0.9),
    Leg(6.0, 0.00, 3.0, engaged=True, growth=0.7),
    Leg(60.0, -0.05, 6.8, engaged=True, growth=0.9),
    Leg(5.0, 0.00, 3.0, engaged=True, growth=0.8),
    Leg(60.0, 0.04, 6.3, engaged=True),
    Leg(5.0, 0.00, 3.0, engaged=True, growth=0.8),
    Leg(60.0, -0.05, 6.5, engaged=True),
    Leg(28.0, 0.00, 6.5, engaged=True, growth=1.05),
    Leg(5.0, 0.00, 3.0, engaged=True, growth=0.7),
    Leg(70.0, 0.02, 6.3, engaged=True),
    Leg(70.0, -0.037, 8.0, pause_s=3.0),
)

_MARKET_LEGS = (
    Leg(30.0, 0.00, 10.0, pause_s=1.5),
    Leg(70.0, 0.05, 13.0),
    Leg(45.0, 0.11, 11.0),
    Leg(60.0, 0.00, 16.0),
    Leg(90.0, -0.07, 14.0),
    Leg(40.0, 0.00, 12.0, pause_s=12.0),
    Leg(120.0, -0.03, 18.0),
    Leg(80.0, 0.06, 14.0),
    Leg(60.0, -0.09, 12.0),
    Leg(50.0, 0.00, 8.0, pause_s=8.0),
    Leg(100.0, 0.025, 16.0),
    Leg(105.0, -0.01, 18.0),
)

ORCHARD = Scenario(
    pedal=PedalSensor(),
    cells=CellParameters(
        "lfp",
        24,
        105.0,
        resistance_ohm=0.00065,
        rc_resistance_ohm=0.00040,
        odd={17: OddCell(link_ohm=0.0042), 6: OddCell(capacity=0.965)},
    ),
    electronics=ElectronicsParameters(
        cell_low=Guard(2.50, 2.90, "low", 1.0, 8.0),
        cell_high=Guard(3.65, 3.45, "high", 1.0, 30.0),
        discharge_current=Guard(300.0, 5.0, "high", 2.0, 20.0),
        charge_current=Guard(60.0, 5.0, "high", 3.0, 20.0),
        path_ohm=0.0030,
    ),
    connection=Connection(0.0035),
    controller=ControllerParameters(
        pedal_low_v=1.0,
        pedal_high_v=4.0,
        motor_current_a=190.0,
        brake_current_a=110.0,
        battery_current_a=140.0,
        charge_current_a=40.0,
        minimum_v=60.0,
        foldback_v=64.0,
        maximum_v=92.0,
        torque_nm_per_a=0.09,
        motor_ohm=0.016,
    ),
    vehicle=VehicleParameters(430.0, 0.06, wheel_radius_m=0.25, gear_ratio=24.0),
    implement=ImplementParameters(2500.0),
    charger=ChargerParameters(85.2, 18.0, 3.0),
    legs=_ORCHARD_LEGS,
    foot=FootParameters(),
    soc=0.92,
    air_c=17.0,
)

MARKET = Scenario(
    pedal=PedalSensor(offset_v=0.80, range_v=3.45),
    cells=CellParameters(
        "nmc",
        14,
        60.0,
        resistance_ohm=0.0012,
        rc_resistance_ohm=0.0008,
        heat_capacity_j_per_k=1100.0,
        cooling_w_per_k=0.3,
        odd={4: OddCell(resistance=2.0), 11: OddCell(capacity=0.93)},
    ),
    electronics=ElectronicsParameters(
        cell_low=Guard(3.00, 3.30, "low", 1.0, 8.0),
        cell_high=Guard(4.25, 4.15, "high", 1.0, 20.0),
        discharge_current=Guard(160.0, 5.0, "high", 2.0, 20.0),
        charge_current=Guard(60.0, 5.0, "high", 3.0, 20.0),
        path_ohm=0.0030,
        balance_above_v=4.10,
    ),
    connection=Connection(0.0060),
    controller=ControllerParameters(
        pedal_low_v=0.95,
        pedal_high_v=4.1,
        motor_current_a=150.0,
        brake_current_a=110.0,
        battery_current_a=90.0,
        charge_current_a=35.0,
        minimum_v=42.0,
        foldback_v=44.5,
        maximum_v=60.0,
        torque_nm_per_a=0.085,
        motor_ohm=0.018,
        standby_w=9.0,
    ),
    vehicle=VehicleParameters(310.0, 0.018, wheel_radius_m=0.22, gear_ratio=11.0, drag_m2=1.3),
    implement=None,
    charger=ChargerParameters(58.4, 12.0, 2.0),
    legs=_MARKET_LEGS,
    foot=FootParameters(acceleration=1.1),
    soc=0.86,
    air_c=14.0,
)

SCENARIOS = {
    "orchard": ORCHARD,
    "market": MARKET,
    "orchard-charge": replace(ORCHARD, soc=0.24, air_c=19.0, charges_at_once=True),
}
