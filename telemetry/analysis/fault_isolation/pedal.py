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
from telemetry.analysis.fault_isolation.drive import Floats, runs
from telemetry.analysis.fault_isolation.foot_path import LONGEST_S, departures, shaking
from telemetry.analysis.fault_isolation.response import PedalRange

_LEAST_PERIOD_S = 0.04
"""A foot is not seen better by readings that are closer; of such ones some are left out."""
_GAP_PERIODS = 2.5
_PLAIN, _WORN = 2.8, 4.5
"""Evidence from which one departure counts by itself, and from which those of a band are a worn track's together."""
_IN_BAND, _THROUGH_BAND, _BESIDE_BAND = -2.0, -1.0, 0.3
"""Evidence that is enough: in the band that is worn, where the foot went through it meanwhile, elsewhere."""
_SENSOR_SHARE, _BOOST = 0.3, 1.7
_BAND, _BAND_AND_EDGES, _PASSED = 0.06, 0.08, 0.04
_JITTER_ROWS = 2


@dataclass(frozen=True, slots=True)
class PedalFault:
    """The signal left the foot.

    Attributes:
        t: seconds, between the last reading that was right and the first that was not.
        duration: seconds until it is right again.
        travel: share of travel at which the signal left.
        back: share of travel to which it came back.
        depth: by how much it left, share of travel; negative where it fell.
        what: ``drop-out``, ``spike`` or ``jitter``.
        below_rest: it fell below the signal's resting value, as a broken wire does and no foot can.
    """

    t: float
    duration: float
    travel: float
    back: float
    depth: float
    what: str
    below_rest: bool


@dataclass(frozen=True, eq=False)
class PedalFindings:
    """All of them, and how well they lie in one band of travel.

    Attributes:
        faults: in time order.
        band: lowest and highest travel at which the signal left, outermost tenths left out; None for fewer than two.
        crossings: how often the pedal passed through that band.
        evidence: for a bad sensor, of all departures in the band where it is strongest together, those too slight to
            count alone included; natural logarithm of a likelihood ratio, 0 for none.
    """

    faults: tuple[PedalFault, ...]
    band: tuple[float, float] | None
    crossings: int
    evidence: float


def pedal_faults(t: Floats, pedal: Floats, limits: PedalRange) -> PedalFindings:
    """Find drop-outs, spikes and jitter.

    Args:
        t: seconds (n,), as recorded, no resampling.
        pedal: V (n,), none NaN.
        limits: the pedal's range.
    """
    period = float(np.median(np.diff(t))) if len(t) > 3 else 1.0
    every = max(round(_LEAST_PERIOD_S / max(period, 1e-3) + 0.3), 1)
    t, period = t[::every], period * every
    width = limits.top - limits.rest
    travel, noise = (pedal[::every] - limits.rest) / width, limits.noise / width
    if len(t) < 4:
        return PedalFindings((), None, 0, 0.0)
    travel = travel - _lower_rest(travel, least_below_rest(noise), round(LONGEST_S / period))
    surprise, spread = shaking(travel, noise)
    fastest = foot_speed(np.diff(travel), period)
    found = departures(travel, surprise, spread, -least_below_rest(noise), fastest, period)
    kick = usual_kick(travel, surprise, found)
    gap = np.diff(t) > _GAP_PERIODS * period
    whole = [each for each in found if not gap[each.left : each.back].any()]
    seen = [weighed(travel, spread, each, noise, fastest, kick, period) for each in whole]
    middle, evidence = _worn_band(seen)
    kept = [each for each in seen if _believed(each, middle if evidence >= _WORN else None)]
    faults = tuple(_fault(t, group) for group in _jitters(kept))
    band = _band(faults)
    return PedalFindings(faults, band, _crossings(travel, band), evidence)


def _lower_rest(travel: Floats, least: float, rows: int) -> float:
    """Return a rest that is lower than was thought, 0 for none.

    A foot that hardly ever rests is thought to rest where it mostly is. A broken wire is not below that at the start
    or twice for longer than a sensor is off (``rows``).
    """
    stays = [(first, last) for first, last in runs(travel < -least) if last - first > rows]
    if not stays or (len(stays) < 2 and stays[0][0] > 0):
        return 0.0
    return float(np.median(np.concatenate([travel[first:last] for first, last in stays])))


def _worn_band(seen: Sequence[Weighed]) -> tuple[float, float]:
    """Return the middle of the band of travel where departures speak most for the sensor, and how much they do.

    Of the departures in the band of a worn track some are still the foot's: each counts as the likelihood of such a
    mixture against that of the foot alone.
    """
    best = 0.0, 0.0
    if not seen:
        return best
    place = np.array([each.travel for each in seen])
    odds = np.array([each.evidence for each in seen])
    gain = np.log(1 - _SENSOR_SHARE + _SENSOR_SHARE * np.exp(np.minimum(odds, 30.0) + _BOOST))
    for middle in np.arange(0.02, 1.0, 0.02).tolist():
        total = float(gain[np.abs(place - middle) < _BAND].sum())
        if total > best[1]:
            best = middle, total
    return best


def _believed(each: Weighed, worn: float | None) -> bool:
    """Tell whether a departure is the sensor's; ``worn`` is the middle of the band that is worn, if one is."""
    least = _PLAIN
    if worn is not None:
        low, high = sorted((each.travel, each.back))
        least = _BESIDE_BAND
        if abs(each.travel - worn) < _BAND_AND_EDGES:
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
    return PedalFault(start, end - start, first.travel, last.back, first.depth, what, below)


def _band(found: Sequence[PedalFault]) -> tuple[float, float] | None:
    if len(found) < 2:
        return None
    low, high = np.quantile([fault.travel for fault in found], [0.1, 0.9])
    return float(low), float(high)


def _crossings(travel: Floats, band: tuple[float, float] | None) -> int:
    if band is None:
        return 0
    above = travel > 0.5 * (band[0] + band[1])
    return int(np.count_nonzero(above[1:] != above[:-1]))
