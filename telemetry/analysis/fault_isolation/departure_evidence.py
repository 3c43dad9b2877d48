"""What speaks for the sensor and what for the foot where the pedal's signal left the foot's way for a moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.analysis.fault_isolation.foot_path import Departure

_IN_USE = 0.03  # share of travel above which the throttle is pressed at all
_LEAST_COUNTED, _USUAL_KICK = 50, 0.03  # rows pressed from which kicks are known, and what is taken for one before
_BESIDE, _ALONE = 0.72, 0.85
"""Shares of a step and its neighbours that the step has: below the first the foot moved anyway, above the second it
stands alone. All set on simulated drives, as the other figures here."""
_THIRD = 3  # the third fastest move is the foot's: two may be faults


Kind = Literal["below rest", "fall", "rise", "jitter"]

_FASTEST_PER_S = 4.0
_TIMES_FOOT = 1.25
_LEAST_CHANCE = 0.04
_REVERSALS, _MOST_REVERSALS, _REVERSED = 3, 6, 0.2
_REVERSALS_PER_S = 7.0
"""A foot turns round less often; quick tapping is about 6 taps a second, of a finger (from memory)."""
_REST, _STOP = 0.02, 0.93
_LARGE = 0.15

# Factors about those of a logistic regression over simulated drives of two simulators.
_BY_CHANCE, _MARGIN, _MOST_MARGIN = -2.7, 0.28, 25.0
_OUT, _BACK, _SIZE = 0.46, 0.3, 0.5
_SECOND_DOWN, _SECOND_LATER, _SECOND_AT_REST, _SECOND_UP = -1.0, -7.0, -4.0, -6.0
_LATER_S, _LONGEST_S = 0.4, 0.6
_GRADUAL = -8.0
_FURTHER, _BELOW, _AT_REST, _AT_STOP, _TO_AND_FRO = -1.0, 2.5, -1.6, -2.0, 0.6


@dataclass(frozen=True, slots=True)
class Weighed:
    """A departure with what speaks for it.

    Attributes:
        departure: which one.
        travel: share of travel at which the signal left.
        back: share of travel to which it came back.
        depth: by how much it left, share of travel; negative where it fell.
        kind: below the resting value, as a broken wire is and no foot can be; a fall; a rise; to and fro.
        evidence: for the sensor and against the foot, natural logarithm of the odds.
    """

    departure: Departure
    travel: float
    back: float
    depth: float
    kind: Kind
    evidence: float


def least_below_rest(noise: float) -> float:
    """Return how far below rest no foot can be, share of travel; ``noise`` is that of the signal at rest."""
    return max(8 * noise, 0.05)


def foot_speed(step: Floats, period_s: float) -> float:
    """Return the furthest that this foot moved from reading to reading, share of travel, as it did several times.

    A movement of a foot takes more than one reading: two steps on end in the same direction, neither of them slight.
    A foot that was never quick in the drive could still have been, by about 4 travels a second.

    Args:
        step: from reading to reading (n,), share of travel.
        period_s: seconds between them.
    """
    one, two = np.abs(step[1:]), np.abs(step[:-1])
    moved = (np.sign(step[1:]) == np.sign(step[:-1])) & (np.minimum(one, two) > 0.3 * np.maximum(one, two))
    quick = np.sort(np.maximum(one, two)[moved])
    return max(float(quick[-_THIRD]) if len(quick) > _THIRD else 0.0, _FASTEST_PER_S * period_s)


def usual_kick(travel: Floats, surprise: Floats, found: Sequence[Departure]) -> float:
    """Return how far the ground kicks this foot now and then (97 % are less), share of travel, large jumps aside."""
    counted = travel > _IN_USE
    for each in found:
        if np.abs(np.diff(travel[each.left : each.back + 1])).max() > _LARGE:
            counted[each.left : each.back + 2] = False
    return (
        max(float(np.quantile(np.abs(surprise[counted]), 0.97)), 0.015)
        if counted.sum() > _LEAST_COUNTED
        else _USUAL_KICK
    )


def _edge(step: float, before: float, after: float, fastest: float) -> float:
    """Return how much an edge between two readings speaks against a foot.

    The further a foot moves, the rarer is it that all of the way falls between two readings, with none of it in the
    steps beside, ``before`` and ``after``.
    """
    size = abs(step)
    beside = max(np.sign(step) * before, 0.0) + max(np.sign(step) * after, 0.0)
    alone = size / (size + beside + 1e-9)
    if alone < _BESIDE:
        return -2.5
    if size > _TIMES_FOOT * fastest:
        return 6.0
    return float(-np.log(max(_LEAST_CHANCE, 1 - size / fastest))) * (1.0 if alone > _ALONE else 0.5)


def _stay(kind: Kind, at_rest: bool, seconds: float) -> float:
    """Return what it says that the signal stayed away for so long: a foot that went elsewhere stays a while."""
    if kind == "rise":
        return _SECOND_UP * seconds
    if at_rest:
        return _AT_REST + _SECOND_AT_REST * seconds
    return _SECOND_DOWN * min(seconds, _LATER_S) + _SECOND_LATER * max(seconds - _LATER_S, 0.0)


def weighed(
    x: Floats, spread: Floats, at: Departure, noise: float, fastest: float, kick: float, period_s: float
) -> Weighed:
    """Weigh a departure.

    A foot takes time for a way, goes down to rest when it is lifted, and stays where it went; it does not go to and
    fro several times, and not below rest. Pressed down to the stop it can be shaken one way only. A wire that opens
    does so at once: where the signal is below rest but went there gradually, it is the rest that is mistaken.

    Args:
        x: share of travel (n,).
        spread: by ``shaking``.
        at: the departure.
        noise: one standard deviation of the signal at rest, share of travel.
        fastest: by ``foot_speed``.
        kick: by ``usual_kick``.
        period_s: seconds from reading to reading.
    """
    inside, steps = x[at.left + 1 : at.back], np.diff(x[max(at.left - 1, 0) : at.back + 2])
    before = steps[0] if at.left else 0.0
    after = steps[-1] if at.back + 1 < len(x) else 0.0
    steps = np.diff(x[at.left : at.back + 1])
    single = len(inside) <= 1
    out = _edge(steps[0], before, 0.0 if single else steps[1], fastest)
    back = _edge(steps[-1], 0.0 if single else steps[-2], after, fastest)
    size = np.abs(steps)
    large = np.sign(steps[size > max(5 * float(spread[at.left]), 2 * kick, 0.05, _REVERSED * float(size.max()))])
    reversals = int(np.count_nonzero(large[1:] != large[:-1]))
    to_and_fro = reversals >= max(_REVERSALS, _REVERSALS_PER_S * len(steps) * period_s)
    level = float(np.median(inside))
    depth = level - 0.5 * float(x[at.left] + x[at.back])
    kind: Kind = "fall" if depth < 0 else "rise"
    lowest = -least_below_rest(noise)
    if level < lowest:
        kind = "below rest"
    elif to_and_fro:
        kind = "jitter"
    away = float(np.std(steps)) if to_and_fro else abs(depth)
    evidence = _BY_CHANCE + _MARGIN * min(at.margin, _MOST_MARGIN)
    evidence += _SIZE * float(np.clip(np.log(max(away, 1e-6) / kick), -2.0, 2.0)) + _BELOW * (kind == "below rest")
    if to_and_fro:
        evidence += _OUT * max(out, 0.0) + _BACK * max(back, 0.0) + _TO_AND_FRO * min(reversals, _MOST_REVERSALS)
    else:
        evidence += _OUT * out + _BACK * back + _FURTHER * bool(np.sign(steps[0]) == np.sign(steps[-1]))
        evidence += _GRADUAL * (kind == "below rest" and out < 0 and back < 0)
        at_rest = kind == "fall" and abs(float(inside.min())) < _REST + 4 * noise
        evidence += _stay(kind, at_rest, min(len(inside) * period_s, _LONGEST_S))
        evidence += _AT_STOP * (kind == "fall" and not at_rest and float(x[at.left]) > _STOP)
    if min(x[at.left], x[at.back]) < lowest:  # the foot itself was there: it is not below where it rests
        evidence += _GRADUAL
    return Weighed(at, float(x[at.left]), float(x[at.back]), depth, kind, float(evidence))
