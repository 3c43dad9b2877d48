"""Usable capacity: charge counted between two anchors, moments at which the state of charge is known independently.

One pair gives ``Q = charge / swing`` with ``(sQ/Q)² = (s1² + s2²) / swing² + (s_charge / charge)²``. Several pairs,
of one session or of many, are joined by weighted total least squares, which allows for errors in both charge and
swing: the capacity is where ``sum (charge - Q swing)² / (s_charge² + Q² s_swing²)`` is least (G. L. Plett, "Recursive
approximate weighted total least squares estimation of battery cell total capacity", J. Power Sources 196 (2011)
2319-2331; from memory). Its uncertainty is from the curvature there. What all sessions have in common (the gain of
the current sensor, the open-circuit table, the cells' imbalance) is left out of the fit and added once.

A stated capacity is no measurement: :func:`best_capacity` takes it for what it is, a figure that new cells mostly
keep within 3 % and used ones do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.capacity_anchors import KnownCharge, known_charges
from telemetry.analysis.current_offset import CurrentOffset
from telemetry.analysis.instruments import USUAL_CURRENT_GAIN
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.state_of_charge import ChargeEstimate
from telemetry.machine.pack_keys import Pack

_NO_WEIGHT = 1e-9  # of the stated and the measured capacity together: they exclude each other
LEAST_SWING = 0.25
"""Least swing of the state of charge between two anchors for a capacity: below, errors of the anchors dominate."""
MOST_UNCERTAINTY = 0.08
"""Relative standard deviation above which a capacity is not given."""
_STATED_HOLDS = 0.8
"""How likely a pack holds what its owner states, within the stated spread; else 0.5 to 1.2 times that. Ours."""


@dataclass(frozen=True, slots=True)
class CapacityPair:
    """Charge counted between two anchors.

    Attributes:
        charge_ah, charge_uncertainty_ah: counted, positive; the current sensor's gain left out.
        swing, swing_uncertainty: share of charge between them, 0 to 1, positive; what is common left out.
        basis: in words.
        gain, anchors: what pairs of one pack have in common, relative to the capacity: of the sensor, of the anchors.
    """

    charge_ah: float
    charge_uncertainty_ah: float
    swing: float
    swing_uncertainty: float
    basis: str
    gain: float = 0.0
    anchors: float = 0.0

    @property
    def capacity_ah(self) -> float:
        """Charge over swing, Ah."""
        return self.charge_ah / self.swing

    @property
    def uncertainty_ah(self) -> float:
        """One standard deviation of :attr:`capacity_ah`, by propagation, Ah."""
        return self.capacity_ah * float(np.sqrt(sum(part**2 for part in self.parts.values())))

    @property
    def parts(self) -> dict[str, float]:
        """What the uncertainty is made of, relative: ``offset``, ``gain``, ``anchors``."""
        return {
            "offset": self.charge_uncertainty_ah / self.charge_ah,
            "gain": self.gain,
            "anchors": float(np.hypot(self.swing_uncertainty / self.swing, self.anchors)),
        }


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
    swing = abs(first.share - second.share)
    return CapacityPair(
        abs(second.counted_ah - first.counted_ah),
        offset_ah,
        swing,
        float(np.hypot(first.uncertainty, second.uncertainty)),
        f"from {first.ground} to {second.ground}",
        gain,
        float(np.hypot(first.common, second.common)) / swing,
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
    if len(known) <= 1:
        wish = "charge to full, drive to near empty and let it rest half an hour, all in one recording"
        count = "no anchor" if not known else f"only one anchor ({known[0].ground})"
        return UsableCapacity(
            None, None, f"this session has {count} for the state of charge, and it takes two; {wish}"
        )
    pairs = []
    for number, first in enumerate(known):
        for second in known[number + 1 :]:
            hours = (second.t - first.t) / 3.6e9
            agree = (first.share - second.share) * (second.counted_ah - first.counted_ah) > 0
            if agree and abs(first.share - second.share) >= LEAST_SWING:
                pairs.append(two_point_pair(first, second, offset.uncertainty_a * hours, gain))
    if not pairs:
        widest = max(abs(a.share - b.share) for a in known for b in known)
        return UsableCapacity(
            None,
            None,
            f"the widest swing between two anchors was {100 * widest:.0f} %; it takes {100 * LEAST_SWING:.0f} %",
        )
    # pairs of one session share their ends, so only the most certain counts
    return join_capacities([min(pairs, key=lambda pair: pair.uncertainty_ah / pair.capacity_ah)])


def join_capacities(pairs: Sequence[CapacityPair]) -> UsableCapacity:
    """Return one capacity of pairs of several sessions, by weighted total least squares.

    Args:
        pairs: one a session, independent of each other but for what they have in common.

    """
    if not pairs:
        return UsableCapacity(None, None, "no session had a wide enough swing between two anchors")
    charge = np.array([pair.charge_ah for pair in pairs])
    swing = np.array([pair.swing for pair in pairs])
    of_charge = np.array([pair.charge_uncertainty_ah for pair in pairs]) + 1e-9
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
    sure = np.array([(pair.capacity_ah / pair.uncertainty_ah) ** 2 for pair in pairs])
    common = np.hypot([pair.gain for pair in pairs], [pair.anchors for pair in pairs])
    spread = float(np.hypot(np.sqrt(2.0 / curvature), best * float((sure * common).sum() / sure.sum())))
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


def best_capacity(pack: Pack, measured: UsableCapacity | None) -> tuple[float, float]:
    """Return what to count with, Ah, and one standard deviation: the stated capacity and what was measured together.

    Bayes' rule on a grid. A pack mostly holds what its owner states, within ``[pack] capacity_error_percent`` (3 %
    where that is not stated); else, worn or mislabelled, anything from half to 1.2 times as much. So a measurement
    that agrees sharpens the stated figure, and one that does not replaces it.
    """
    stated, spread = pack.capacity_ah, pack.capacity_ah * pack.capacity_spread
    if measured is None or measured.usable_ah is None or measured.uncertainty_ah is None:
        return stated, spread
    grid = stated * np.linspace(0.3, 1.6, 2601)
    holds = _STATED_HOLDS * np.exp(-0.5 * ((grid - stated) / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
    other = (1 - _STATED_HOLDS) * ((grid > 0.5 * stated) & (grid < 1.2 * stated)) / (0.7 * stated)
    weight = (holds + other + 1e-12) * np.exp(-0.5 * ((grid - measured.usable_ah) / measured.uncertainty_ah) ** 2)
    if weight.sum() < _NO_WEIGHT:
        return measured.usable_ah, measured.uncertainty_ah
    weight /= weight.sum()
    mean = float((weight * grid).sum())
    return mean, float(np.sqrt((weight * (grid - mean) ** 2).sum()))
