"""Where the controller gave less than the pedal asked for, while its supply was there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.analysis.fault_isolation.cuts import FIRST, PROVEN, Cut, Demands, cuts
from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.response import Response, without

_NEAR_ROWS, _EVERY_ROWS = round(3 / STEP_S), 10
_PLAIN_CUTS = 2
_TURNS = 2
_LONGEST_S = 3.0
_MOST_LEFT_OUT = 0.25
_BY_RIVALS = 0.5


@dataclass(frozen=True, slots=True)
class Shortfall:
    """The current stayed behind what the pedal asked for.

    Attributes:
        start, end: rows, the end not included.
        asked: mean traction current that the pedal asked for, A.
        missing: share of it that did not come; above 1 where other consumers stopped as well.
        current: mean current meanwhile, A.
        before: highest current in the half second before, A.
        voltage_before: lowest voltage in the third of a second before, V; NaN where unknown.
        significance: mean shortfall in robust deviations of the fit.
        evidence: natural-logarithm odds that the output was cut and the fit is not just out.
    """

    start: int
    end: int
    asked: float
    missing: float
    current: float
    before: float
    voltage_before: float
    significance: float
    evidence: float


def shortfalls(
    response: Response, t: Floats, current: Floats, voltage: Floats | None, usable: Flags
) -> tuple[list[Shortfall], Response]:
    """Return every time in which the controller gave clearly too little, and what it made of the pedal otherwise.

    What was learnt with the cuts among the rows is learnt anew without them.

    Args:
        response: what the pedal asked for.
        t: seconds (n,).
        current: A (n,).
        voltage: V (n,) at the controller or pack, or None.
        usable: rows in which the supply was there and the signals are known.
    """
    found = _cuts(response, current, usable, FIRST)
    for _ in range(_TURNS):
        if not found:
            break
        sound = usable & ~_within(found, len(t))
        if sound.sum() > (1 - _MOST_LEFT_OUT) * usable.sum():
            response = without(response, t, current, sound)
        proven = sum(cut.evidence > 2 * FIRST.price for cut in found) >= _PLAIN_CUTS
        found = _cuts(response, current, usable, PROVEN if proven else FIRST)
    told = [cut for cut in found if _by_rivals_too(cut, response, current)]
    return [_shortfall(cut, response, current, voltage) for cut in told], response


def _by_rivals_too(cut: Cut, response: Response, current: Floats) -> bool:
    """Tell whether the output lacks as well by answers that describe the drive nearly as well."""
    span = slice(cut.start, cut.end)
    lacks = float((response.expected + response.base - current)[span].mean())
    return all(float((rival - current)[span].mean()) > _BY_RIVALS * lacks for rival in response.rivals)


def _cuts(response: Response, current: Floats, usable: Flags, demands: Demands) -> list[Cut]:
    """Return the cuts; what the current usually exceeds the answer by, near by, is another consumer's."""
    usual, beyond = _exceeding(response, current)
    return cuts(response, current - usual, beyond, usable, demands)


def _within(found: list[Cut], rows: int) -> Flags:
    inside: Flags = np.zeros(rows, dtype=np.bool_)
    for cut in found:
        if (cut.end - cut.start) * STEP_S < _LONGEST_S:
            inside[max(cut.start - 3, 0) : cut.end + 8] = True
    return inside


def _shortfall(cut: Cut, response: Response, current: Floats, voltage: Floats | None) -> Shortfall:
    span = slice(cut.start, cut.end)
    asked = float(response.expected[span].mean())
    short = float((response.expected + response.base - current)[span].mean())
    before = slice(max(cut.start - 10, 0), cut.start + 1)
    volts = np.nan if voltage is None else float(np.min(voltage[max(cut.start - 6, 0) : cut.start + 2]))
    return Shortfall(
        cut.start, cut.end, asked, short / max(asked, 1e-6), float(current[span].mean()),
        float(current[before].max()), volts, short / response.spread, cut.evidence,
    )  # fmt: skip


def _exceeding(response: Response, current: Floats) -> tuple[Floats, Floats]:
    """Return by how much the current exceeds what was expected in the seconds around: median, and 90 % beyond it."""
    rest = current - response.base - response.expected
    near = sliding_window_view(np.pad(rest, _NEAR_ROWS, mode="reflect"), 2 * _NEAR_ROWS)[: len(rest) : _EVERY_ROWS]
    middle, high = np.quantile(near, [0.5, 0.9], axis=1)
    usual = np.maximum(middle, 0.0)
    beyond = np.maximum(high - usual, 0.0)
    return np.repeat(usual, _EVERY_ROWS)[: len(rest)], np.repeat(beyond, _EVERY_ROWS)[: len(rest)]
