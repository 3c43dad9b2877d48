"""Rolling resistance from rolling out without power: each roll by itself, and pairs of them in both directions.

A machine that rolls on the level slows by ``a(v) = a0 + a2 v²``: rolling resistance, and drag of the air. On a slope
``a0`` is too high one way and too low the other by the same, so that the mean of a pair is free of it. The idea of
paired runs is that of SAE J1263 and ISO 10521-1 (from memory); their speeds and weather limits do not apply here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from telemetry.analysis.ranges import Range
from telemetry.guided.attempts import Attempt

GRAVITY: Final = 9.80665
"""Standard gravity, m/s² (ISO 80000-3)."""
WITH_DRAG_M_S: Final = 15.0 / 3.6
"""Below this the drag of the air cannot be told from the rest. Ours."""
TURNING_SHARE: Final = Range(0.02, 0.05, 0.08)
"""What wheels, gears and motor add to the mass that slows. Common practice, from memory."""
USUAL_SPEED_GAIN: Final = 0.02
"""Of a wheel whose circumference was measured under load, one standard deviation; common practice, from memory."""
OPPOSITE_DEG: Final = 120.0
"""Headings of two runs that differ by more are opposite. Ours."""
METRES_A_DEGREE: Final = 111_200.0
MOST_DIFFERENCE: Final = 0.06
MOST_SPREAD: Final = 0.005
MOST_SPREAD_OF_SLOPES: Final = 0.008
"""Pairs on one stretch have its slope in common: two runs of each pair, so somewhat more than their means. Ours."""
PAIRS: Final = 3


@dataclass(frozen=True, slots=True)
class Roll:
    """One roll: ``a0`` (m/s², one standard deviation ``a0_sd``) and ``a2`` (1/m) of how it slowed."""

    a0: float
    a0_sd: float
    a2: float


def fit_roll(seconds: Sequence[float], speeds: Sequence[float]) -> Roll | None:
    """Return how the machine slowed; None where the fit has no answer.

    The speed is fitted, not its change: ``v(t) = v0 - a0 t - a2 ∫ v² dt``, linear in all three, the integral by
    trapezoids over the speeds themselves.

    Args:
        seconds: time of each reading, at least four.
        speeds: m/s.
    """
    t, v = np.asarray(seconds), np.asarray(speeds)
    square = np.concatenate([[0.0], np.cumsum(np.diff(t) * (v[1:] ** 2 + v[:-1] ** 2) / 2.0)])
    columns = [np.ones(len(t)), -t] + ([-square] if float(v[0]) > WITH_DRAG_M_S else [])
    for count in range(len(columns), 1, -1):
        x = np.stack(columns[:count], axis=1)
        found, *_ = np.linalg.lstsq(x, v, rcond=None)
        a2 = float(found[2]) if count > 2 else 0.0  # noqa: PLR2004 - the third column
        if a2 >= 0.0:
            break
    free = max(1, len(t) - x.shape[1])
    variance = float(((v - x @ found) ** 2).sum()) / free
    spread = np.linalg.pinv(x.T @ x)[1, 1] * variance
    return Roll(float(found[1]), math.sqrt(max(0.0, float(spread))), a2)


@dataclass(frozen=True, slots=True)
class RollPair:
    """Two rolls in opposite directions, as share of the weight.

    Attributes:
        mean: rolling resistance.
        difference: of the two directions, always the same one less the other; half of it is the slope.
    """

    mean: float
    difference: float


@dataclass(frozen=True)
class RollingResistance:
    """What the rolls of a drive tell.

    Attributes:
        pairs: the three that count; empty where it is not known.
        value: rolling resistance over weight; None where not known.
        sigma: one standard deviation.
        scatter: the part of it that the same machine on the same ground would not repeat.
        why: why it is not known.
    """

    pairs: tuple[RollPair, ...]
    value: float | None = None
    sigma: float | None = None
    scatter: float = 0.0
    why: str = ""


def rolling_resistance(rolls: Sequence[Attempt]) -> RollingResistance:
    """Return the rolling resistance from the accepted attempts of ``coast-down``, in time order.

    Three pairs in a row must be alike, in their means and in their slopes; the last such three count.
    """
    pairs = [_pair(one, other) for one, other in pairwise(rolls)]
    runs = [pairs[first : first + 2 * PAIRS - 1 : 2] for first in range(len(pairs) - 2 * PAIRS + 2)]
    whole = [(run, _unlike(run)) for run in runs if not any(isinstance(pair, str) for pair in run)]
    alike = [run for run, unlike in whole if not unlike]
    if not alike:
        why = f"{len(rolls)} of {2 * PAIRS} rolls"
        if whole:
            why = whole[-1][1]
        elif len(rolls) >= 2 * PAIRS:
            reasons = [pair for pair in pairs if isinstance(pair, str)]
            why = max(set(reasons), key=reasons.count)
        return RollingResistance((), why=why)
    counted = tuple(pair for pair in alike[-1] if isinstance(pair, RollPair))
    means = [pair.mean for pair in counted]
    value = sum(means) / len(means)
    scatter = float(np.std(means, ddof=1)) / math.sqrt(len(means))
    return RollingResistance(
        counted, value, math.hypot(scatter, value * TURNING_SHARE.sigma, value * USUAL_SPEED_GAIN), scatter
    )


def _pair(one: Attempt, other: Attempt) -> RollPair | str:
    """Return two rolls as a pair, or why they are none."""
    if not _opposite(one, other):
        return "nothing shows that the rolls went there and back: mark 'turned round' or record the position"
    there, back = (
        (1.0 + TURNING_SHARE.mid) / GRAVITY * roll.facts["a0_m_s2"] for roll in sorted((one, other), key=_direction)
    )
    mean, difference = (there + back) / 2, there - back
    if abs(difference) > MOST_DIFFERENCE or abs(difference) >= mean:
        return f"the slope is too steep: the directions differ by {abs(difference):.3f}, resistance {mean:.3f}"
    return RollPair(mean, difference)


def _unlike(run: Sequence[RollPair | str]) -> str:
    """Return why pairs are not alike; empty where they are."""
    pairs = [pair for pair in run if isinstance(pair, RollPair)]
    means, slopes = _spread(pair.mean for pair in pairs), _spread(pair.difference for pair in pairs)
    if means <= MOST_SPREAD and slopes <= MOST_SPREAD_OF_SLOPES:
        return ""
    return f"three pairs in a row differ by {means:.3f}, their slopes by {slopes:.3f}: repeat them on one stretch"


def _spread(values: Iterable[float]) -> float:
    found = list(values)
    return max(found) - min(found)


def _direction(roll: Attempt) -> float:
    """Return what puts the two directions of a stretch into the same order every time."""
    return roll.facts.get("heading_deg", 180.0 * roll.facts["way"] + 90.0) % 360.0 // 180.0


def _opposite(one: Attempt, other: Attempt) -> bool:
    """Return whether two rolls went opposite ways on one stretch, as far as position, else marks, tell.

    Rolls whose middles are further apart than the longer of them have no stretch in common.
    """
    first, second = one.facts, other.facts
    if "heading_deg" in first and "heading_deg" in second:
        apart = abs((first["heading_deg"] - second["heading_deg"] + 180.0) % 360.0 - 180.0)
        north = METRES_A_DEGREE * (first["latitude"] - second["latitude"])
        east = METRES_A_DEGREE * (first["longitude"] - second["longitude"])
        east *= math.cos(math.radians(first["latitude"]))
        return apart > OPPOSITE_DEG and math.hypot(north, east) < max(first["length_m"], second["length_m"])
    return first["way"] != second["way"]
