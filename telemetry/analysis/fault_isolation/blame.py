"""Each thing that happened is given to the first part of the path whose inputs were good and output was not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.controller import Shortfall
from telemetry.analysis.fault_isolation.drive import STEP_S
from telemetry.analysis.fault_isolation.findings import Cause, FaultEvent
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss
from telemetry.analysis.fault_isolation.stops import Stop

LOW_FLOOR = 0.01
"""A stop is the low-voltage limit's where so small a share of the drive had a voltage as low."""
WOBBLING = 2.0
"""Growth of the voltage's noise with the current from which the path itself is at fault."""


@dataclass(frozen=True, eq=False)
class Blame:
    """Who did what.

    Attributes:
        events: every event with its cause.
        low_stops: stops at the low-voltage limit.
        other_stops: stops at any voltage: the controller's.
        solid: shortfalls of the controller that cannot be noise.
        low_trips: the pack's switch opened at a low voltage.
        high_trips: it opened on current.
        brake_trips: it opened against braking.
        openings: the supply went without the pack's switch.
    """

    events: tuple[FaultEvent, ...]
    low_stops: tuple[Stop, ...]
    other_stops: tuple[Stop, ...]
    solid: tuple[Shortfall, ...]
    low_trips: tuple[SupplyLoss, ...]
    high_trips: tuple[SupplyLoss, ...]
    brake_trips: tuple[SupplyLoss, ...]
    openings: tuple[SupplyLoss, ...]


def blame(o: Observations) -> Blame:
    """Give every event to a part."""
    low_stops = tuple(s for s, floor in zip(o.stops, _floors(o), strict=True) if floor <= LOW_FLOOR)
    other_stops = tuple(s for s in o.stops if s not in low_stops)
    solid = tuple(s for s in o.shortfalls if _is_solid(s, o))
    trips = [loss for loss in o.losses if _by_switch(loss)]
    openings = tuple(loss for loss in o.losses if not _by_switch(loss))
    brake = tuple(loss for loss in trips if loss.charging)
    low = tuple(loss for loss in trips if not loss.charging and _at_low_voltage(loss, o, low_stops))
    high = tuple(loss for loss in trips if loss not in brake and loss not in low)
    return Blame(_events(o, low_stops, other_stops, solid, low, high, brake, openings), low_stops, other_stops, solid, low, high, brake, openings)  # fmt: skip


def _floors(o: Observations) -> tuple[float, ...]:
    return o.voltage_floor if len(o.voltage_floor) == len(o.stops) else tuple(1.0 for _ in o.stops)


def _is_solid(s: Shortfall, o: Observations) -> bool:
    """Tell whether a shortfall is large beside the other consumers and the fit."""
    assert o.response is not None
    top = float(np.quantile(o.response.expected, 0.98))
    return s.asked > max(5 * o.response.spread, 0.1 * top) and 0.4 <= s.missing <= 1.8


def _by_switch(loss: SupplyLoss) -> bool:
    """Tell whether the pack's switch did it; where its state is not recorded a wait of seconds tells."""
    return loss.by_switch if loss.by_switch is not None else loss.duration_s > 2.0 and not loss.lasts


def _at_low_voltage(loss: SupplyLoss, o: Observations, low_stops: tuple[Stop, ...]) -> bool:
    """Tell whether the switch opened because the voltage was low: deep below the usual one, or after such stops."""
    if o.path is None or np.isnan(loss.voltage_before):
        return bool(low_stops)
    depth = 1 - loss.voltage_before / o.path.usual_voltage
    limit = 0.035 if low_stops else 0.06
    return depth > limit


def _events(
    o: Observations,
    low_stops: tuple[Stop, ...],
    other_stops: tuple[Stop, ...],
    solid: tuple[Shortfall, ...],
    low: tuple[SupplyLoss, ...],
    high: tuple[SupplyLoss, ...],
    brake: tuple[SupplyLoss, ...],
    openings: tuple[SupplyLoss, ...],
) -> tuple[FaultEvent, ...]:
    start = float(o.drive.t[0]) if len(o.drive.t) else 0.0

    def at(row: int) -> float:
        return round(start + row * STEP_S, 3)

    def lasting(first: int, last: int) -> float:
        return round((last - first) * STEP_S, 3)

    path_at_fault = o.path is not None and o.path.growth > WOBBLING and o.path.wobble > 0.04
    low_cause: Cause = "power-connection" if path_at_fault else "pack-weak"
    events: list[FaultEvent] = []
    if o.pedal is not None:
        events += [
            FaultEvent(round(f.t, 3), round(f.duration, 3), f"pedal signal: {f.what}", "pedal-sensor")
            for f in o.pedal.faults
        ]
    events += [
        FaultEvent(at(s.start), lasting(s.start, s.end), "stop at the low-voltage limit", low_cause)
        for s in low_stops
    ]
    events += [FaultEvent(at(s.start), lasting(s.start, s.end), "output stopped", "controller") for s in other_stops]
    events += [
        FaultEvent(
            at(s.start),
            lasting(s.start, s.end),
            "output stopped" if s.missing > 0.75 else "output held back",
            "controller",
        )
        for s in solid
    ]
    events += [
        FaultEvent(at(x.start), lasting(x.start, x.end), "pack switch opened at low voltage", low_cause) for x in low
    ]
    events += [
        FaultEvent(at(x.start), lasting(x.start, x.end), "pack switch opened on current", "bms-trip") for x in high
    ]
    events += [
        FaultEvent(at(x.start), lasting(x.start, x.end), "pack switch opened against braking", "bms-trip")
        for x in brake
    ]
    events += [
        FaultEvent(at(x.start), lasting(x.start, x.end), "supply lost, pack switch closed", "power-connection")
        for x in openings
    ]
    return tuple(events)
