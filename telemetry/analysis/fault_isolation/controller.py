"""Where the controller gave less than the pedal asked for, while its supply was there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.response import Response, shifted

_SPREADS = 4.5
_EAGER_SPREADS = 2.2
_EAGER_SHARE = 0.4
_LEAST_SHARE = 0.45
_LEAST_S = 0.13
_JOIN_S = 0.16
_SLACK_ROWS = 3
_EXCESS = 2.0
_EAGER_EXCESS = 0.8
_NEAR_ROWS = round(3 / STEP_S)


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
    """

    start: int
    end: int
    asked: float
    missing: float
    current: float
    before: float
    voltage_before: float
    significance: float


def shortfalls(
    response: Response, current: Floats, voltage: Floats | None, usable: Flags, eager: bool = False
) -> list[Shortfall]:
    """Return every time from about an eighth of a second in which the controller gave clearly too little.

    Args:
        response: what the pedal asked for.
        current: A (n,).
        voltage: V (n,) at the controller or pack, or None.
        usable: rows in which the supply was there and the signals are known.
        eager: take slighter ones too, as is right once plain ones have shown that the controller does it.
    """
    spreads, share, slack = (_EAGER_SPREADS, _EAGER_SHARE, 1) if eager else (_SPREADS, _LEAST_SHARE, _SLACK_ROWS)
    asked = response.expected
    for rows in range(1, slack + 1):  # a controller is quicker at letting go than at giving
        asked = np.minimum(asked, np.minimum(shifted(response.expected, rows), shifted(response.expected, -rows)))
    short = asked + response.base - current
    top = float(np.quantile(response.expected[usable], 0.98))
    least = np.maximum(np.maximum(spreads * response.spread, share * asked), 0.05 * top)
    excess = _local_excess(current - response.base - response.expected)
    least = np.maximum(least, (_EAGER_EXCESS if eager else _EXCESS) * excess)
    flags = (short > least) & usable & (response.travel > 0.03)
    found: list[Shortfall] = []
    for start, end in _runs(flags):
        if (end - start) * STEP_S < _LEAST_S:
            continue
        first = _onset(start, current, response, usable)
        asked_here = float(response.expected[start:end].mean())
        short_here = float((response.expected + response.base - current)[start:end].mean())
        before = slice(max(first - 10, 0), first + 1)
        volts = np.nan if voltage is None else float(np.min(voltage[max(first - 6, 0) : first + 2]))
        found.append(
            Shortfall(
                first,
                end,
                asked_here,
                short_here / max(asked_here, 1e-6),
                float(current[start:end].mean()),
                float(current[before].max()),
                volts,
                short_here / response.spread,
            )
        )
    return found


def _local_excess(rest: Floats) -> Floats:
    """Return by how much the current exceeded what was expected in the seconds around (90 %): the fit's error."""
    every = 10
    blocks = [np.quantile(rest[max(k - _NEAR_ROWS, 0) : k + _NEAR_ROWS], 0.9) for k in range(0, len(rest), every)]
    return np.maximum(np.repeat(np.array(blocks), every)[: len(rest)], 0.0)


def _runs(flags: Flags) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0))
    runs: list[tuple[int, int]] = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and (start - runs[-1][1]) * STEP_S <= _JOIN_S:
            runs[-1] = (runs[-1][0], end)
        else:
            runs.append((start, end))
    return runs


def _onset(start: int, current: Floats, response: Response, usable: Flags) -> int:
    """Return where the shortfall that is plain at ``start`` began: back to where the current stood as it should."""
    row = start
    while row > 0 and start - row < 8 and usable[row - 1]:
        short = response.expected[row - 1] + response.base[row - 1] - current[row - 1]
        if short < 1.5 * response.spread:
            break
        row -= 1
    return row
