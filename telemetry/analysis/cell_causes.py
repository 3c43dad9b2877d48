"""How likely each cause is for one cell, given what it lacks, how far it swings and what it resists.

Bayes' rule over a few simple stories, each with what it leads one to expect of three figures of a cell against the
middle one: charge missing where the cells are fullest, stretch (more swing for the same ampere-hours) and excess of
resistance. A cell of less capacity resists more by as much as it has less; that keeps it from being called a bad
joint. Each figure is believed by its own doubt and by how far the pack's other cells scatter, with somewhat heavy
tails (Student's t).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.model.batch import Values

SOUND, FULLER = "sound", "fuller"
LOW_CAPACITY, LOW_CHARGE, HIGH_RESISTANCE = "low-capacity", "low-charge", "high-resistance"
PRIOR = {SOUND: 0.95, LOW_CAPACITY: 0.015, LOW_CHARGE: 0.015, HIGH_RESISTANCE: 0.015, FULLER: 0.005}
"""One cell in twenty is odd, whichever way: a pack that is looked at has an odd cell as like as not. Ours."""
USUAL_MISSING, USUAL_STRETCH, USUAL_EXCESS = 0.003, 0.005, 0.016
"""How far cells of a sound pack scatter at least, one standard deviation. Common practice, from memory."""
_FREEDOM = 40.0
_BALANCED = (0.0, 0.06, 0.12, 0.2, 0.35, 0.6, 1.0)


@dataclass(frozen=True, slots=True)
class Figures:
    """One cell's three figures against the middle cell, each with its doubt and the scatter of the other cells.

    Attributes:
        values: missing charge, stretch, excess of resistance; NaN where unknown.
        doubts: one standard deviation each.
        scatter: of the other cells, one standard deviation each.
    """

    values: tuple[float, ...]
    doubts: tuple[float, ...]
    scatter: tuple[float, ...]


def _stories() -> dict[str, Values]:
    """Return for each cause the (missing, stretch, excess) it may lead to, float64 (cases, 3), equally likely."""
    lack = np.geomspace(0.012, 0.15, 24)
    nothing = np.zeros_like(lack)
    joint = np.geomspace(0.1, 2.0, 36)
    # balanced where it was fullest it lacks nothing there, balanced where it was emptiest it is full that much sooner
    stretch, where = (grid.ravel() for grid in np.meshgrid(np.linspace(0.03, 0.15, 25), _BALANCED))
    return {
        SOUND: np.zeros((1, 3)),
        LOW_CAPACITY: np.stack([-stretch * where, stretch, stretch], axis=1),
        LOW_CHARGE: np.stack([lack, nothing, nothing], axis=1),
        HIGH_RESISTANCE: np.stack([np.zeros_like(joint), np.zeros_like(joint), joint], axis=1),
        FULLER: np.stack([-lack, nothing, nothing], axis=1),
    }


_STORIES = _stories()


def weigh(figures: Figures) -> dict[str, float]:
    """Return the probability of each cause; they add up to 1."""
    weights = {cause: math.log(PRIOR[cause]) + _log_evidence(cases, figures) for cause, cases in _STORIES.items()}
    most = max(weights.values())
    total = sum(math.exp(each - most) for each in weights.values())
    return {cause: math.exp(each - most) / total for cause, each in weights.items()}


def _log_evidence(cases: Values, figures: Figures) -> float:
    told = np.zeros(len(cases))
    for column in range(3):
        value = figures.values[column]
        if math.isnan(value):
            continue
        width = math.hypot(figures.doubts[column], figures.scatter[column])
        # a resistance of twice the others' is not known to a thousandth of itself
        off = (value - cases[:, column]) / np.hypot(width, 0.05 * cases[:, column])
        told -= np.log(width) + (_FREEDOM + 1) / 2 * np.log1p(off**2 / _FREEDOM)
    most = float(told.max())
    return most + math.log(float(np.exp(told - most).mean()))


def scatter_of(values: Values, place: int, least: float) -> tuple[float, float]:
    """Return the middle of the cells other than ``place`` and how far they scatter, no less than ``least``."""
    rest: npt.NDArray[np.float64] = np.delete(values, place)
    rest = rest[~np.isnan(rest)]
    if not len(rest):
        return 0.0, least
    middle = float(np.median(rest))
    return middle, max(least, 1.4826 * float(np.median(np.abs(rest - middle))))
