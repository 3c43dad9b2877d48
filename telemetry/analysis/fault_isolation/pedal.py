"""The pedal sensor: where its signal leaves the foot's way, and whether that is the sensor's doing or its wire's.

A foot moves a pedal smoothly, is shaken by bumps, and is lifted in a hurry; where it went it stays a while. A worn
track loses contact at once and finds it again at once, in one band of the travel. One departure may be either's; many
in one band are the sensor's, and then slight ones are believed too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.analysis.fault_isolation.foot_path import Departure, departures, shaking
from telemetry.analysis.fault_isolation.point_process import log_mean
from telemetry.analysis.fault_isolation.response import PedalRange

Kind = Literal["below rest", "fall", "rise", "jitter"]
_LEAST_READINGS = 4  # for a period, and for anything to be told
_LEAST_PERIOD_S = 0.04
"""A foot is not seen better by readings that are closer; of such ones some are left out."""
_GAP_PERIODS = 2.5
_SHARES: Floats = np.array([[0.1], [0.3], [0.6], [0.9]])
"""Of the departures in the band of a worn track so many may be the sensor's: all alike likely."""
_BANDS: Floats = np.arange(0.02, 1.0, 0.02)
_BAND = 0.08
_BOOST, _USUAL_S, _MOST = 1.9, 0.05, 12.0
"""Departures of a foot are rarer in a band than the evidence for one takes them to be, less so where half of the
readings lack (by the sound drives of both simulators at 20 and 10 Hz); no single one proves more."""
_SELDOM = -1.0
"""Most worn tracks show in a drive of some minutes."""
_PLAIN, _WORN, _OF_WORN = 2.8, 2.5, -1.0
"""Evidence from which one departure counts by itself, from which those of a band are a worn track's together, and
that is enough for one of a worn track: of those with so little about half are, in the band and beside it."""
_TOGETHER_S = 0.1  # between departures that are one jitter
_FASTEST_PER_S = 4.0
"""Travels a second that any foot may move."""
_KICK, _KICK_SPREADS = 0.03, 2.5
"""How far the ground kicks a foot now and then, share of travel; more where it is shaken: 99 % are less."""
_REVERSALS, _REVERSED, _REVERSALS_PER_S = 3, 0.2, 7.0
"""A foot turns round less often; quick tapping is about 6 taps a second, of a finger (from memory)."""
_REST = 0.02
_ALONE, _MOVED_ANYWAY, _LEAST_CHANCE = 0.72, -2.5, 0.04
"""Share of a step and its neighbours below which the foot moved anyway, and what that says."""
_BY_CHANCE, _MARGIN, _MOST_MARGIN, _SIZE = -2.7, 0.28, 25.0, 0.5
_EDGE, _BELOW, _GRADUAL, _FURTHER, _AT_REST = 0.25, 2.5, -8.0, -1.0, -1.6
_SECOND, _LONGEST_S = -4.0, 0.6
"""Evidence of a departure, about the factors of a logistic regression over simulated drives of two simulators: by the
path's margin, the size beside a kick's, both edges, going below rest, that without an edge (then it is the
rest that is mistaken), going on instead of coming back, ending at rest, and each second away."""


@dataclass(frozen=True, slots=True)
class PedalFault:
    """The signal left the foot.

    Attributes:
        t: seconds, between the last reading that was right and the first that was not.
        duration: seconds until it is right again.
        travel, back: share of travel at which the signal left, and to which it came back.
        depth: by how much it left, share of travel; negative where it fell.
        kind: below the resting value, as a broken wire is and no foot can be; a fall; a rise; to and fro.
        evidence: for the sensor and against the foot, natural logarithm of the odds.
    """

    t: float
    duration: float
    travel: float
    back: float
    depth: float
    kind: Kind
    evidence: float

    @property
    def what(self) -> str:
        """In a word."""
        return "jitter" if self.kind == "jitter" else "drop-out" if self.depth < 0 else "spike"


def pedal_trace(t: Floats, pedal: Floats, limits: PedalRange) -> tuple[PedalFault, ...]:
    """Find and weigh every departure of the signal from the foot's way, in time order.

    Args:
        t: seconds (n,), as recorded, no resampling.
        pedal: V (n,), none NaN.
        limits: the pedal's range.
    """
    period = float(np.median(np.diff(t))) if len(t) >= _LEAST_READINGS else 1.0
    every = max(round(_LEAST_PERIOD_S / max(period, 1e-3) + 0.3), 1)
    t, period = t[::every], period * every
    width = limits.top - limits.rest
    travel, noise = (pedal[::every] - limits.rest) / width, limits.noise / width
    if len(t) < _LEAST_READINGS:
        return ()
    lowest = -max(8 * noise, 0.05)  # below that no foot can be
    surprise, spread = shaking(travel, noise)
    fastest = _FASTEST_PER_S * period
    found = departures(travel, surprise, spread, lowest, fastest, period)
    gap = np.diff(t) > _GAP_PERIODS * period
    whole = [each for each in found if not gap[each.left : each.back].any()]
    return tuple(_weighed(t, travel, spread, each, lowest, fastest, period) for each in whole)


def _edge(step: float, before: float, after: float, fastest: float) -> float:
    """Return how much an edge between two readings speaks against a foot.

    The further a foot moves, the rarer is it that all of the way falls between two readings, with none of it in the
    steps beside, ``before`` and ``after``.
    """
    size = abs(step)
    beside = max(np.sign(step) * before, 0.0) + max(np.sign(step) * after, 0.0)
    if size < _ALONE * (size + beside):
        return _MOVED_ANYWAY
    return float(-np.log(max(_LEAST_CHANCE, 1 - size / fastest)))


def _weighed(
    t: Floats, x: Floats, spread: Floats, at: Departure, lowest: float, fastest: float, period_s: float
) -> PedalFault:
    """Weigh a departure: t in seconds (n,), x the travel, ``spread`` by ``shaking``, ``lowest`` that of a foot."""
    kick = max(_KICK, _KICK_SPREADS * float(spread[at.left]))
    inside, steps = x[at.left + 1 : at.back], np.diff(x[at.left : at.back + 1])
    size, seconds = np.abs(steps), min((at.back - at.left - 1) * period_s, _LONGEST_S)
    large = np.sign(steps[size > max(5 * float(spread[at.left]), 2 * kick, _REVERSED * float(size.max()))])
    reversals = int(np.count_nonzero(large[1:] != large[:-1]))
    to_and_fro = reversals >= max(_REVERSALS, _REVERSALS_PER_S * len(steps) * period_s)
    level = float(np.median(inside))
    depth = level - 0.5 * float(x[at.left] + x[at.back])
    kind: Kind = "below rest" if level < lowest else "jitter" if to_and_fro else "fall" if depth < 0 else "rise"
    away = float(np.std(steps)) if to_and_fro else abs(depth)
    evidence = _BY_CHANCE + _MARGIN * min(at.margin, _MOST_MARGIN)
    evidence += _SIZE * float(np.clip(np.log(max(away, 1e-6) / kick), -2.0, 2.0)) + _BELOW * (kind == "below rest")
    several, around = len(inside) > 1, np.diff(x[max(at.left - 1, 0) : at.back + 2])
    out = _edge(steps[0], around[0] if at.left else 0.0, steps[1] * several, fastest)
    back = _edge(steps[-1], steps[-2] * several, around[-1] if at.back + 1 < len(x) else 0.0, fastest)
    if min(x[at.left], x[at.back]) < lowest or (kind == "below rest" and max(out, back) < 0):
        evidence += _GRADUAL
    if not to_and_fro:
        evidence += _EDGE * (out + back) + _SECOND * seconds
        evidence += _FURTHER * bool(np.sign(steps[0]) == np.sign(steps[-1]))
        evidence += _AT_REST * (kind == "fall" and abs(float(inside.min())) < _REST - lowest / 2)
    start, end = 0.5 * float(t[at.left] + t[at.left + 1]), 0.5 * float(t[at.back - 1] + t[at.back])
    return PedalFault(start, end - start, float(x[at.left]), float(x[at.back]), depth, kind, float(evidence))


def sensor_odds(seen: Sequence[PedalFault], period_s: float = _USUAL_S) -> float:
    """Return the log odds of a worn track against a foot alone.

    In a band of the travel each departure is the sensor's or the foot's, by a share that is summed out as the band
    is. Readings come every ``period_s`` seconds.
    """
    place = np.array([each.travel for each in seen])
    slower = max(float(np.log2(max(period_s, 1e-3) / _USUAL_S)), 0.0)
    odds = np.minimum([each.evidence for each in seen], _MOST) + _BOOST - slower
    gain = np.log(1 - _SHARES + _SHARES * np.exp(odds))
    totals = gain @ (np.abs(place[:, None] - _BANDS) < _BAND)
    return log_mean(totals.ravel()) + _SELDOM


def pedal_faults(seen: Sequence[PedalFault], odds: float) -> list[PedalFault]:
    """Return the departures that are the sensor's, in time order; ``odds`` by :func:`sensor_odds`."""
    return [each for each in seen if each.evidence > (_OF_WORN if odds >= _WORN else _PLAIN)]


def jitters(seen: Sequence[PedalFault]) -> list[PedalFault]:
    """Return the faults, those that follow at once put together as one jitter."""
    found: list[PedalFault] = []
    for each in seen:
        if found and each.t - found[-1].t - found[-1].duration <= _TOGETHER_S:
            first = found.pop()
            found.append(replace(first, duration=each.t + each.duration - first.t, kind="jitter"))
        else:
            found.append(each)
    return found
