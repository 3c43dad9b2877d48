"""Each thing that happened is given to the first part of the path whose inputs were good and output was not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.fault_isolation.controller import Shortfall
from telemetry.analysis.fault_isolation.drive import STEP_S
from telemetry.analysis.fault_isolation.findings import Cause, FaultEvent
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss
from telemetry.analysis.fault_isolation.stops import Stop
from telemetry.analysis.fault_isolation.switch_threshold import SwitchThreshold, switch_threshold

STILL_ASKED, ASKED_ROWS = 0.3, 8
STOPPED = 0.75
"""Share of what the pedal asked for from which its failing to come counts as a stop."""
FOLDS, FOLDS_BY = 4.5, 0.3
"""Evidence, log odds, and share of the output lost from which the controller counts as folding back."""
PLAIN = 20.0
"""Evidence of a shortfall, log odds, from which it proves that the controller cuts."""
TOP_SPEED, NEAR_TOP_SPEED, KEPT_SPEED = 0.96, 0.86, 0.98
SPEED_LATE_ROWS, LONG_ROWS = 5, 8
"""A speed signal comes up to a quarter of a second late; a fall shows from some 0.4 s."""
DEEP_SAG, LOWEST = 0.08, 0.03
"""What a controller holds back at the lowest voltages of the drive, this far below those at little load, is within
what it does by itself to spare a pack (common practice)."""
ONE_VOLTAGE, OTHER_CURRENT, ONE_VOLTAGE_LOWEST = 0.002, 0.8, 0.02
"""Stops that lie so near together in voltage (share of the usual), so far apart in current, among so few readings."""
HELD = 4.5
"""A voltage that changed so many times less than the current's changes should have made it is held by a limit."""
LITHIUM_V = 2.95
LOW_CELL_V = 2.85
"""A lithium cell with little left is lower under load; common practice. Titanate and lead cells stay below 2.95 V."""


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
        trip_odds: log odds that the trips under load were on low voltage and not on current; NaN without any.
        held_back: shortfalls at the lowest voltages of a drive with a deep sag, which the pack has to answer for.
        threshold: how well a threshold of the current, and one of the voltage, explains the trips under load.
    """

    events: tuple[FaultEvent, ...]
    low_stops: tuple[Stop, ...]
    other_stops: tuple[Stop, ...]
    solid: tuple[Shortfall, ...]
    low_trips: tuple[SupplyLoss, ...]
    high_trips: tuple[SupplyLoss, ...]
    brake_trips: tuple[SupplyLoss, ...]
    openings: tuple[SupplyLoss, ...]
    trip_odds: float = float("nan")
    held_back: tuple[Shortfall, ...] = ()
    threshold: SwitchThreshold | None = None


def blame(o: Observations) -> Blame:
    """Give every event to a part."""
    limited = o.stops if _at_one_low_voltage(o.stops, o) else ()
    low_stops = tuple(sorted((*o.low_stops, *limited), key=lambda stop: stop.start))
    unlimited = [s for s in o.stops if s not in limited and not _at_top_speed(s.start, s.end, o, False)]
    other_stops = tuple(s for s in unlimited if _was_asked_for(s, o))
    large = [s for s in o.shortfalls if _is_solid(s, o)]
    held_back = tuple(s for s in large if _at_low_voltage(s, o))
    solid = tuple(s for s in large if s not in held_back)
    openings = tuple(loss for loss in o.losses if not _by_switch(loss))
    if all(loss.upward for loss in openings):  # a switch for charging alone refuses braking and nothing else
        openings = ()
    trips = [loss for loss in o.losses if loss not in openings]
    brake = tuple(loss for loss in trips if loss.charging)
    drawing = tuple(loss for loss in trips if not loss.charging)
    threshold = _threshold(drawing, o)
    odds = _trip_odds(threshold, o, len(low_stops)) if drawing else float("nan")
    low, high = (drawing, ()) if odds > 0 else ((), drawing)
    found = Blame((), low_stops, other_stops, solid, low, high, brake, openings, odds, held_back, threshold)
    return replace(found, events=tuple(_events(o, found)))


def _at_low_voltage(s: Shortfall, o: Observations) -> bool:
    """Tell whether output was only held back with the voltage among the lowest of the drive, and those were low."""
    supply = o.drive.supply
    if supply is None or not o.deepest_sag > DEEP_SAG or s.missing > STOPPED:
        return False
    return s.voltage_before <= float(np.nanquantile(supply[o.usable], LOWEST))


def _was_asked_for(s: Stop, o: Observations) -> bool:
    """Tell whether the pedal still asked for current: where it sets a voltage, easing it a little ends all of it."""
    if o.response is None:
        return True
    if o.response.how.ratio > 0:
        return any(fall.start < s.end and s.start < fall.end for fall in o.shortfalls)
    asked = float(o.response.expected[s.start + 1 : s.start + ASKED_ROWS].mean())
    return asked > STILL_ASKED * (s.current_before - float(o.response.base[s.start]))


def _at_one_low_voltage(stops: Sequence[Stop], o: Observations) -> bool:
    """Tell whether several stops have one low voltage in common and not their current: then a limit of it acted."""
    supply = o.drive.supply
    if len(stops) < 2 or supply is None or o.path is None:
        return False
    volts = [stop.voltage_before for stop in stops]
    amps = [stop.current_before for stop in stops]
    lowest = float(np.nanquantile(supply[o.usable], ONE_VOLTAGE_LOWEST))
    alike = max(volts) - min(volts) < ONE_VOLTAGE * o.path.usual_voltage and min(amps) < OTHER_CURRENT * max(amps)
    return alike and max(volts) <= lowest


def _is_solid(s: Shortfall, o: Observations) -> bool:
    """Tell whether a shortfall is large beside the other consumers and the fit."""
    assert o.response is not None
    top = float(np.quantile(o.response.expected, 0.98))
    proven = sum(each.evidence > PLAIN and each.asked > 0.1 * top for each in o.shortfalls) >= 2
    least = max(3 * o.response.spread, 0.05 * top) if proven else max(5 * o.response.spread, 0.1 * top)
    large = s.asked > least and 0.35 <= s.missing <= 1.4
    return large and not _at_top_speed(s.start, s.end, o, s.missing <= STOPPED)


def folds(o: Observations) -> bool:
    """Tell whether the controller plainly gives less and less, and not for the sake of a voltage that sags deeply."""
    spares = o.deepest_sag > DEEP_SAG
    return o.fold is not None and o.fold.evidence > FOLDS and o.fold.lost > FOLDS_BY and not spares


def _at_top_speed(first: int, last: int, o: Observations, partly: bool) -> bool:
    """Tell whether a limit of the speed explains it: the machine went as fast as ever, or fast and did not slow down.

    A controller holds back a part (``partly``) near its highest speed by design; one that fails lets the machine slow
    down, or gives nothing at all.
    """
    speed = o.drive.get("vehicle_speed")
    if speed is None:
        return False
    top = float(np.nanquantile(speed, 0.998))
    near = np.nan_to_num(speed[max(first - 3, 0) : max(last, first + 3) + SPEED_LATE_ROWS])
    if near[:11].max() > TOP_SPEED * top:
        return True
    kept = near[-SPEED_LATE_ROWS:].max() > KEPT_SPEED * near.max()
    return bool(partly and last - first >= LONG_ROWS and near.max() > NEAR_TOP_SPEED * top and kept)


def _by_switch(loss: SupplyLoss) -> bool:
    """Tell whether the pack's switch did it; where its state is not recorded a wait of seconds tells."""
    return loss.by_switch if loss.by_switch is not None else loss.duration_s > 2.0 and not loss.lasts


def _threshold(trips: Sequence[SupplyLoss], o: Observations) -> SwitchThreshold | None:
    """Return what the trips opened on, or None where that cannot be told."""
    current, supply = o.drive.get("pack_current"), o.drive.supply
    if not trips or current is None or supply is None or o.path is None:
        return None
    return switch_threshold(trips, np.nan_to_num(current), np.nan_to_num(supply), o.usable, o.path)


def _trip_odds(threshold: SwitchThreshold | None, o: Observations, low_stops: int) -> float:
    """Return the log odds that the pack's switch opened on low voltage and not on current.

    A controller that stopped at its low limit before, and a low cell, speak for the voltage too.
    """
    by_threshold = 0.0 if threshold is None else threshold.odds_of_voltage
    return by_threshold + 3.0 * (low_stops > 0) + _cell_odds(o)


def _cell_odds(o: Observations) -> float:
    """Return what the lowest cell says: lithium cells with little left are below about 2.85 V under load."""
    low, high = o.drive.get("cell_min_voltage"), o.drive.get("cell_max_voltage")
    if low is None or high is None or not np.nanmax(high) > LITHIUM_V:
        return 0.0
    return 3.0 if np.nanquantile(low, 0.02) < LOW_CELL_V else -3.0


def _events(o: Observations, b: Blame) -> Iterator[FaultEvent]:
    start = float(o.drive.t[0]) if len(o.drive.t) else 0.0

    def event(each: Stop | Shortfall | SupplyLoss, what: str, cause: Cause) -> FaultEvent:
        lasting = (each.end - each.start) * STEP_S
        return FaultEvent(round(start + each.start * STEP_S, 3), round(lasting, 3), what, cause)

    low_cause: Cause = "power-connection" if o.path is not None and o.path.wobbles else "pack-weak"
    for fault in o.pedal.faults if o.pedal is not None else ():
        yield FaultEvent(round(fault.t, 3), round(fault.duration, 3), f"pedal signal: {fault.what}", "pedal-sensor")
    for stop in b.low_stops:
        yield event(stop, "stop at the low-voltage limit", low_cause)
    for stop in b.other_stops:
        yield event(stop, "output stopped", "controller")
    for fall in b.solid:
        yield event(fall, "output stopped" if fall.missing > STOPPED else "output held back", "controller")
    if folds(o) and o.fold is not None:
        at = o.fold.start * STEP_S
        lasting = float(o.drive.t[-1]) - start - at
        yield FaultEvent(round(start + at, 3), round(lasting, 3), "output folds back", "controller")
    for fall in b.held_back:
        yield event(fall, "output held back at low voltage", low_cause)
    for loss in b.low_trips:
        yield event(loss, "pack switch opened at low voltage", low_cause)
    for loss in b.high_trips:
        yield event(loss, "pack switch opened on current", "bms-trip")
    for loss in b.brake_trips:
        yield event(loss, "pack switch opened against braking", "bms-trip")
    for loss in b.openings:
        yield event(loss, "supply lost, pack switch closed", "power-connection")
