"""Where the controller gave less than the pedal asked for, while its supply was there.

At every row the controller either does its job or does not; which of the two, over the whole drive, is found by
dynamic programming (Viterbi). Doing it costs where the current is outside what was asked, give or take some rows;
not doing it costs where the current is above what may be left of it. Output that goes or comes back does so by the
lag that was learnt, so both have a memory: the share of the output that is still missing, in steps. Every change
from doing to not doing has a price, so noise does not buy one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats, Indices, RowSpan, around, runs, stretches
from telemetry.analysis.fault_isolation.pedal_map import shifted
from telemetry.analysis.fault_isolation.response import Response, without

_AGAIN = 0.4
"""Share of the price for a cut while the output still comes back from another."""
_LEFT = 0.5
"""Share of the output that a cut may leave."""
_STEPS = 7
_INDEPENDENT = 0.3
"""Share of the rows that count as new: what the fit leaves is alike from one row to the next."""
_MOST = 6.0
_PRICE = 10.0
"""Evidence, in natural-logarithm odds, that each cut has to bring."""
_SLACK = 2
"""Rows by which the answer may come earlier or later than learnt."""
_WRONG, _WRONG_WITHOUT_SPEED = 0.1, 0.35
"""Share by which the learnt answer may be out."""
_UNSTEADY = 0.03
"""Share by which other consumers may change from one moment to the next."""
_HOLDING = 0.02  # what a row of failing costs at least
_NEVER = 1e3
_APART_ROWS, _MARGIN_ROWS = round(3 / STEP_S), 8
"""Rows between which nothing is amiss, from which what is before and after is judged by itself."""
_LONGEST_S = 3.0
_SOON_ROWS = 6
_AGAIN_ROWS = 6
_LEAST_LOAD, _LEFT_OVER, _HELD, _RELEASED = 0.12, 0.25, 0.95, 0.04
"""Shares: of the highest current from which its end counts, of it that is left, of the throttle that is kept, of the
current from which it is back, and of travel at which nothing is asked for (by both simulators)."""
_STOPPED = 0.75
_BY_EVIDENCE, _NO_EVIDENCE, _MOST_WEIGHT = 0.4, 4.0, 9.0
"""A shortfall's weight is this share of its evidence beyond that of a wrong answer, up to the most: one in some
thousand seconds of sound drives of both simulators has a large shortfall that nothing explains."""
_MOST_LEFT_OUT = 0.25
_MISSING = (0.35, 2.0)
"""Share of what the throttle asks for that a large shortfall lacks: less is a hill, more a misread row. Set on
simulated drives."""
_LARGE = (5.0, 0.1)
"""What a large shortfall is asked for: deviations of the fit, and share of the highest."""
_TOP_SPEED = 0.96


@dataclass(frozen=True, slots=True)
class Shortfall(RowSpan):
    """The current stayed behind what the pedal asked for.

    Attributes:
        asked: mean traction current that the pedal asked for, A.
        missing: share of it that did not come; above 1 where other consumers stopped as well.
        significance: mean shortfall in robust deviations of the fit.
        evidence: natural-logarithm odds that the output was cut and the fit is not just out.
    """

    asked: float
    missing: float
    significance: float
    evidence: float

    @property
    def stopped(self) -> bool:
        """Whether all of it was gone, or about all."""
        return self.missing > _STOPPED

    @property
    def weight(self) -> float:
        """Log likelihood ratio against a wrong idea of what was asked for."""
        return min(_BY_EVIDENCE * (self.evidence - _NO_EVIDENCE), _MOST_WEIGHT)


def quick_stops(current: Floats, travel: Floats, usable: Flags) -> list[RowSpan]:
    """Return from where the current was gone at once, though the throttle held, until some flows or is asked no more.

    Args:
        current: A (n,), none NaN.
        travel: share of pedal travel (n,), none NaN.
        usable: rows that count.
    """
    low, top = np.quantile(current[usable], [0.05, 0.99])
    soon = np.lib.stride_tricks.sliding_window_view(np.pad(travel, (0, _SOON_ROWS), mode="edge"), _SOON_ROWS + 1)
    much, least = current - low, _LEAST_LOAD * (top - low)
    gone = usable & (much > least) & (shifted(much, -_SOON_ROWS) < _LEFT_OVER * much)
    gone &= soon.min(axis=1) > _HELD * travel
    found = []
    for start, end in runs(gone):
        fell, low_at = start + int(np.argmin(np.diff(current[start : end + _SOON_ROWS]))) + 1, end - 1 + _SOON_ROWS
        back = (much[low_at:] > least) | (travel[low_at:] < _RELEASED)
        found.append(RowSpan(fell, low_at + (int(back.argmax()) if back.any() else len(back))))
    return found


def shortfalls(
    response: Response, t: Floats, current: Floats, usable: Flags, stops: Sequence[RowSpan]
) -> tuple[list[Shortfall], Response]:
    """Return every time in which the controller gave clearly too little, and what it made of the pedal otherwise.

    What was learnt with the cuts among the rows is learnt anew without them.

    Args:
        response: what the pedal asked for.
        t: seconds (n,).
        current: A (n,).
        usable: rows in which the supply was there and the signals are known.
        stops: by :func:`quick_stops`: nothing is learnt from them; one that begins in a shortfall begins another.
    """
    learnt = usable & ~around(stops, len(t), 0, 0)
    falls = [stop.start for stop in stops]
    found = _cuts(response, current, usable, falls)
    sound = learnt & ~around([cut for cut in found if cut.duration_s < _LONGEST_S], len(t), 3, 8)
    if found and sound.sum() > (1 - _MOST_LEFT_OUT) * learnt.sum():
        response = without(response, t, current, sound)
        found = _cuts(response, current, usable, falls)
    return found, response


def _cuts(response: Response, current: Floats, usable: Flags, falls: Sequence[int]) -> list[Shortfall]:
    """Return every cut that is worth its price; where not ``usable`` nothing is a cut."""
    asked = np.maximum(response.expected, 0.0)
    given = np.maximum(current - response.base, 0.0)  # what comes back is no cut
    missing = np.exp(-STEP_S / max(response.how.lag_s, STEP_S) * np.arange(_STEPS))
    missing[-1] = 0.0
    wrong = _WRONG_WITHOUT_SPEED if response.terms.speeds.shape[1] == 1 else _WRONG
    doing, failing = _costs(asked, given, _unsure(response), missing, wrong)
    failing[:, ~usable] = _NEVER
    off: Flags = np.zeros(len(asked), dtype=np.bool_)
    gain = np.maximum(doing[0] - failing.min(axis=0), 0.0)
    for first, last in stretches(np.flatnonzero(gain > 0), _APART_ROWS, _MARGIN_ROWS, len(off)):
        part = slice(first, last)
        if gain[part].sum() + (doing[0] - doing.min(axis=0))[part].sum() > _PRICE:  # else it is not worth its price
            off[part] = _likeliest(doing[:, part], failing[:, part], missing)
    off[[fall - 1 for fall in falls if off[max(fall - _AGAIN_ROWS, 0) : fall + 1].all()]] = False
    saved = doing[0] - failing[-1]
    found = []
    for start, end in runs(off):
        evidence = float(np.maximum(saved[start:end], -1.0).sum())
        if evidence > _PRICE and end < len(off):
            mean = float(response.expected[start:end].mean())
            short = float((response.expected + response.base - current)[start:end].mean())
            found.append(Shortfall(start, end, mean, short / max(mean, 1e-6), short / response.spread, evidence))
    return found


def _unsure(response: Response) -> Floats:
    """Return by how much the current may be off what was learnt (n,), A: one standard deviation."""
    return np.hypot(response.spread, _UNSTEADY * response.base)


def _costs(asked: Floats, given: Floats, spread: Floats, missing: Floats, wrong: float) -> tuple[Floats, Floats]:
    """Return what each step of doing (steps, n) and of failing costs, by the square of the deviation."""
    around = np.stack([shifted(asked, rows) for rows in range(-_SLACK, _SLACK + 1)])
    low, high = around.min(axis=0), around.max(axis=0)

    def cost(less: Floats, more: Floats) -> Floats:
        deviation = np.sqrt(spread**2 + (wrong * high) ** 2)
        out = np.maximum(np.maximum(less - given, given - more), 0.0) / deviation
        costs: Floats = 0.5 * _INDEPENDENT * np.minimum(out, _MOST) ** 2
        return costs

    doing = np.stack([cost((1 - share) * low, high) for share in missing[::-1]])
    left = _LEFT + (1 - _LEFT) * missing
    failing = np.stack([cost(-0.5 * high - spread, share * high) + _HOLDING for share in left])
    return doing, failing


def _likeliest(doing: Floats, failing: Floats, missing: Floats) -> Flags:
    """Return the rows (n,) in which the cheapest sequence fails.

    ``doing[0]`` is doing it in full, ``doing[k]`` with more and more missing; ``failing[0]`` is right after the fall
    began, ``failing[-1]`` with all of it gone.
    """
    steps, rows = doing.shape
    cost = np.concatenate([doing, failing])
    came, surcharge = _ways(missing)
    total = cost[:, 0] + np.concatenate([np.zeros(1), np.full(2 * steps - 1, _NEVER)])
    choice = np.zeros((rows, 2 * steps), dtype=np.int8)
    state = np.arange(2 * steps)
    for row in range(1, rows):
        through = total[came] + surcharge
        best = through.argmin(axis=1)
        choice[row] = came[state, best]
        total = through[state, best] + cost[:, row]
    at = int(total.argmin())
    off: Flags = np.zeros(rows, dtype=np.bool_)
    for row in range(rows - 1, -1, -1):
        off[row] = at >= steps
        at = int(choice[row, at]) if row else at
    return off


def _ways(missing: Floats) -> tuple[Indices, Floats]:
    """Return from which states each state can come (2 steps, most), and at which surcharge.

    Doing: 0 is full, k is k steps short of it, and each row brings it one step nearer. Failing: ``steps + k``, each
    row one step further down. Changing over keeps the share that is missing, about.
    """
    steps = len(missing)
    ways: list[list[tuple[int, float]]] = [[] for _ in range(2 * steps)]
    lacking_doing, lacking_failing = missing[::-1], 1 - missing
    for k in range(steps):
        ways[max(k - 1, 0)].append((k, 0.0))
        ways[steps + min(k + 1, steps - 1)].append((steps + k, 0.0))
        begins = steps + int(np.argmin(np.abs(lacking_failing - lacking_doing[k])))
        ways[begins].append((k, _AGAIN * _PRICE if k else _PRICE))
        ways[int(np.argmin(np.abs(lacking_doing - lacking_failing[k])))].append((steps + k, 0.0))
    most = max(len(way) for way in ways)
    filled = [way + [(0, _NEVER)] * (most - len(way)) for way in ways]
    came = np.array([[before for before, _ in way] for way in filled])
    return came, np.array([[added for _, added in way] for way in filled])


def failings(found: Sequence[Shortfall], response: Response, speed: Floats | None) -> tuple[Shortfall, ...]:
    """Return those of the shortfalls that are the output's failing; ``speed`` (n,), or None where it is not known."""
    least = np.maximum(_LARGE[0] * _unsure(response), _LARGE[1] * float(np.quantile(response.expected, 0.98)))
    large = [each for each in found if each.asked > least[each.start] and _MISSING[0] <= each.missing <= _MISSING[1]]
    return tuple(each for each in large if speed is None or not _at_top_speed(each, speed))


def _at_top_speed(short: Shortfall, speed: Floats) -> bool:
    """Tell whether a limit of the speed explains it: the machine went as fast as ever."""
    near = np.nan_to_num(speed[max(short.start - 3, 0) : short.start + 8])
    return bool(near.max() > _TOP_SPEED * float(np.nanquantile(speed, 0.998)))
