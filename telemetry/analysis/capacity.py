"""Usable capacity: charge counted between two anchors, moments at which the state of charge is known independently.

One pair gives ``Q = charge / swing`` with ``(sQ/Q)² = (s1² + s2²) / swing² + (s_charge / charge)²``. Several pairs,
of one session or of many, are joined by weighted total least squares, which allows for errors in both charge and
swing: the capacity is where ``sum (charge - Q swing)² / (s_charge² + Q² s_swing²)`` is least (G. L. Plett, "Recursive
approximate weighted total least squares estimation of battery cell total capacity", J. Power Sources 196 (2011)
2319-2331; from memory). Its uncertainty is from the curvature there, and never less than what all pairs have in
common: the gain of the current sensor and the open-circuit table.

A small swing is rejected: 2 % at both ends of a 40 % swing makes 7 % of capacity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.charge_blocks import Blocks, cut_blocks
from telemetry.analysis.current_offset import CurrentOffset
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.instruments import USUAL_CURRENT_GAIN
from telemetry.analysis.open_circuit import charge_uncertainty, open_circuit_tables
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.state_of_charge import ChargeEstimate, cell_volts
from telemetry.machine.sections import Pack
from telemetry.model.time_text import length

LEAST_SWING = 0.35
"""Least swing of the state of charge between two anchors for a capacity."""
MOST_UNCERTAINTY = 0.08
"""Relative standard deviation above which a capacity is not given."""

_RESTING_C = 0.01
_LEAST_REST_BLOCKS = 90
_MOST_OF_A_REST = 0.04


@dataclass(frozen=True, slots=True)
class KnownCharge:
    """An anchor: a moment at which the charge is known independently; shares 0 to 1.

    Attributes:
        t: microseconds.
        counted_ah: charge out since the session's start.
        share, uncertainty: of charge, one standard deviation.
        ground: in words: ``a full charge``, ``rest of 40 min``.
    """

    t: int
    counted_ah: float
    share: float
    uncertainty: float
    ground: str


@dataclass(frozen=True, slots=True)
class CapacityPair:
    """Charge counted between two anchors.

    Attributes:
        charge_ah, charge_uncertainty_ah: counted, positive.
        swing, swing_uncertainty: share of charge between them, 0 to 1, positive.
        basis: in words.

    """

    charge_ah: float
    charge_uncertainty_ah: float
    swing: float
    swing_uncertainty: float
    basis: str

    @property
    def capacity_ah(self) -> float:
        """Charge over swing, Ah."""
        return self.charge_ah / self.swing

    @property
    def uncertainty_ah(self) -> float:
        """One standard deviation of :attr:`capacity_ah`, by propagation, Ah."""
        relative = np.hypot(self.charge_uncertainty_ah / self.charge_ah, self.swing_uncertainty / self.swing)
        return float(self.capacity_ah * relative)


@dataclass(frozen=True, slots=True)
class UsableCapacity:
    """What the pack holds, or why that is not known.

    Attributes:
        usable_ah, uncertainty_ah: capacity and one standard deviation, Ah; None where unknown.
        basis: how it was found, or why it is not known and what would help.
        pairs: what it was made from; to be joined with those of other sessions.

    """

    usable_ah: float | None
    uncertainty_ah: float | None
    basis: str
    pairs: tuple[CapacityPair, ...] = ()


def two_point_pair(first: KnownCharge, second: KnownCharge, offset_ah: float, gain: float) -> CapacityPair:
    """Return the pair of two known moments.

    Args:
        first, second: in any order.
        offset_ah: one standard deviation of the charge that an unknown offset may have added between them, Ah.
        gain: relative standard deviation of the current sensor's gain.

    """
    charge = abs(second.counted_ah - first.counted_ah)
    return CapacityPair(
        charge,
        float(np.hypot(offset_ah, gain * charge)),
        abs(first.share - second.share),
        float(np.hypot(first.uncertainty, second.uncertainty)),
        f"from {first.ground} to {second.ground}",
    )


def find_capacity(
    series: SessionSeries,
    pack: Pack,
    offset: CurrentOffset,
    estimate: ChargeEstimate,
    gain: float = USUAL_CURRENT_GAIN,
) -> UsableCapacity:
    """Return the usable capacity by one session alone; ``gain``: of the current sensor, one standard deviation."""
    known = known_charges(series, pack, offset, estimate)
    if len(known) < 2:
        wish = "charge to full, drive to near empty and let it rest half an hour, all in one recording"
        count = "no anchor" if not known else f"only one anchor ({known[0].ground})"
        return UsableCapacity(
            None, None, f"this session has {count} for the state of charge, and it takes two; {wish}"
        )
    pairs = []
    for number, first in enumerate(known):
        for second in known[number + 1 :]:
            hours = (second.t - first.t) / 3.6e9
            pair = two_point_pair(first, second, offset.uncertainty_a * hours, gain)
            agree = (first.share - second.share) * (second.counted_ah - first.counted_ah) > 0
            if pair.swing >= LEAST_SWING and agree:
                pairs.append(pair)
    if not pairs:
        widest = max(abs(a.share - b.share) for a in known for b in known)
        return UsableCapacity(
            None,
            None,
            f"the widest swing between two anchors was {100 * widest:.0f} %; it takes {100 * LEAST_SWING:.0f} %",
        )
    # pairs of one session share their ends, so only the most certain counts
    return join_capacities([min(pairs, key=lambda pair: pair.uncertainty_ah / pair.capacity_ah)])


def join_capacities(pairs: Sequence[CapacityPair], common: float = USUAL_CURRENT_GAIN) -> UsableCapacity:
    """Return one capacity of pairs of several sessions, by weighted total least squares.

    Args:
        pairs: independent of each other, one a session.
        common: relative standard deviation that all have in common.

    """
    if not pairs:
        return UsableCapacity(None, None, "no session had a wide enough swing between two anchors")
    charge = np.array([pair.charge_ah for pair in pairs])
    swing = np.array([pair.swing for pair in pairs])
    of_charge = np.array([pair.charge_uncertainty_ah for pair in pairs])
    of_swing = np.array([pair.swing_uncertainty for pair in pairs])
    middle = float((charge / swing).mean())
    grid = middle * np.linspace(0.3, 3.0, 5401)

    def misfit(capacity: np.ndarray) -> np.ndarray:
        each = (charge - capacity[:, None] * swing) ** 2 / (of_charge**2 + (capacity[:, None] * of_swing) ** 2)
        return np.asarray(each.sum(axis=1))

    best = float(grid[np.argmin(misfit(grid))])
    near = best * (1.0 + np.linspace(-0.001, 0.001, 2001))
    best = float(near[np.argmin(misfit(near))])
    h = 0.002 * best
    low, mid, high = misfit(np.array([best - h, best, best + h]))
    curvature = max((low - 2 * mid + high) / h**2, 1e-12)
    spread = float(np.hypot(np.sqrt(2.0 / curvature), common * best if len(pairs) > 1 else 0.0))
    if spread > MOST_UNCERTAINTY * best:
        return UsableCapacity(
            None,
            None,
            "the swing between the anchors is too small for its uncertainty; "
            "it takes a full charge and a rest near empty in one session",
            tuple(pairs),
        )
    basis = pairs[0].basis if len(pairs) == 1 else f"{len(pairs)} sessions, least squares; {pairs[-1].basis}"
    return UsableCapacity(best, spread, basis, tuple(pairs))


def known_charges(
    series: SessionSeries, pack: Pack, offset: CurrentOffset, estimate: ChargeEstimate
) -> list[KnownCharge]:
    """Return the anchors in time order: full charges and long rests."""
    current, volts = series.get("pack_current"), cell_volts(series, pack)
    if current is None or isinstance(volts, str) or not len(estimate.t):
        return []
    blocks = cut_blocks(
        (current.t, current.values - offset.value_a, GapRule().take(current.t)), (volts.t, volts.values)
    )
    if blocks.missing_s.max() > 60.0:
        return []  # charge went uncounted: what is before and after cannot be joined
    counted = np.cumsum(blocks.charge_ah)
    found = [
        KnownCharge(
            a.t,
            float(np.interp(a.t, blocks.t, counted)),
            a.pct / 100.0,
            a.uncertainty_pct / 100.0,
            "a full charge",
        )
        for a in estimate.anchors
    ]
    found += _rests(blocks, counted, pack)
    return sorted(found, key=lambda each: each.t)


def _rests(blocks: Blocks, counted: np.ndarray, pack: Pack) -> list[KnownCharge]:
    """Return the ends of rests of a quarter of an hour or more whose voltage lies off the plateau."""
    rate = blocks.current.mean(axis=1) / pack.capacity_ah
    resting = np.abs(rate) < _RESTING_C
    edges = np.flatnonzero(np.diff(np.concatenate([[0], resting.astype(np.int8), [0]])))
    table = open_circuit_tables(pack.chemistry)[0]
    found = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        last = blocks.volts[max(begin, end - 6) : end]
        if end - begin < _LEAST_REST_BLOCKS or np.isnan(last).all():
            continue
        volts = float(np.nanmean(last))
        share = float(table.share_at(volts))
        minutes = (end - begin) / 6
        unsettled = 0.004 * 30.0 / minutes / max(float(table.slope_at(share)), 0.05)
        spread = float(np.hypot(charge_uncertainty(pack.chemistry, share), unsettled))
        if spread <= _MOST_OF_A_REST and share < 0.97:
            found.append(
                KnownCharge(
                    int(blocks.t[end - 1]),
                    float(counted[end - 1]),
                    share,
                    spread,
                    f"rest of {length(60 * minutes)}",
                )
            )
    return found
