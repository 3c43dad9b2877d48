"""Plain faults of a pedal's signal, told while driving: edges that no foot makes, and trembling too fast for one.

A foot that is quick in one reading is quick in the readings beside it; an edge of a worn track or a broken wire
stands alone. A signal that stops just where the pedal rests was let go. Only what is plain by itself is told here;
slight faults, which take the whole drive to be believed, are left to ``isolate``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.departure_evidence import foot_speed
from telemetry.analysis.fault_isolation.drive import Flags, Floats
from telemetry.analysis.fault_isolation.response import PedalRange

_LEAST_STEP, _LEAST_DEPTH, _SAME_SPOT, _AT_REST = 0.10, 0.2, 0.12, 0.03  # shares of travel
_TIMES_BESIDE, _TIMES_FOOT, _TIMES_BACK = 2.5, 1.25, 3.0
_LONGEST_S = 0.7
_TURN, _SLOW_TURN, _TURNS = 0.06, 0.2, 3  # shares of travel on both sides; a shaken foot turns 8 times a second
_QUICK_READING_S, _TREMBLES_WITHIN_S = 0.07, 0.75


@dataclass(frozen=True, slots=True)
class PedalEdge:
    """The signal left the foot at ``t`` (s) by ``depth`` (share of travel; negative where it fell)."""

    t: float
    depth: float


def pedal_edges(t: Floats, volts: Floats, limits: PedalRange, fastest: float = 0.0) -> list[PedalEdge]:
    """Return where the signal left the foot at once and came back at once to where it was, or fell below its rest.

    Args:
        t: s (n,), increasing.
        volts: V (n,), none NaN.
        limits: the pedal's range.
        fastest: the furthest that the foot is known to move from reading to reading, V.
    """
    width = limits.top - limits.rest
    step, sharp = _sharp(t, volts, limits)
    edges = np.flatnonzero(sharp).tolist()
    plain = _TIMES_FOOT * max(width * foot_speed(step / width, float(np.median(np.diff(t)))), fastest)
    found: list[PedalEdge] = []
    used = -1
    for place, edge in enumerate(edges):
        if edge <= used:
            continue
        others = edges[place + 1 : place + 6]
        back = next((other for other in others if _is_way_back(t, volts, step, edge, other, width)), None)
        inside = float(np.median(volts[edge + 1 : (edge if back is None else back) + 1 + (back is None)]))
        below = inside < limits.rest - max(8 * limits.noise, 0.05 * width)
        let_go = not below and inside < limits.rest + max(4 * limits.noise, _AT_REST * width)
        edge_found = PedalEdge(float(0.5 * (t[edge] + t[edge + 1])), (inside - float(volts[edge])) / width)
        if back is None:
            if below and step[edge] < -plain:
                found.append(edge_found)
            continue
        used = back
        came_back = abs(volts[back + 1] - volts[edge]) < _SAME_SPOT * width and t[back] - t[edge] < _LONGEST_S
        far = min(abs(step[edge]), abs(step[back])) > plain and abs(edge_found.depth) >= _LEAST_DEPTH
        if below or (far and came_back and not let_go):
            found.append(edge_found)
    return found


def trembles(t: Floats, volts: Floats, limits: PedalRange) -> list[float]:
    """Return the times, s, at which the signal began to go to and fro faster than a foot; the same arguments."""
    if len(t) < _TURNS + 2:
        return []
    step = np.diff(volts) / (limits.top - limits.rest)
    quick = float(np.median(np.diff(t))) < _QUICK_READING_S
    least = max(_TURN if quick else _SLOW_TURN, 8 * limits.noise / (limits.top - limits.rest))
    turns = t[1:-1][(step[1:] * step[:-1] < 0) & (np.minimum(np.abs(step[1:]), np.abs(step[:-1])) > least)]
    last = turns[_TURNS - 1 :]
    first = turns[: len(last)]
    return [float(begin) for begin in first[last - first < _TREMBLES_WITHIN_S]]


def _sharp(t: Floats, volts: Floats, limits: PedalRange) -> tuple[Floats, Flags]:
    """Return the steps between readings, V, and which of them stand alone."""
    width = limits.top - limits.rest
    step, time_step = np.diff(volts), np.diff(t)
    sign = np.sign(step)
    before = np.concatenate([[0.0], step[:-1]]) * sign
    after = np.concatenate([step[1:], [0.0]]) * sign
    beside = np.maximum(np.maximum(before, after), 0.02 * width)
    even = time_step < 2.5 * float(np.median(time_step))
    least = max(_LEAST_STEP * width, 8 * limits.noise)
    return step, (np.abs(step) > least) & (np.abs(step) > _TIMES_BESIDE * beside) & even


def _is_way_back(t: Floats, volts: Floats, step: Floats, edge: int, other: int, width: float) -> bool:
    """Tell whether ``other`` undoes ``edge``; a far larger step does not, it is a fault of its own."""
    return bool(
        t[other] - t[edge] <= 1.2
        and step[other] * step[edge] < 0
        and abs(step[other]) < _TIMES_BACK * abs(step[edge])
        and np.ptp(volts[edge + 1 : other + 1]) < _SAME_SPOT * width
    )
