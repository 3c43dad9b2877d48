"""When the supply at the controller went away, and who took it: a BMS trip, or an opening in the path.

The pack's switch is reported late (electronics are commonly asked five times a second) and a short opening or closing
of it not at all, so the moments are taken from the voltage or the current, and a report only has to be near.

While the path is whole, the voltage rises as the current falls, for the sag is less. Where the current is gone and
the voltage falls below what it was under load, nothing feeds the controller any more: its capacitor is being emptied,
at once by a motor that pulls, within a second or so by the electronics alone. Where the machine was braking, the
capacitor is filled instead and the voltage jumps up. An opening of a few hundredths of a second leaves one reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats, RowSpan, runs
from telemetry.model.signals import ON

_CHARGING_A = 0.5  # into the pack; above the offset of a sensor
_REPORTED_LATE_S = 0.8
_SWITCH_S = 2.0
"""A BMS stays open for seconds, a loose joint for moments: tells them apart where the switch is not recorded."""
_BEFORE_S = 0.35
_EARLY_ROWS = 6
_LEAST_ROWS = 200
_NO_CURRENT_A, _NO_CURRENT_SHARE = 1.5, 0.04
"""Less counts as no current: the offset of a current sensor, and a share of the highest current."""
_LEAST_SHARE, _LEAST_RISE = 0.006, 0.012
_REST_ABOVE = 1.03
"""So much above its middle a pack's voltage without current may stand in a drive, freshly charged or warm."""
_NOISES = 6.0
_NORMAL_QUARTER = 0.3186
"""A quarter of normally distributed values lie within so many standard deviations."""
_BEFORE_ROWS = 5
_SUPPLIED = 0.7
_FLOWING_BACK_A = 0.5
_RETURNED, _RETURNING, _FLOWING_ROWS = 0.3, 0.9, 3
"""It has come back where no more of its fall is left, or begins to and current flows, or current flows on and on."""


@dataclass(frozen=True, slots=True)
class SupplyLoss(RowSpan):
    """The supply was gone from row ``start`` to ``end`` (not included).

    Attributes:
        by_switch: True where the pack's switch was reported open, False where it was reported closed all along,
            None where its state is not recorded.
        current_before: highest current in the third of a second before, A.
        charging: the current flowed into the pack (braking).
        lasts: it had not come back when the recording ended.
        upward: the voltage jumped up: current that was flowing back was refused.
    """

    by_switch: bool | None
    current_before: float
    charging: bool
    lasts: bool
    upward: bool = False


_Losses = tuple[SupplyLoss, ...]


def supply_losses(voltage: Floats | None, current: Floats, allowed: Floats | None) -> list[SupplyLoss]:
    """Return every loss of supply, in time order.

    A supply that goes away while hardly any current flows and does not come back is somebody who switched off, unless
    the pack's switch is reported open.

    Args:
        voltage: V (n,) at the controller, NaN where unknown; None where only the pack's own is known, which does not
            fall when the pack's switch opens.
        current: A (n,).
        allowed: the pack's switch, 1 closed, or None.
    """
    gone = [] if voltage is None else _collapses(voltage, current)
    off = np.zeros(len(current), dtype=np.bool_) if allowed is None else np.nan_to_num(allowed, nan=1.0) < ON
    late = round(_REPORTED_LATE_S / STEP_S)
    found: list[SupplyLoss] = []
    for start, end, upward in gone:
        near = off[max(start - _EARLY_ROWS, 0) : end + late]
        reported = bool(near.any()) or (end + late > len(off) and bool(off.any()))
        drew = not no_current(current)[max(start - late, 0) : start].all()
        if reported or drew or end < len(current):
            found.append(_loss(start, end, upward, None if allowed is None else reported, current))
    for start, end in runs(off):
        if not any(first - _EARLY_ROWS <= end and last + late >= start for first, last, _ in gone):
            found.append(_loss(start, end, False, True, current))
    return sorted(found, key=lambda loss: loss.start)


def sorted_by_cause(losses: Sequence[SupplyLoss]) -> tuple[_Losses, _Losses, _Losses]:
    """Return the trips under load, those against braking, and the openings that no trip explains.

    Where the switch's state is not recorded a wait of seconds tells a trip.
    """
    trips: list[SupplyLoss] = []
    openings: list[SupplyLoss] = []
    for loss in losses:
        switched = loss.duration_s > _SWITCH_S and not loss.lasts if loss.by_switch is None else loss.by_switch
        (trips if switched else openings).append(loss)
    if all(loss.upward for loss in openings):  # a switch for charging alone refuses braking and nothing else
        trips, openings = sorted([*trips, *openings], key=lambda loss: loss.start), []
    drawing = tuple(loss for loss in trips if not loss.charging)
    return drawing, tuple(loss for loss in trips if loss.charging), tuple(openings)


def _loss(start: int, end: int, upward: bool, by_switch: bool | None, current: Floats) -> SupplyLoss:
    before = current[max(start - round(_BEFORE_S / STEP_S), 0) : start + 1]
    charging = upward or bool(np.nanmedian(before[-3:]) < -_CHARGING_A)
    return SupplyLoss(start, end, by_switch, float(np.nanmax(before)), charging, end >= len(current), upward)


def _collapses(voltage: Floats, current: Floats) -> list[tuple[int, int, bool]]:
    """Return from which row to before which the supply was lost, and whether the voltage jumped up; in time order."""
    known = voltage[~np.isnan(voltage)]
    none = no_current(current)
    if len(known) < _LEAST_ROWS or not none.any():
        return []
    usual = float(np.quantile(known, 0.8))
    volts = np.nan_to_num(voltage, nan=usual)
    bends = np.abs(volts[2:] - 2 * volts[1:-1] + volts[:-2])  # noise, in the calmer part
    noise = _NOISES * float(np.quantile(bends, 0.25)) / (_NORMAL_QUARTER * 6**0.5)
    fall, rise = max(_LEAST_SHARE * usual, noise), max(_LEAST_RISE * usual, noise)
    supplied = volts[none & (volts > _SUPPLIED * usual)]
    middle, at_rest, high_rest = (
        np.quantile(supplied, [0.5, 0.8, 0.98]) if len(supplied) else (np.inf, np.inf, np.inf)
    )
    highest = min(float(high_rest), _REST_ABOVE * float(middle)) + rise
    moved = np.zeros(len(volts), dtype=np.bool_)
    for rows in (1, 2):
        moved[rows:] |= np.abs(volts[rows:] - volts[:-rows]) > fall / 2
    found: list[tuple[int, int, bool]] = []
    free = 0
    for row in np.flatnonzero(none & moved).tolist():
        before = slice(max(row - _BEFORE_ROWS, free), max(row - 1, free + 1))
        if before.start >= row or volts[before].min() < _SUPPLIED * usual:
            continue
        low, high = float(volts[before].min()), float(volts[before].max())
        braked = current[before].max() < 0 and current[row] > _NO_CURRENT_A  # then it sags
        down = volts[row] < min(low, at_rest) - fall and not braked
        up = volts[row] > high + rise and (current[before].mean() < -_FLOWING_BACK_A or volts[row] > highest)
        if down or up:
            start, free = row, _end(volts, none, row, low if down else high)
            if found and found[-1][2] and start - found[-1][1] <= 1:
                start, up = found.pop()[0], True
            found.append((start, free, bool(up)))
    return found


def no_current(current: Floats) -> Flags:
    """Return the rows (n,) in which no current flowed that a sensor with an offset could tell."""
    top = float(np.quantile(np.abs(current), 0.99))
    return np.asarray(np.abs(current) < max(_NO_CURRENT_A, _NO_CURRENT_SHARE * top), dtype=np.bool_)


def _end(volts: Floats, none: Flags, row: int, level: float) -> int:
    """Return the row in which the voltage was back, or current flowed again."""
    farthest, end, flowing = abs(volts[row] - level), row + 1, 0
    sign = 1.0 if volts[row] > level else -1.0
    while end < len(volts):
        away = sign * (volts[end] - level)
        flowing = 0 if none[end] else flowing + 1
        if away < _RETURNED * farthest or (flowing and away < _RETURNING * farthest):
            break
        if flowing == _FLOWING_ROWS:
            return end + 1 - flowing
        farthest = max(farthest, away)
        end += 1
    return end
