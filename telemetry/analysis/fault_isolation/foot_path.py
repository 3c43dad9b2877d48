"""The most likely way of the foot through the pedal's readings, and where the readings left it.

Each reading is the foot's or it is not. A foot goes on as it went, but for its own shaking and a sudden move now and
then; a reading that is not the foot's is anywhere, and stays there or goes to and fro. Either has a likelihood, and
the most likely sequence is found by dynamic programming (the Viterbi algorithm; G. D. Forney, Proc. IEEE 61, 1973,
from memory) over pairs of readings that are the foot's with readings between them that are not. Costs are negative
natural logarithms of likelihoods; travel is a share, 0 at rest and 1 pressed down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats, stretches

_IN_USE = 0.03  # share of travel above which the throttle is pressed at all
_LEAST_GAP = 2  # rows from the last reading before a departure to the first after it
LONGEST_S = 1.3
"""A signal that is off the foot for longer is taken for a foot that moved."""
_LEAVES = 2.5
_GOES_ON, _GOES_ON_ROWS, _FAST = 0.7, 4, 0.12
_KICK, _KICK_REACH, _QUICK = 0.02, 0.08, 0.01
_BELOW, _OFF_PLACE = 12.0, 0.36
_OFF_MOVES, _OFF_TIGHT, _JITTER = 0.1, 0.012, 0.18
_BRIDGE_PER_ROW, _BRIDGE_WIDE, _FOOT_WENT = 0.012, 0.15, 0.15
_NEAR_ROWS, _MOST_SHAKING = 20, 0.04
_HOT, _LEAST_HOT, _MARGIN_ROWS = 3.5, 0.02, 4


@dataclass(frozen=True, slots=True)
class Departure:
    """The readings between rows ``left`` and ``back``, which are both the foot's, are not the foot's.

    Attributes:
        left: last row before.
        back: first row after.
        margin: by how much that is likelier than a foot's having been there, natural logarithm.
    """

    left: int
    back: int
    margin: float


def shaking(travel: Floats, noise: float) -> tuple[Floats, Floats]:
    """Return how far each reading is from where the foot was going (n,), and one standard deviation of that (n,).

    The deviation is that of the seconds around, within what a foot can be shaken by or is throughout the drive;
    ``noise`` is that of the signal at rest.
    """
    speed = np.clip(np.diff(travel, prepend=travel[0]), -_FAST, _FAST)
    surprise = np.zeros(len(travel))
    surprise[2:] = travel[2:] - travel[1:-1] - _GOES_ON * speed[1:-1]
    around = np.pad(np.abs(surprise), _NEAR_ROWS, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(around, 2 * _NEAR_ROWS + 1)[::4]
    usual = np.repeat(np.median(windows, axis=1) / 0.6745, 4)[: len(travel)]
    pressed = np.abs(surprise[travel > _IN_USE])
    most = max(_MOST_SHAKING, float(np.median(pressed)) / 0.6745 if len(pressed) else 0.0)
    return surprise, np.clip(usual, 2.5 * noise + 0.002, most)


def departures(
    travel: Floats, surprise: Floats, spread: Floats, lowest: float, fastest: float, period_s: float
) -> list[Departure]:
    """Find where the readings left the foot.

    Args:
        travel: share of travel (n,), not clipped.
        surprise: by ``shaking``.
        spread: by ``shaking``.
        lowest: below this no foot can be.
        fastest: the furthest that the foot moves from reading to reading.
        period_s: seconds from reading to reading.
    """
    reach = max(round(LONGEST_S / period_s), 3)
    steady = _cost_of_foot(surprise, spread, fastest)
    hot = np.flatnonzero((np.abs(surprise) > np.maximum(_HOT * spread, _LEAST_HOT)) | (travel < lowest))
    found: list[Departure] = []
    for first, last in stretches(hot, reach, _MARGIN_ROWS, len(travel)):
        part = slice(first, last)
        inside = _within(travel[part], steady[part], spread[part], lowest, fastest, reach)
        found += [Departure(each.left + first, each.back + first, each.margin) for each in inside]
    return found


def _normal(away: Floats, spread: Floats) -> Floats:
    """Return the density of a normal distribution."""
    density: Floats = np.exp(-0.5 * (away / spread) ** 2) / (2.507 * spread)
    return density


def _cost_of_foot(away: Floats, spread: Floats, fastest: float) -> Floats:
    """Return the cost of a foot's being so far from where it was going: shaken, shaken more, or moved at once."""
    size = np.abs(away)
    density = 0.9 * _normal(size, spread) + 0.08 * _normal(size, 3 * spread) + 1e-7
    density += _KICK * np.exp(-size / _KICK_REACH) / (2 * _KICK_REACH)
    density += _QUICK * (size < 1.25 * fastest) / (2.5 * fastest)
    return np.asarray(-np.log(density), dtype=np.float64)


def _costs_away(x: Floats, spread: Floats, below: Floats, reach: int) -> Floats:
    """Return the cost (n, reach + 1) of being back at a row (n) so many rows after the foot was left; else infinite.

    The readings between stay where the first one is, with moves now and then, or go to and fro around the foot;
    the foot went on meanwhile.
    """
    row, gap = np.arange(len(x))[:, None], np.arange(reach + 1)[None, :]
    left, last = np.maximum(row - gap, 0), np.maximum(row - 1, 0)
    first = np.minimum(left + 1, len(x) - 1)
    moved = np.diff(x, prepend=x[0])
    stay = np.cumsum(-np.log((1 - _OFF_MOVES) * _normal(moved, _OFF_TIGHT + 0.4 * spread) + _OFF_MOVES * 0.7))
    stays = _OFF_PLACE + stay[last] - stay[first]
    total, squares = np.cumsum(x), np.cumsum(x * x)
    apart = squares[last] - squares[left] - 2 * x[left] * (total[last] - total[left]) + (gap - 1) * x[left] ** 2
    jitters = (gap - 1) * np.log(2.507 * _JITTER) + 0.5 * apart / _JITTER**2
    went = x[row] - x[left] - 0.5 * np.clip(moved, -_FAST, _FAST)[left] * np.minimum(gap, _GOES_ON_ROWS)
    wide = np.hypot(spread[left], _BRIDGE_PER_ROW * gap + 0.01)
    bridge = (1 - _FOOT_WENT) * _normal(went, wide)
    bridge += _FOOT_WENT * np.exp(-np.abs(went) / _BRIDGE_WIDE) / (2 * _BRIDGE_WIDE)
    cost = _LEAVES + np.minimum(stays, jitters) - np.log(bridge) + below[row]
    cost[(gap < _LEAST_GAP) | (row < gap)] = np.inf
    return np.asarray(cost, dtype=np.float64)


def _within(x: Floats, steady: Floats, spread: Floats, lowest: float, fastest: float, reach: int) -> list[Departure]:
    """Find the departures in one stretch, whose first row is the foot's.

    ``steady``: cost of each row's being the foot's where the one before it is.
    """
    rows = len(x)
    below = np.where(x < lowest, _BELOW, 0.0)
    on = (steady + below).tolist()
    # right after it came back the foot's speed is not known
    anew = (_cost_of_foot(np.diff(x, prepend=x[0]), np.maximum(spread, 0.03), fastest) + below).tolist()
    away = _costs_away(x, spread, below, reach)[:, ::-1]
    going, came = [0.0] + [np.inf] * (rows - 1), [np.inf] * rows
    leaving = np.full(rows + reach, np.inf)  # the cost up to each row from which the foot is left, from ``reach`` on
    leaving[reach] = 0.0
    origin = [0] * rows
    for row in range(1, rows):
        going[row] = min(going[row - 1] + on[row], came[row - 1] + anew[row])
        total = leaving[row : row + reach] + away[row, :reach]
        best = int(total.argmin())
        came[row], origin[row] = float(total[best]), row - reach + best
        leaving[row + reach] = min(going[row], came[row])
    return _traced(going, came, origin, on, anew)


def _traced(
    going: list[float], came: list[float], origin: list[int], on: list[float], anew: list[float]
) -> list[Departure]:
    """Go back from the last row along the cheapest way."""
    found: list[Departure] = []
    row = len(going) - 1
    just_back = came[row] < going[row]
    while row > 0:
        if not just_back:
            just_back = came[row - 1] + anew[row] < going[row - 1] + on[row]
            row -= 1
            continue
        left = origin[row]
        as_foot = sum(on[left + 1 : row + 2])
        as_sensor = came[row] - min(going[left], came[left]) + sum(anew[row + 1 : row + 2])
        found.append(Departure(left, row, as_foot - as_sensor))
        just_back = came[left] < going[left]
        row = left
    return found[::-1]
