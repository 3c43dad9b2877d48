"""How likely a force against the motion is a fault and not the ground: odds against a sound machine.

A sound machine's motion resistance is that of its tyres on the ground: from memory 2 to 4 % of the weight on hard
ground, 4 to 9 % on turf, more on soft soil, as the tables of ASABE D497 range. Neither ground nor slope is known, and
over some minutes the slopes do not quite cancel. So one drive can tell only what stands well beyond that. Earlier
drives of the same machine narrow it down: what it usually takes is known then, and the same drag stands out more.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log, sqrt

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats

USUAL, USUAL_FACTOR = 0.05, 0.36
"""Motion resistance over weight on the grounds such machines go on: median, and deviation of its logarithm."""
SLOPES = 0.014
"""What slopes leave over a drive of some minutes, one standard deviation."""
LEAST_DRAG, MOST_DRAG = 0.03, 0.11
"""A brake that rubs by less is within what the ground does; by more, the machine hardly moves."""
BY_PEDAL = 0.15
"""Weight of the figure by the pedal; a pedal that is not proportional to force misleads it."""
LEAST_EARLIER = 2
DAY_TO_DAY = 0.012
"""How much one machine's motion resistance differs from one drive to another, by weather, place and load."""
FAMILIAR = 0.8
"""How far earlier drives are trusted to tell what this one should have taken; it may go on other ground."""
_CLEAR = 0.18
"""Beyond this it only gets clearer, and the odds need not grow."""
_LEVELS = np.arange(0.001, 0.4, 0.002)


def level_of(by_power: float, by_pedal: float) -> float:
    """Return the force against the motion over weight by both ways of weighing it."""
    near = min(max(by_pedal, by_power - 0.03), by_power + 0.03)
    return (1 - BY_PEDAL) * by_power + BY_PEDAL * near


def odds_of_drag(level: float, deviation: float, earlier: Sequence[float] = ()) -> float:
    """Return the natural-logarithm odds of a steady drag against a sound machine.

    Args:
        level: force against the motion over weight, mean over the drive.
        deviation: its standard deviation, slopes left out.
        earlier: the same of earlier drives of this machine.
    """
    sound = _normalised(np.exp(-0.5 * (np.log(_LEVELS / USUAL) / USUAL_FACTOR) ** 2) / _LEVELS)
    if len(earlier) >= LEAST_EARLIER:
        usual = float(np.median(earlier))
        spread = max(DAY_TO_DAY, float(np.std(earlier)))
        sound = FAMILIAR * _normalised(np.exp(-0.5 * ((_LEVELS - usual) / spread) ** 2)) + (1 - FAMILIAR) * sound
    added = _normalised(((_LEVELS >= LEAST_DRAG) & (_LEVELS <= MOST_DRAG)).astype(np.float64))
    dragged = np.convolve(sound, added)[: len(_LEVELS)]
    seen = np.exp(-0.5 * ((_LEVELS - min(level, _CLEAR)) / sqrt(deviation**2 + SLOPES**2)) ** 2)
    return log(float(seen @ dragged) + 1e-9) - log(float(seen @ sound) + 1e-9)


def _normalised(weights: Floats) -> Floats:
    shares: Floats = weights / weights.sum()
    return shares
