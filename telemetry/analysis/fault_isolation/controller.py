"""Where the controller gave less than the pedal asked for, while its supply was there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.cuts import FIRST, PROVEN, Cut, cuts
from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.response import Response, without

_PLAIN_CUTS = 2
_TURNS = 2
_LONGEST_S = 3.0
_MOST_LEFT_OUT = 0.25


@dataclass(frozen=True, slots=True)
class Shortfall:
    """The current stayed behind what the pedal asked for.

    Attributes:
        start, end: rows, the end not included.
        asked: mean traction current that the pedal asked for, A.
        missing: share of it that did not come; above 1 where other consumers stopped as well.
        significance: mean shortfall in robust deviations of the fit.
        evidence: natural-logarithm odds that the output was cut and the fit is not just out.
    """

    start: int
    end: int
    asked: float
    missing: float
    significance: float
    evidence: float


def shortfalls(response: Response, t: Floats, current: Floats, usable: Flags) -> tuple[list[Shortfall], Response]:
    """Return every time in which the controller gave clearly too little, and what it made of the pedal otherwise.

    What was learnt with the cuts among the rows is learnt anew without them.

    Args:
        response: what the pedal asked for.
        t: seconds (n,).
        current: A (n,).
        usable: rows in which the supply was there and the signals are known.
    """
    found = cuts(response, current, usable, FIRST)
    for _ in range(_TURNS):
        if not found:
            break
        sound = usable & ~_within(found, len(t))
        if sound.sum() > (1 - _MOST_LEFT_OUT) * usable.sum():
            response = without(response, t, current, sound)
        proven = sum(cut.evidence > 2 * FIRST.price for cut in found) >= _PLAIN_CUTS
        found = cuts(response, current, usable, PROVEN if proven else FIRST)
    return [_shortfall(cut, response, current) for cut in found], response


def _within(found: Sequence[Cut], rows: int) -> Flags:
    inside: Flags = np.zeros(rows, dtype=np.bool_)
    for cut in found:
        if (cut.end - cut.start) * STEP_S < _LONGEST_S:
            inside[max(cut.start - 3, 0) : cut.end + 8] = True
    return inside


def _shortfall(cut: Cut, response: Response, current: Floats) -> Shortfall:
    span = slice(cut.start, cut.end)
    asked = float(response.expected[span].mean())
    short = float((response.expected + response.base - current)[span].mean())
    return Shortfall(cut.start, cut.end, asked, short / max(asked, 1e-6), short / response.spread, cut.evidence)
