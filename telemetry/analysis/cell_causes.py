"""How likely each cause is for one cell, given what it lacks, how far it swings and what it resists.

Bayes' rule over a few simple stories, each with what it leads one to expect of three figures of a cell against the
middle one: charge missing at one end of the session's swing, stretch (more swing for the same ampere-hours) and
excess of resistance. The end is that at which the voltages show its charge best: full after a charge, empty after a
deep discharge. A cell of less capacity resists more by as much as it has less; that keeps it from being called a bad
joint. Each figure is believed by its own doubt and by how far the pack's other cells scatter, with somewhat heavy
tails (Student's t).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from telemetry.model.batch import Values

SOUND, FULLER = "sound", "fuller"
LOW_CAPACITY, LOW_CHARGE, HIGH_RESISTANCE = "low-capacity", "low-charge", "high-resistance"
_ODD_IN_A_PACK = 0.6
_SHARES = {LOW_CAPACITY: 0.3, LOW_CHARGE: 0.3, HIGH_RESISTANCE: 0.3, FULLER: 0.1}
"""A pack that is looked at has an odd cell as like as not, however many cells it has; and which way. Ours."""
USUAL_MISSING, USUAL_STRETCH, USUAL_EXCESS = 0.002, 0.005, 0.025
"""How far cells of a sound pack scatter at least, one standard deviation. Common practice, from memory."""
_FREEDOM = 40.0
_NEAR_EMPTY = (0.0, 0.0, 0.0, 0.05, 0.15, 0.4)
"""By how much more a cell may resist that is nearer to empty than the others. Ours."""
_BALANCED = (0.0, 0.06, 0.12, 0.2, 0.35, 0.6, 1.0)


@dataclass(frozen=True, slots=True)
class Figures:
    """One cell's three figures against the middle cell, each with its doubt and the scatter of the other cells.

    Attributes:
        values: missing charge, stretch, excess of resistance; NaN where unknown.
        doubts: one standard deviation each.
        scatter: of the other cells, one standard deviation each.
        swing: from the fullest to where the charge is missing, as a share of the capacity: 0 at the full end.
        charged_full: whether the full end is a full charge; else the cells may have been alike only above it.
    """

    chance: Values
    values: Values
    doubts: Values
    scatter: tuple[float, ...]
    swing: float = 0.0
    charged_full: bool = True


def _stories() -> dict[str, Values]:
    """Return for each cause the (missing, stretch, excess) it may lead to, float64 (cases, 3), equally likely."""
    lack = np.geomspace(0.012, 0.15, 24)
    nothing = np.zeros_like(lack)
    joint = np.geomspace(0.2, 2.0, 28)
    low, near_empty = (grid.ravel() for grid in np.meshgrid(lack, _NEAR_EMPTY))
    return {
        SOUND: np.zeros((1, 3)),
        LOW_CHARGE: np.stack([low, np.zeros_like(low), near_empty], axis=1),
        HIGH_RESISTANCE: np.stack([np.zeros_like(joint), np.zeros_like(joint), joint], axis=1),
        FULLER: np.stack([-lack, nothing, nothing], axis=1),
    }


def _low_capacity(balanced: tuple[float, ...]) -> Values:
    """Return the cases of a cell of less capacity.

    Balanced where the cells were fullest it lacks nothing there; balanced below, it is full that much sooner.
    """
    stretch, where = (grid.ravel() for grid in np.meshgrid(np.linspace(0.03, 0.15, 25), balanced))
    return np.stack([-stretch * where, stretch, stretch], axis=1)


_STORIES = _stories()
_LOW_CAPACITY = {True: _low_capacity(_BALANCED), False: _low_capacity((-0.6, -0.4, -0.2, -0.1, *_BALANCED))}


def weigh(figures: Figures, cells: int) -> dict[str, float]:
    """Return the probability of each cause, for one of so many ``cells``; they add up to 1."""
    stories = {**_STORIES, LOW_CAPACITY: _LOW_CAPACITY[figures.charged_full]}
    odd = _ODD_IN_A_PACK / cells
    prior = {SOUND: 1 - odd, **{cause: odd * share for cause, share in _SHARES.items()}}
    weights = {cause: math.log(prior[cause]) + _log_evidence(cases, figures) for cause, cases in stories.items()}
    most = max(weights.values())
    total = sum(math.exp(each - most) for each in weights.values())
    return {cause: math.exp(each - most) / total for cause, each in weights.items()}


def _log_evidence(cases: Values, figures: Figures) -> float:
    cases = cases + figures.swing * cases[:, 1:2] * np.array([1.0, 0.0, 0.0])
    known = ~np.isnan(figures.values).any(axis=0)
    cases, values = cases[:, known], figures.values[:, None, known]
    variance = figures.doubts[:, None, known] ** 2 + np.array(figures.scatter)[known] ** 2
    # a resistance of twice the others' is not known to a thousandth of itself
    off2 = (values - cases) ** 2 / (variance + (0.05 * cases) ** 2)
    # logarithms of products of three at most, for there are many cases
    told = -0.5 * (np.log(variance.prod(axis=2)) + (_FREEDOM + 1) * np.log((1.0 + off2 / _FREEDOM).prod(axis=2)))
    most = float(told.max())
    return most + math.log(float((figures.chance[:, None] * np.exp(told - most)).sum()) / len(cases) + 1e-300)


def scatter_of(values: Values, place: int, least: float) -> tuple[float, float]:
    """Return the middle of the cells other than ``place`` and how far they scatter, no less than ``least``."""
    rest: Values = np.delete(values, place)
    rest = rest[~np.isnan(rest)]
    if not len(rest):
        return 0.0, least
    middle = float(np.median(rest))
    return middle, max(least, 1.4826 * float(np.median(np.abs(rest - middle))))
