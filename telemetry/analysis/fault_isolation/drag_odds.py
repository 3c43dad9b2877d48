"""How likely a force against the motion is a fault and not the ground: odds against a sound machine.

A sound machine's motion resistance is that of its tyres on the ground: from memory 2 to 4 % of the weight on hard
ground, 4 to 9 % on turf, more on soft soil, as the tables of ASABE D497 range. Neither ground nor slope is known, and
over some minutes the slopes do not quite cancel. So one drive can tell only what stands well beyond that. Earlier
drives of the same machine narrow it down: what it usually takes is known then, and the same drag stands out more.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log

import numpy as np

from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.analysis.fault_isolation.force_balance import Force

USUAL, USUAL_FACTOR = 0.05, 0.36
"""Motion resistance over weight on the grounds such machines go on: median, and deviation of its logarithm."""
SLOPES, SLOPES_S, LEAST_SLOPES = 0.014, 120.0, 0.004
"""What slopes leave, one standard deviation, over so many seconds driven; and over any number of them (by the two
simulators; no course is level in the end)."""
LEAST_DRAG, MOST_DRAG = 0.03, 0.11
"""A brake that rubs by less is within what the ground does; by more, the machine hardly moves."""
LEAST_EARLIER = 2
DAY_TO_DAY = 0.012
"""How much one machine's motion resistance differs from one drive to another, by weather, place and load."""
FAMILIAR = 0.8
"""How far earlier drives are trusted to tell what this one should have taken; it may go on other ground."""
_CLEAR = 0.18
"""Beyond this it only gets clearer, and the odds need not grow."""
_LEVELS = np.arange(0.001, 0.4, 0.002)


def odds_of_drag(forces: Sequence[Force], earlier: Sequence[float] = ()) -> float:
    """Return the natural-logarithm odds of a steady drag against a sound machine.

    Args:
        forces: force against the motion in each piece of the drive, one at least.
        earlier: the same of earlier drives of this machine.
    """
    sound = _normalised(np.exp(-0.5 * (np.log(_LEVELS / USUAL) / USUAL_FACTOR) ** 2) / _LEVELS)
    if len(earlier) >= LEAST_EARLIER:
        usual = float(np.median(earlier))
        spread = max(DAY_TO_DAY, float(np.std(earlier)))
        sound = FAMILIAR * _normalised(np.exp(-0.5 * ((_LEVELS - usual) / spread) ** 2)) + (1 - FAMILIAR) * sound
    added = _normalised(((_LEVELS >= LEAST_DRAG) & (_LEVELS <= MOST_DRAG)).astype(np.float64))
    dragged = np.convolve(sound, added)[: len(_LEVELS)]
    level = float(np.mean([each.mean for each in forces]))
    variance = float(np.mean([each.deviation**2 for each in forces])) / len(forces)
    variance += max(SLOPES**2 * SLOPES_S / sum(each.driven_s for each in forces), LEAST_SLOPES**2)
    seen = np.exp(-0.5 * (_LEVELS - min(level, _CLEAR)) ** 2 / variance)
    return log(float(seen @ dragged) + 1e-9) - log(float(seen @ sound) + 1e-9)


def _normalised(weights: Floats) -> Floats:
    shares: Floats = weights / weights.sum()
    return shares
