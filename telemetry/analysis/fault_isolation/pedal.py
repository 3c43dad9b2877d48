"""The pedal sensor: where its signal leaves the foot's way, and whether that is the sensor's doing or its wire's.

A foot moves a pedal smoothly, is shaken by bumps, and is lifted in a hurry. A worn track loses contact at once and
finds it again at once, in one band of the travel. One departure may be either's; many in one band are the sensor's,
and then slight ones in that band are believed too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.departure_evidence import (
    Weighed,
    foot_speed,
    least_below_rest,
    usual_kick,
    weighed,
)
from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.analysis.fault_isolation.foot_path import departures, shaking
from telemetry.analysis.fault_isolation.point_process import log_mean
from telemetry.analysis.fault_isolation.response import PedalRange

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
_PLAIN, _WORN = 2.8, 2.5
"""Evidence from which one departure counts by itself, and from which those of a band are a worn track's together."""
_IN_BAND, _THROUGH_BAND, _BESIDE_BAND = -2.0, -1.0, 0.3
"""Evidence that is enough: in the band that is worn, where the foot went through it meanwhile, elsewhere."""
_PASSED = 0.04
_JITTER_ROWS = 2


@dataclass(frozen=True, slots=True)
class PedalFault:
    """The signal left the foot.

    Attributes:
        t: seconds, between the last reading that was right and the first that was not.
        duration: seconds until it is right again.
        travel: share of travel at which the signal left.
        depth: by how much it left, share of travel; negative where it fell.
        what: ``drop-out``, ``spike`` or ``jitter``.
        below_rest: it fell below the signal's resting value, as a broken wire does and no foot can.
    """

    t: float
    duration: float
    travel: float
    depth: float
    what: str
    below_rest: bool


@dataclass(frozen=True, eq=False)
class PedalTrace:
    """Where the readings left the foot: ``seen``, with ``t`` the seconds of every reading (n,)."""

    t: Floats
    seen: tuple[Weighed, ...] = ()


def pedal_trace(t: Floats, pedal: Floats, limits: PedalRange, fastest_v: float = 0.0) -> PedalTrace:
    """Find and weigh every departure of the signal from the foot's way.

    Args:
        t: seconds (n,), as recorded, no resampling.
        pedal: V (n,), none NaN.
        limits: the pedal's range.
        fastest_v: the furthest that the foot is known to move from reading to reading, V.
    """
    period = float(np.median(np.diff(t))) if len(t) >= _LEAST_READINGS else 1.0
    every = max(round(_LEAST_PERIOD_S / max(period, 1e-3) + 0.3), 1)
    t, period = t[::every], period * every
    width = limits.top - limits.rest
    travel, noise = (pedal[::every] - limits.rest) / width, limits.noise / width
    if len(t) < _LEAST_READINGS:
        return PedalTrace(t)
    surprise, spread = shaking(travel, noise)
    fastest = max(foot_speed(np.diff(travel), period), fastest_v / width)
    found = departures(travel, surprise, spread, -least_below_rest(noise), fastest, period)
    kick = usual_kick(travel, surprise, found)
    gap = np.diff(t) > _GAP_PERIODS * period
    whole = [each for each in found if not gap[each.left : each.back].any()]
    return PedalTrace(t, tuple(weighed(travel, spread, each, noise, fastest, kick, period) for each in whole))


def sensor_odds(seen: Sequence[Weighed], period_s: float = _USUAL_S) -> tuple[float, float]:
    """Return the log odds of a worn track against a foot alone, and the middle of the band that is likeliest worn.

    In the band each departure is the sensor's or the foot's, by a share that is summed out as the band is. Readings
    come every ``period_s`` seconds.
    """
    place = np.array([each.travel for each in seen])
    odds = (
        np.minimum([each.evidence for each in seen], _MOST) + _BOOST - max(float(np.log2(period_s / _USUAL_S)), 0.0)
    )
    gain = np.log(1 - _SHARES + _SHARES * np.exp(odds))
    totals = gain @ (np.abs(place[:, None] - _BANDS) < _BAND)
    return log_mean(totals.ravel()) + _SELDOM, float(_BANDS[int(np.argmax(totals.max(axis=0)))])


def pedal_faults(trace: PedalTrace, odds: float, worn: float) -> tuple[PedalFault, ...]:
    """Return the departures that are the sensor's, in time order; ``odds`` and ``worn`` by :func:`sensor_odds`."""
    band = worn if odds >= _WORN else None
    kept = [each for each in trace.seen if _believed(each, band)]
    return tuple(_fault(trace.t, group) for group in _jitters(kept))


def _believed(each: Weighed, worn: float | None) -> bool:
    """Tell whether a departure is the sensor's; ``worn`` is the middle of the band that is worn, if one is."""
    least = _PLAIN
    if worn is not None:
        low, high = sorted((each.travel, each.back))
        least = _BESIDE_BAND
        if abs(each.travel - worn) < _BAND:
            least = _IN_BAND
        elif low - _PASSED < worn < high + _PASSED:
            least = _THROUGH_BAND
    return each.evidence > least


def _jitters(kept: Sequence[Weighed]) -> list[list[Weighed]]:
    """Return the departures, those put together that follow at once and are not all to one side."""
    groups: list[list[Weighed]] = []
    for each in kept:
        last = groups[-1][-1] if groups else None
        follows = last is not None and each.departure.left - last.departure.back <= _JITTER_ROWS
        if last is not None and follows and ("jitter" in (each.kind, last.kind) or each.depth * last.depth < 0):
            groups[-1].append(each)
        else:
            groups.append([each])
    return groups


def _fault(t: Floats, group: Sequence[Weighed]) -> PedalFault:
    first, last = group[0], group[-1]
    start = 0.5 * float(t[first.departure.left] + t[first.departure.left + 1])
    end = 0.5 * float(t[last.departure.back - 1] + t[last.departure.back])
    what = "drop-out" if first.depth < 0 else "spike"
    if len(group) > 1 or first.kind == "jitter":
        what = "jitter"
    below = any(each.kind == "below rest" for each in group)
    return PedalFault(start, end - start, first.travel, first.depth, what, below)
