"""Where the current fell to nothing at once while the throttle had not let go.

It could be anything: a limit of the voltage, a switch, a controller at fault, or one that follows the speed and
whose driver eased off a little. What it was is found by what such falls have in common (``compare``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats, RowSpan, runs

_TOGETHER = 2  # rows between falls that are one
_HARDLY_PRESSED = 0.04  # share of travel at which a fall ends: the foot asks for nothing; ours
_LEAST_SHARE, _LEAST_A = 0.12, 3.0
_FALLEN, _QUICK = 0.65, 0.5
_QUICK_ROWS, _SOON_ROWS, _SHORTEST_ROWS = 4, 12, 6
_LONGEST_ROWS = round(600 / STEP_S)
_NEAR_ROWS, _EVERY_ROWS = round(20 / STEP_S), 10
_LET_GO, _RELEASED = 0.8, 0.06
LASTING_S = 0.75
"""A limit or a switch holds the current off for so long; easing off a little takes less (by both simulators)."""


@dataclass(frozen=True, slots=True)
class Fall(RowSpan):
    """The current fell to nothing from row ``start`` to ``end`` (not included).

    Attributes:
        current_before: A.
        kept: share of the throttle's travel that was left as it fell; NaN where that was not recorded.
    """

    current_before: float
    kept: float

    @property
    def lasting(self) -> bool:
        """Whether the current stayed away for longer than by easing off."""
        return self.duration_s >= LASTING_S


def least_load(current: Floats, usable: Flags) -> float:
    """Return from which current on its end is a fall, A."""
    return max(_LEAST_SHARE * float(np.quantile(current[usable], 0.99)), _LEAST_A)


def falls(current: Floats, travel: Floats | None, usable: Flags) -> list[Fall]:
    """Return every quick fall of the current to nothing that the throttle does not explain, in time order.

    Args:
        current: A (n,), none NaN.
        travel: share of pedal travel (n,), none NaN, or None: then those by a lifted throttle are among them.
        usable: rows in which the supply was there.
    """
    rows = len(current)
    if usable.sum() < _NEAR_ROWS:
        return []
    smooth = np.convolve(current, np.ones(3) / 3, "same")
    base = _base(smooth, usable)
    soon = np.concatenate([smooth, np.full(_SOON_ROWS, smooth[-1])])
    after = np.lib.stride_tricks.sliding_window_view(soon, _SOON_ROWS)[:rows, 3:].min(axis=1)
    much = current - base
    quick = np.concatenate([current[_QUICK_ROWS:], np.full(_QUICK_ROWS, current[-1])])
    falling = usable & (much > least_load(current, usable)) & (current - after > _FALLEN * much)
    falling &= current - quick > 0.4 * (current - after)
    found: list[Fall] = []
    for first, last in _groups(falling):
        start = _onset(current, first, last)
        if (found and start - found[-1].start < _SHORTEST_ROWS) or not usable[start : start + 8].all():
            continue
        lowest = float(smooth[start + 2 : start + _SOON_ROWS].min(initial=np.inf))
        if current[start] - smooth[min(start + _QUICK_ROWS, rows - 1)] < _QUICK * (current[start] - lowest):
            continue
        end = _end(smooth, travel, start, float(base[start] + 0.4 * (current[start] - base[start])))
        kept = _kept(travel, start)
        if end - start >= _SHORTEST_ROWS and not kept < _LET_GO:
            found.append(Fall(start, end, float(current[start]), kept))
    return found


def _groups(flags: Flags) -> list[tuple[int, int]]:
    """Return the first and the last row of each group of rows, those at most two apart taken together."""
    groups: list[tuple[int, int]] = []
    for first, end in runs(flags):
        if groups and first - groups[-1][1] <= _TOGETHER:
            first = groups.pop()[0]
        groups.append((first, end - 1))
    return groups


def _base(smooth: Floats, usable: Flags) -> Floats:
    """Return the current that flows anyway (n,): the lowest usual one within some seconds around, A."""
    low = []
    for row in range(0, len(smooth), _EVERY_ROWS):
        near = slice(max(row - _NEAR_ROWS, 0), row + _NEAR_ROWS)
        some = smooth[near][usable[near]]
        low.append(float(np.partition(some, len(some) // 20)[len(some) // 20]) if len(some) else 0.0)
    most = max(float(np.median(smooth[usable])), 0.0)
    base: Floats = np.clip(np.repeat(np.array(low), _EVERY_ROWS)[: len(smooth)], 0.0, most)
    return base


def _onset(current: Floats, first: int, last: int) -> int:
    """Return the last row before the fall."""
    peak = first + int(np.argmax(current[first : last + 1]))
    fall = np.diff(current[peak : min(last + _SHORTEST_ROWS, len(current) - 1) + 1])
    return peak if len(fall) == 0 else peak + int(np.flatnonzero(fall <= 0.35 * fall.min())[0])


def _end(smooth: Floats, travel: Floats | None, start: int, low: float) -> int:
    """Return the row in which the current is back or the foot has let go."""
    row, last = start + 1, len(smooth)
    while row < min(last, start + 10) and smooth[row] >= low:
        row += 1
    while (
        row < min(last, start + _LONGEST_ROWS)
        and smooth[row] < low
        and (travel is None or travel[row] > _HARDLY_PRESSED)
    ):
        row += 1
    return row


def _kept(travel: Floats | None, start: int) -> float:
    """Return which share of the throttle's travel was left as the current fell; 0 where it was all but released."""
    if travel is None:
        return float("nan")
    before = float(travel[max(start - 8, 0) : start + 1].max())
    soon = float(travel[max(start - 1, 0) : start + 3].min())
    pressed = float(travel[max(start - 2, 0) : start + 1].min()) > _RELEASED
    return soon / before if pressed else 0.0
