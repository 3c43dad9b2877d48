"""How many rows the current comes later than the pedal, a clock that is out of step included."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Floats

SEARCH_S = 1.5
OUT_OF_STEP_S = 0.4
"""A controller follows within 0.1 to 0.2 s, its ramp included (common practice); more is a clock out of step."""


def rows_late(travel: Floats, current: Floats) -> tuple[int, float]:
    """Return by how many rows the current's changes follow the travel's, and how well they match (-1 to 1)."""
    span = 6
    first = travel[span:] - travel[:-span]
    second = np.clip(current[span:] - current[:-span], *np.quantile(current[span:] - current[:-span], [0.01, 0.99]))
    reach = round(SEARCH_S / STEP_S)
    if len(first) < 4 * reach or first.std() < 1e-6 or second.std() < 1e-6:
        return 0, 0.0
    inner = slice(reach, len(first) - reach)
    asked = first[inner] - first[inner].mean()
    power = float(asked @ asked)
    matches = []
    for rows in range(-reach, reach + 1):
        answer = second[reach + rows : len(first) - reach + rows]
        answer = answer - answer.mean()
        matches.append(float(asked @ answer) / max((power * float(answer @ answer)) ** 0.5, 1e-9))
    best = int(np.argmax(matches))
    return best - reach, matches[best]
