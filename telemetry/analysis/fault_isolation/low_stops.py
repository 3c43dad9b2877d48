"""Stops at a low-voltage limit: the controller lets go at once where its voltage has reached the lowest it allows.

A stop by itself could be anything: a foot, another limit, a controller at fault. Three things make it the limit's.
The current falls to nothing within two or three tenths of a second and stays there, though the foot had not let go.
It falls at the lowest voltages of the drive. And at no other time was the voltage as low for long without a stop: a
foot that lets go after a hard pull does so after a while at the lowest voltage, a limit does not allow that while.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.stops import Stop

_LEAST_SHARE, _LEAST_A = 0.12, 3.0
_FALLEN, _QUICK = 0.65, 0.5
_QUICK_ROWS, _SOON_ROWS, _SHORTEST_ROWS = 4, 12, 6
_LONGEST_ROWS = round(30 / STEP_S)
_NEAR_ROWS, _EVERY_ROWS = round(20 / STEP_S), 10
_LET_GO, _RELEASED = 0.8, 0.06
_DELAY_ROWS = 5
"""A limit may act so late."""
_ROWS_A_STOP = 3.0
"""So many readings as low without a stop speak against the limit as much as a stop speaks for it."""
_LEAST_SCORE = 0.6
_GROUP = 3
_SAME_SHARE = 0.004
_JUMP_SHARE = 0.025
"""Where many stops belong together, one may begin so much above the others: the voltage fell between two readings."""
_WOBBLE_SHARE = 0.05
"""The same where the path's resistance wobbles and the voltage with it."""
_OF_SAG = 0.4
"""But no more than this share of how far the limit lies below the middle of all voltages."""
_LOWEST = 0.05
"""A limit lies among so small a share of the drive's voltages."""


@dataclass(frozen=True, slots=True)
class _Fall:
    """One fall of the current; ``foot``: the foot was letting go, so it counts only where the limit is known."""

    stop: Stop
    foot: bool


def low_voltage_stops(
    current: Floats, travel: Floats | None, voltage: Floats, usable: Flags, settled: Flags, wobbles: bool
) -> list[Stop]:
    """Return the stops at the low-voltage limit, in time order.

    Args:
        current: A (n,), none NaN.
        travel: share of pedal travel (n,), none NaN, or None: then only several stops at the same voltage count.
        voltage: V (n,), none NaN where usable.
        usable: rows in which the supply was there.
        settled: those of them that do not follow soon upon a loss of supply, when a controller is still starting.
        wobbles: the resistance of the path wobbles.
    """
    if usable.sum() < _NEAR_ROWS:
        return []
    falls = _falls(current, travel, voltage, usable)
    plain = [fall.stop for fall in falls if not fall.foot]
    if not plain:
        return []
    elsewhere = settled & ~np.isnan(voltage)
    for stop in plain:
        elsewhere[max(stop.start - _DELAY_ROWS, 0) : stop.end + _QUICK_ROWS] = False
    others = np.sort(voltage[elsewhere])
    plain.sort(key=lambda stop: stop.voltage_before)
    levels = np.array([stop.voltage_before for stop in plain])
    scores = np.arange(1, len(plain) + 1) - np.searchsorted(others, levels) / _ROWS_A_STOP
    best = int(np.argmax(scores))
    together = best + 1
    if not wobbles and levels[best] > float(np.quantile(voltage[usable], _LOWEST)):
        return []
    alone = together < _GROUP and (travel is None or 2 * together <= len(plain))
    if scores[best] < _LEAST_SCORE or (alone and not (wobbles and together > 1)):
        return []
    share = _SAME_SHARE
    if together >= _GROUP and 2 * together >= len(plain):
        share = _JUMP_SHARE
    if wobbles and together > 1:
        share = _WOBBLE_SHARE
    usual, middle = float(np.quantile(voltage[usable], 0.9)), float(np.median(voltage[usable]))
    above = levels[best] + min(share * usual, _OF_SAG * max(middle - levels[best], 0.0))
    return [
        fall.stop for fall in falls if fall.stop.voltage_before <= (levels[best] if fall.foot else above)
    ]  # fmt: skip


def _falls(current: Floats, travel: Floats | None, voltage: Floats, usable: Flags) -> list[_Fall]:
    """Return every quick fall of the current to nothing with the pedal down, in time order."""
    rows = len(current)
    smooth = np.convolve(current, np.ones(3) / 3, "same")
    base = _base(smooth, usable)
    soon = np.concatenate([smooth, np.full(_SOON_ROWS, smooth[-1])])
    after = np.lib.stride_tricks.sliding_window_view(soon, _SOON_ROWS)[:rows, 3:].min(axis=1)
    least = max(_LEAST_SHARE * float(np.quantile(current[usable], 0.99)), _LEAST_A)
    falls = usable & (current - base > least) & (current - after > _FALLEN * (current - base))
    quick = np.concatenate([current[_QUICK_ROWS:], np.full(_QUICK_ROWS, current[-1])])
    falls &= current - quick > 0.4 * (current - after)
    found: list[_Fall] = []
    for group in _groups(falls):
        start = _onset(current, group)
        if found and start - found[-1].stop.start < _SHORTEST_ROWS:
            continue
        if not usable[start : start + 8].all():
            continue
        lowest = float(smooth[start + 2 : start + _SOON_ROWS].min(initial=np.inf))
        if current[start] - smooth[min(start + _QUICK_ROWS, rows - 1)] < _QUICK * (current[start] - lowest):
            continue
        end = _end(smooth, travel, start, float(base[start] + 0.4 * (current[start] - base[start])))
        pressed = travel is None or travel[max(start - 2, 0) : start + 1].min() > _RELEASED
        foot = _lets_go(travel, start)
        if pressed and (foot or end - start >= _SHORTEST_ROWS):
            volts = float(np.min(voltage[max(start - 3, 0) : start + 2]))
            found.append(_Fall(Stop(start, end, float(current[start]), volts), foot))
    return found


def _groups(flags: Flags) -> list[tuple[int, int]]:
    """Return the first and the last row of each group of rows."""
    rows = np.flatnonzero(flags)
    if len(rows) == 0:
        return []
    breaks = np.flatnonzero(np.diff(rows) > 2)
    firsts = np.concatenate([rows[:1], rows[breaks + 1]])
    lasts = np.concatenate([rows[breaks], rows[-1:]])
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def _base(smooth: Floats, usable: Flags) -> Floats:
    """Return the current that flows anyway (n,): the lowest usual one within some seconds around, A."""
    middle = float(np.median(smooth[usable]))
    low = []
    for row in range(0, len(smooth), _EVERY_ROWS):
        near = slice(max(row - _NEAR_ROWS, 0), row + _NEAR_ROWS)
        some = smooth[near][usable[near]]
        low.append(float(np.quantile(some, 0.05)) if len(some) else 0.0)
    found: Floats = np.clip(np.repeat(np.array(low), _EVERY_ROWS)[: len(smooth)], 0.0, max(middle, 0.0))
    return found


def _onset(current: Floats, group: tuple[int, int]) -> int:
    """Return the last row before the fall."""
    first, last = group
    peak = first + int(np.argmax(current[first : last + 1]))
    fall = np.diff(current[peak : min(last + _SHORTEST_ROWS, len(current) - 1) + 1])
    return peak if len(fall) == 0 else peak + int(np.flatnonzero(fall <= 0.35 * fall.min())[0])


def _end(smooth: Floats, travel: Floats | None, start: int, low: float) -> int:
    """Return the row in which the current is back or the foot has let go."""
    row = start + 1
    while row < len(smooth) and smooth[row] >= low and row - start < 10:
        row += 1
    while row < len(smooth) and smooth[row] < low and row - start < _LONGEST_ROWS:
        if travel is not None and travel[row] <= 0.04:
            break
        row += 1
    return row


def _lets_go(travel: Floats | None, start: int) -> bool:
    """Tell whether the foot let go as the current fell, or before."""
    if travel is None:
        return False
    before = float(travel[max(start - 8, 0) : start + 1].max())
    return bool(travel[max(start - 1, 0) : start + 3].min() < _LET_GO * before)
