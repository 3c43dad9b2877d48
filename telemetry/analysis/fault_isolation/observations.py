"""Everything that was seen in a drive, part by part along the power path, before anything is blamed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from telemetry.analysis.fault_isolation import delay as delays
from telemetry.analysis.fault_isolation.controller import Shortfall, shortfalls
from telemetry.analysis.fault_isolation.drag import Resistance, resistance_to_motion
from telemetry.analysis.fault_isolation.drive import SLOWEST_PEDAL_S, STEP_S, Drive, Flags, Floats, read_drive
from telemetry.analysis.fault_isolation.fold_back import FoldBack, fold_back
from telemetry.analysis.fault_isolation.low_limit import voltage_held
from telemetry.analysis.fault_isolation.low_stops import low_voltage_stops
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss, supply_losses
from telemetry.analysis.fault_isolation.pedal import PedalFindings, pedal_faults
from telemetry.analysis.fault_isolation.pedal_map import shifted
from telemetry.analysis.fault_isolation.power_path import PowerPath, power_path
from telemetry.analysis.fault_isolation.reading_instants import rows_read
from telemetry.analysis.fault_isolation.response import (
    PedalRange,
    Response,
    controller_response,
    pedal_range,
)
from telemetry.analysis.fault_isolation.smoothing import smoothed
from telemetry.analysis.fault_isolation.stops import Stop, sudden_stops
from telemetry.analysis.fault_isolation.voltage_delay import rows_behind
from telemetry.analysis.series import SessionSeries
from telemetry.model.batch import MICROSECONDS

KMH = 3.6
_CURRENTS, _VOLTAGES = ("pack_current", "motor_current"), ("controller_voltage", "pack_voltage")
STARTS_ROWS = round(8 / STEP_S)
"""So long after its supply came back a controller may still be starting."""


@dataclass(frozen=True, eq=False)
class Observations:
    """What the detectors found; None where the signals for it are not there.

    Attributes:
        drive: the signals, with what is wrong with them.
        limits: the pedal's range.
        pedal: jumps of the pedal's signal.
        path: resistance up to the controller.
        losses: times without supply.
        low_stops: stops of the controller at its low-voltage limit.
        stops: other sudden stops of the whole current.
        response: what the pedal asked for.
        shortfalls: what did not come of it, other than by a loss or a stop.
        resistance: force against the motion.
        usable: rows (n,) in which the supply was there and current known.
        held: how many times as much as it did the lowest voltage should have changed (``voltage_held``), or NaN.
        fold: whether the controller's output shrinks in the course of the drive.
    """

    drive: Drive
    limits: PedalRange | None
    pedal: PedalFindings | None
    path: PowerPath | None
    losses: tuple[SupplyLoss, ...]
    low_stops: tuple[Stop, ...]
    stops: tuple[Stop, ...]
    response: Response | None
    shortfalls: tuple[Shortfall, ...]
    resistance: Resistance | None
    usable: Flags
    held: float = float("nan")
    fold: FoldBack | None = None

    @cached_property
    def deepest_sag(self) -> float:
        """How far the lowest voltages (2 %) lie below those at little load, share of these; NaN where unknown."""
        supply = self.drive.supply
        if supply is None or not (known := self.usable & ~np.isnan(supply)).any():
            return float("nan")
        low, high = np.quantile(supply[known], [0.02, 0.98])
        return 1 - float(low) / float(high)


def observe(series: SessionSeries) -> Observations:
    """Look at every part for itself."""
    drive = read_drive(series)
    limits, pedal = _pedal(series, drive)
    current = drive.get("pack_current")
    if current is None:
        current = drive.get("motor_current")
    nothing: Flags = np.zeros(len(drive.t), dtype=np.bool_)
    if current is None:
        return Observations(drive, limits, pedal, None, (), (), (), None, (), None, nothing)
    known = ~np.isnan(current)
    current = np.nan_to_num(current)
    drive, late = _voltages_in_step(drive, current)
    voltage, supply = drive.get("controller_voltage"), drive.supply
    losses = supply_losses(voltage, current, drive.get("discharge_allowed"))
    usable = known & ~_around([(loss.start, loss.end) for loss in losses], len(current), 6, 24)
    if usable.sum() < 100:
        return Observations(drive, limits, pedal, None, tuple(losses), (), (), None, (), None, usable)
    travel = None
    if limits is not None:
        travel, drive = _in_step(drive, limits, current, usable)
    stops = sudden_stops(current, travel, supply, usable)
    calm = usable & ~_around([(stop.start, stop.end) for stop in stops], len(current), 2, 10)
    path, held = None, float("nan")
    low_stops: list[Stop] = []
    if supply is not None:
        fit_rows = usable & ~np.isnan(supply) & ~_around([(s.start, s.end) for s in stops], len(current), 0, 0)
        read, between_s = _rows_read(series, drive, late)
        path = power_path(drive.t, np.nan_to_num(supply), current, fit_rows & read, between_s)
        if path is not None:
            settled = usable & ~_around([(loss.start, loss.end) for loss in losses], len(current), 0, STARTS_ROWS)
            low_stops = low_voltage_stops(current, travel, supply, usable & ~np.isnan(supply), settled, path.wobbles)
            calm &= ~_around([(stop.start, stop.end) for stop in low_stops], len(current), 2, 10)
            stops = [stop for stop in stops if not any(_overlap(stop, low) for low in low_stops)]
            held = voltage_held(supply, current, calm, path)
    speed = _speed(drive)
    response, resistance, fold = None, None, None
    short: list[Shortfall] = []
    if travel is not None and calm.sum() > 300:
        response = controller_response(drive.t, travel, current, speed, calm, supply)
        if response is not None:
            short, response = shortfalls(response, drive.t, current, supply, calm)
            whole = calm & ~_around([(s.start, s.end) for s in short], len(current), 3, 8)
            fold = fold_back(response, drive.t, current, supply, whole)
        if speed is not None:
            interfered = calm & ~_around([(s.start, s.end) for s in short], len(current), 20, 20)
            traction = _traction(response, current, supply)
            resistance = resistance_to_motion(drive.t, travel, speed, interfered, traction)
    return Observations(
        drive, limits, pedal, path, tuple(losses), tuple(low_stops), tuple(stops), response, tuple(short),
        resistance, usable, held, fold,
    )  # fmt: skip


def _pedal(series: SessionSeries, drive: Drive) -> tuple[PedalRange | None, PedalFindings | None]:
    """Return the pedal's range, and its jumps where it was recorded fast enough to see them."""
    found = series.get("throttle_voltage")
    if found is None or drive.get("throttle_voltage") is None:
        return None, None
    limits = pedal_range(found.values)
    if found.interval_s > SLOWEST_PEDAL_S:
        return limits, None
    return limits, pedal_faults((found.t - series.origin) / MICROSECONDS, found.values, limits)


def _in_step(drive: Drive, limits: PedalRange, current: Floats, usable: Flags) -> tuple[Floats, Drive]:
    """Return the travel, brought into step with the current where its clock is out, and the drive with that said."""
    pedal = drive.signals["throttle_voltage"]
    travel = limits.travel(np.where(np.isnan(pedal), limits.rest, pedal))
    late, match = delays.rows_late(travel, np.where(usable, current, np.median(current[usable])))
    late_s = late * STEP_S
    if match < 0.35 or -0.05 <= late_s <= delays.OUT_OF_STEP_S:
        return travel, drive
    moved = np.roll(travel, late - 3)
    moved[: max(late - 3, 0)] = travel[0]
    said = (
        f"the current follows the pedal by {late_s:+.2f} s where a controller takes 0.1 to 0.2 s: their "
        "clocks are out "
        "of step; that has been taken out (`shakedown align` finds what to state)"
    )
    return moved, replace(drive, clocks=(*drive.clocks, said))


def _voltages_in_step(drive: Drive, current: Floats) -> tuple[Drive, dict[str, int]]:
    """Return the drive, its voltages at the instants of the current and that said, and the rows taken out by name."""
    signals, said, late = dict(drive.signals), list(drive.clocks), {}
    for name in _VOLTAGES:
        voltage = drive.get(name)
        rows = 0 if voltage is None else rows_behind(voltage, current)
        if voltage is not None and rows:
            signals[name], late[name] = shifted(voltage, -rows), rows
        if abs(rows) > 1:
            said.append(
                f"{name} comes {rows * STEP_S:+.2f} s after the current that bends it; that has been taken out"
            )
    return replace(drive, signals=signals, clocks=tuple(said)), late


def _rows_read(series: SessionSeries, drive: Drive, late: dict[str, int]) -> tuple[Flags, float]:
    """Return the rows in which current and supply were both read, and the seconds between readings of the other."""
    amps, volts = (next(name for name in names if drive.get(name) is not None) for names in (_CURRENTS, _VOLTAGES))
    one, other = series.get(amps), series.get(volts)
    assert one is not None
    assert other is not None
    start = series.origin + round(float(drive.t[0]) * MICROSECONDS)
    return rows_read(one, other, start, len(drive.t), late.get(volts, 0))


def _traction(response: Response | None, current: Floats, supply: Floats | None) -> Floats | None:
    """Return the electrical power of the drive alone, W."""
    if response is None or supply is None:
        return None
    return (current - response.base) * np.nan_to_num(supply)


def _speed(drive: Drive) -> Floats | None:
    """Return the speed in m/s, steps of a slow speed signal smoothed, or None."""
    speed = drive.get("vehicle_speed")
    if speed is None:
        return None
    return smoothed(np.abs(np.nan_to_num(speed)) / KMH, 1.5)


def _around(spans: list[tuple[int, int]], rows: int, before: int, after: int) -> Flags:
    found: Flags = np.zeros(rows, dtype=np.bool_)
    for start, end in spans:
        found[max(start - before, 0) : end + after] = True
    return found


def _overlap(one: Stop, other: Stop) -> bool:
    return one.start <= other.end and other.start <= one.end
