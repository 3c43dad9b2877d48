"""Which shortfalls of the output are failings: large beside the fit and other consumers, no limit of the speed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from telemetry.analysis.fault_isolation.controller import Shortfall
from telemetry.analysis.fault_isolation.drive import Floats
from telemetry.analysis.fault_isolation.response import Response

_MISSING = (0.35, 2.0)
"""Share of what the throttle asks for that a large shortfall lacks: less is a hill, more a misread row. Set on
simulated drives."""
_PLAIN = 20.0
"""Evidence of a shortfall, log odds, from which it proves that the controller cuts."""
_LARGE, _LARGE_PROVEN = (5.0, 0.1), (3.0, 0.05)
"""What a shortfall is asked for: deviations of the fit, and share of the highest; less once the controller cuts."""
_TOP_SPEED, _NEAR_TOP_SPEED, _KEPT_SPEED = 0.96, 0.86, 0.98
_SPEED_LATE_ROWS, _LONG_ROWS = 5, 8
"""A speed signal comes up to a quarter of a second late; that the machine slows down shows from some 0.4 s."""


def failings(found: Sequence[Shortfall], response: Response, speed: Floats | None) -> tuple[Shortfall, ...]:
    """Return those of the shortfalls that are the output's failing; ``speed`` (n,), or None where it is not known."""
    top = float(np.quantile(response.expected, 0.98))
    proven = sum(each.evidence > _PLAIN and each.asked > _LARGE[1] * top for each in found) > 1
    deviations, share = _LARGE_PROVEN if proven else _LARGE
    least = max(deviations * response.spread, share * top)
    large = [each for each in found if each.asked > least and _MISSING[0] <= each.missing <= _MISSING[1]]
    return tuple(each for each in large if speed is None or not _at_top_speed(each, speed))


def _at_top_speed(short: Shortfall, speed: Floats) -> bool:
    """Tell whether a limit of the speed explains it: the machine went as fast as ever, or fast and did not slow down.

    A controller holds back a part near its highest speed by design; one that fails lets the machine slow down, or
    gives nothing at all.
    """
    top = float(np.nanquantile(speed, 0.998))
    near = np.nan_to_num(speed[max(short.start - 3, 0) : max(short.end, short.start + 3) + _SPEED_LATE_ROWS])
    if near[:11].max() > _TOP_SPEED * top:
        return True
    kept = near[-_SPEED_LATE_ROWS:].max() > _KEPT_SPEED * near.max()
    long = short.end - short.start >= _LONG_ROWS
    return bool(not short.stopped and long and near.max() > _NEAR_TOP_SPEED * top and kept)
