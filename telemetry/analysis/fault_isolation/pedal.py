"""The pedal sensor: a foot cannot jump, so a jump of the signal is the sensor's or its wire's.

A foot moves a pedal smoothly: where it is quick in one reading it is quick in the readings beside it. An edge of a
worn track or a broken wire stands alone: everything happens between two readings. An edge counts where it is many
times the signal's noise and several times what the signal moved right before and after it in the same direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import Flags, Floats
from telemetry.analysis.fault_isolation.response import PedalRange

_LEAST_STEP = 0.10
_TIMES_BESIDE = 2.5
_TIMES_FOOT = 1.25
_LEAST_FOOT = 0.2
_LONGEST_S = 1.2
_TIMES_BACK = 3.0
"""A far larger step is not the way back from a slight one, but a fault of its own."""


@dataclass(frozen=True, slots=True)
class PedalFault:
    """The signal left the foot.

    Attributes:
        t: seconds, last reading that was right.
        duration: seconds until the first reading that is right again.
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
        lone_edges: edges with no partner.
    """

    faults: tuple[PedalFault, ...]
    band: tuple[float, float] | None
    crossings: int
    lone_edges: int


def pedal_faults(t: Floats, pedal: Floats, limits: PedalRange) -> PedalFindings:
    """Find drop-outs, spikes and jitter.

    Args:
        t: seconds (n,), as recorded, no resampling.
        pedal: V (n,), none NaN.
        limits: the pedal's range.
    """
    width = limits.top - limits.rest
    step, sharp = _sharp_edges(t, pedal, limits)
    sign = np.sign(step)
    edges = np.flatnonzero(sharp)
    fastest = foot_speed(step, width)
    strong: list[PedalFault] = []
    weak: list[PedalFault] = []
    used, lone = -1, 0
    for place, edge in enumerate(edges):
        if edge <= used:
            continue
        partner = next(
            (
                other
                for other in edges[place + 1 : place + 6]
                if t[other] - t[edge] <= _LONGEST_S
                and sign[other] == -sign[edge]
                and abs(step[other]) < _TIMES_BACK * abs(step[edge])
                and np.ptp(pedal[edge + 1 : other + 1]) < 0.12 * width
            ),
            None,
        )
        if partner is None:
            alone = abs(step[edge]) > _TIMES_FOOT * fastest
            lone += alone
            if (
                alone and sign[edge] < 0 and edge + 2 < len(pedal)
            ):  # it fell at once, and the foot had gone before it came back
                strong.append(_fault(t, pedal, limits, int(edge), _until_moved(pedal, int(edge), width)))
            continue
        fault = _fault(t, pedal, limits, int(edge), int(partner))
        beyond = min(abs(step[edge]), abs(step[partner])) > _TIMES_FOOT * fastest
        (strong if beyond or fault.below_rest else weak).append(fault)
        used = int(partner)
    found = sorted(strong + _believed(strong, weak), key=lambda fault: fault.t)
    merged = _merged(found)
    return PedalFindings(tuple(merged), _band(merged), _crossings(pedal, limits, _band(merged)), lone)


def _sharp_edges(t: Floats, pedal: Floats, limits: PedalRange) -> tuple[Floats, Flags]:
    """Return the steps between readings, and which of them stand alone."""
    width = limits.top - limits.rest
    step = np.diff(pedal)
    time_step = np.diff(t)
    least = max(_LEAST_STEP * width, 8 * limits.noise)
    sign = np.sign(step)
    before = np.concatenate([[0.0], step[:-1]]) * sign
    after = np.concatenate([step[1:], [0.0]]) * sign
    beside = np.maximum(np.maximum(before, after), 0.02 * width)
    even = time_step < 2.5 * (float(np.median(time_step)) if len(time_step) else 1.0)
    return step, (np.abs(step) > least) & (np.abs(step) > _TIMES_BESIDE * beside) & even


def foot_speed(step: Floats, width: float) -> float:
    """Return the furthest that this foot moved between two readings, V, as it did several times.

    A movement of a foot takes more than one reading: two steps on end in the same direction, neither of them slight.
    A foot that was never quick in the drive could still have been, by about 4 travels a second.
    """
    one, two = np.abs(step[1:]), np.abs(step[:-1])
    moved = (np.sign(step[1:]) == np.sign(step[:-1])) & (np.minimum(one, two) > 0.3 * np.maximum(one, two))
    quick = np.sort(np.maximum(one, two)[moved])
    return max(float(quick[-3]) if len(quick) > 3 else 0.0, _LEAST_FOOT * width)


def _until_moved(pedal: Floats, edge: int, width: float) -> int:
    """Return the last reading near the level that the signal fell to, a second at the most."""
    inside = pedal[edge + 1 : edge + 8]
    moved = np.flatnonzero(np.abs(inside - inside[0]) > 0.03 * width)
    return edge + (int(moved[0]) if len(moved) else 1)


def _believed(strong: list[PedalFault], weak: list[PedalFault]) -> list[PedalFault]:
    """Return those slight drop-outs that lie where the plain ones do, or that are several at one spot of travel."""
    dips = [fault for fault in weak if fault.depth < 0]
    plain = [fault.travel for fault in strong]
    if len(plain) >= 2:
        low, high = min(plain) - 0.08, max(plain) + 0.08
        return [fault for fault in dips if low <= fault.travel <= high]
    if len(dips) >= 4 and float(np.std([fault.travel for fault in dips])) < 0.09:
        return dips
    return []


def _fault(t: Floats, pedal: Floats, limits: PedalRange, edge: int, partner: int) -> PedalFault:
    width = limits.top - limits.rest
    left, inside, back = pedal[edge], float(np.median(pedal[edge + 1 : partner + 1])), pedal[partner + 1]
    start = 0.5 * (t[edge] + t[edge + 1])
    end = 0.5 * (t[partner] + t[partner + 1])
    below = inside < limits.rest - max(8 * limits.noise, 0.05 * width)
    what = "drop-out" if inside < left else "spike"
    return PedalFault(
        float(start), float(end - start), float((left - limits.rest) / width), float((back - limits.rest) / width),
        float((inside - left) / width), what, below,
    )  # fmt: skip


def _merged(found: list[PedalFault]) -> list[PedalFault]:
    """Return runs of faults that follow within a quarter of a second as one jitter."""
    merged: list[PedalFault] = []
    for fault in found:
        if merged and fault.t - (merged[-1].t + merged[-1].duration) < 0.25:
            last = merged[-1]
            merged[-1] = PedalFault(
                last.t, fault.t + fault.duration - last.t, last.travel, fault.back, last.depth, "jitter",
                last.below_rest or fault.below_rest,
            )  # fmt: skip
        else:
            merged.append(fault)
    return merged


def _band(found: list[PedalFault]) -> tuple[float, float] | None:
    if len(found) < 2:
        return None
    low, high = np.quantile([fault.travel for fault in found], [0.1, 0.9])
    return float(low), float(high)


def _crossings(pedal: Floats, limits: PedalRange, band: tuple[float, float] | None) -> int:
    if band is None:
        return 0
    middle = limits.rest + 0.5 * (band[0] + band[1]) * (limits.top - limits.rest)
    above = pedal > middle
    return int(np.count_nonzero(above[1:] != above[:-1]))
