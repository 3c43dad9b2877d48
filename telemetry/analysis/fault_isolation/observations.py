"""Everything that was seen in a drive, part by part along the power path, before anything is blamed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from telemetry.analysis.fault_isolation.controller import Shortfall, failings, quick_stops, shortfalls
from telemetry.analysis.fault_isolation.delay import in_step
from telemetry.analysis.fault_isolation.drive import (
    SLOWEST_PEDAL_S,
    STEP_S,
    Drive,
    Flags,
    Floats,
    around,
    read_drive,
    smoothed,
)
from telemetry.analysis.fault_isolation.fold_back import FOLDS, SHRINKS_BY, FoldBack, fold_back
from telemetry.analysis.fault_isolation.force_balance import Force, force_against_motion
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss, sorted_by_cause, supply_losses
from telemetry.analysis.fault_isolation.pedal import PedalFault, pedal_trace
from telemetry.analysis.fault_isolation.pedal_map import Follows
from telemetry.analysis.fault_isolation.power_path import PowerPath, power_path, rows_read, share_lost
from telemetry.analysis.fault_isolation.response import PedalRange, Response, controller_response, pedal_range
from telemetry.analysis.series import SessionSeries
from telemetry.model.batch import MICROSECONDS

KMH = 3.6
_CURRENTS, _VOLTAGES = ("pack_current", "motor_current"), ("controller_voltage", "pack_voltage")
_LEAST_ROWS, _LEAST_CALM_ROWS = 100, 300
_ASKED = 0.05


@dataclass(frozen=True, eq=False)
class Observations:
    """What the detectors found; None where the signals for it are not there.

    Attributes:
        drive: the signals, with what is wrong with them.
        current: A (n,), 0 where unknown.
        usable: rows (n,) in which the supply was there and current known.
        limits: the pedal's range.
        pedal: where the pedal's signal left the foot.
        drawing, braking: openings of the pack's switch under load, and against braking.
        openings: losses of supply that the pack's switch does not explain.
        path: resistance up to the controller.
        lost: share of the pack's voltage that does not reach the controller (``share_lost``), or NaN.
        response: what the pedal asked for.
        short: where less current came than was asked for.
        failings: those in which the output failed, wholly or in part.
        force: force against the motion.
        fold: whether the controller's output shrinks in the course of the drive.
    """

    drive: Drive
    current: Floats
    usable: Flags
    limits: PedalRange | None = None
    pedal: tuple[PedalFault, ...] | None = None
    drawing: tuple[SupplyLoss, ...] = ()
    braking: tuple[SupplyLoss, ...] = ()
    openings: tuple[SupplyLoss, ...] = ()
    path: PowerPath | None = None
    lost: float = float("nan")
    response: Response | None = None
    short: tuple[Shortfall, ...] = ()
    failings: tuple[Shortfall, ...] = ()
    force: Force | None = None
    fold: FoldBack | None = None

    def at(self, row: int) -> float:
        """Return the seconds from the start of the recording to a row."""
        return float(self.drive.t[0]) + row * STEP_S if len(self.drive.t) else row * STEP_S

    @property
    def folds_back(self) -> bool:
        """Whether the controller plainly gives less and less."""
        return self.fold is not None and self.fold.lost > SHRINKS_BY and self.fold.evidence > FOLDS

    def asked_s(self) -> float:
        """Return for how long the pedal asked for current while the supply was there, s."""
        if self.response is None:
            return 0.0
        expected = self.response.expected
        least = _ASKED * float(np.quantile(expected, 0.98))
        return float((self.usable & (expected > least)).sum()) * STEP_S


def observe(series: SessionSeries, how: Follows | None = None) -> Observations:
    """Look at every part for itself; ``how`` the current follows the throttle where it is known."""
    seen = observe_events(series, how)
    drive, current, supply = seen.drive, seen.current, seen.drive.supply
    clear = seen.usable if supply is None else seen.usable & ~np.isnan(supply)
    if supply is not None and seen.usable.sum() >= _LEAST_ROWS and clear.any():
        read, between_s = _rows_read(series, drive)
        path = power_path(drive.t, np.nan_to_num(supply), current, clear & read, between_s)
        pack, lost = drive.get("pack_voltage"), float("nan")
        if pack is not None and pack is not supply:
            lost = share_lost(pack, supply, current, clear)
        seen = replace(seen, path=path, lost=lost)
    response, speed = seen.response, _speed(drive)
    if response is None or speed is None:  # without a speed a hill looks like an output that shrinks
        return seen
    fold = fold_back(response, drive.t, current, supply, clear & ~around(seen.short, len(clear), 3, 8))
    if supply is None:
        return replace(seen, fold=fold)
    traction = (current - response.base) * np.nan_to_num(supply)
    calm = clear & ~around(seen.short, len(clear), 20, 20)
    return replace(seen, fold=fold, force=force_against_motion(drive.t, response.travel, speed, calm, traction))


def observe_events(series: SessionSeries, how: Follows | None = None) -> Observations:
    """Look for what happened at one time or another; ``how`` the current follows the throttle where it is known."""
    drive = read_drive(series)
    limits, pedal = _pedal(series, drive)
    current = drive.get("pack_current")
    if current is None:
        current = drive.get("motor_current")
    rows = len(drive.t)
    if current is None:
        return Observations(drive, np.zeros(rows), np.zeros(rows, dtype=np.bool_), limits, pedal)
    known = ~np.isnan(current)
    current = np.nan_to_num(current)
    drive = in_step(drive, current)
    losses = supply_losses(drive.get("controller_voltage"), current, drive.get("discharge_allowed"))
    usable = known & ~around(losses, rows, 6, 24)
    seen = Observations(drive, current, usable, limits, pedal, *sorted_by_cause(losses))
    if usable.sum() < _LEAST_ROWS or limits is None:
        return seen
    pedal_v = drive.signals["throttle_voltage"]
    travel = limits.travel(np.where(np.isnan(pedal_v), limits.rest, pedal_v))
    clear = usable if drive.supply is None else usable & ~np.isnan(drive.supply)
    if clear.sum() <= _LEAST_CALM_ROWS:
        return seen
    stops = quick_stops(current, travel, clear)
    first = clear & ~around(stops, rows, 0, 0)  # a fault must not be learnt as the answer
    response = controller_response(drive.t, travel, current, _speed(drive), first, how)
    if response is None:
        return seen
    short, response = shortfalls(response, drive.t, current, clear, stops)
    failed = failings(short, response, drive.get("vehicle_speed"))
    return replace(seen, response=response, short=tuple(short), failings=failed)


def _pedal(series: SessionSeries, drive: Drive) -> tuple[PedalRange | None, tuple[PedalFault, ...] | None]:
    """Return the pedal's range, and its jumps where it was recorded fast enough to see them."""
    found = series.get("throttle_voltage")
    if found is None or drive.get("throttle_voltage") is None:
        return None, None
    limits = pedal_range(found.values)
    if found.interval_s > SLOWEST_PEDAL_S:
        return limits, None
    return limits, pedal_trace((found.t - series.origin) / MICROSECONDS, found.values, limits)


def _rows_read(series: SessionSeries, drive: Drive) -> tuple[Flags, float]:
    """Return the rows in which current and supply were both read, and the seconds between readings of the other."""
    amps, volts = (next(name for name in names if drive.get(name) is not None) for names in (_CURRENTS, _VOLTAGES))
    start = series.origin + round(float(drive.t[0]) * MICROSECONDS)
    return rows_read(series.signals[amps], series.signals[volts], start, len(drive.t), drive.late.get(volts, 0))


def _speed(drive: Drive) -> Floats | None:
    """Return the speed in m/s, steps of a slow speed signal smoothed, or None."""
    speed = drive.get("vehicle_speed")
    return None if speed is None else smoothed(np.abs(np.nan_to_num(speed)) / KMH, 1.5)
