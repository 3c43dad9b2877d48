"""Which sources of a recording are out of step, by how much, and what ``lag_s`` puts them in step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np

from telemetry.analysis.alignment_tracks import Track
from telemetry.analysis.delay import Delay, delay_by_blips, delay_by_changes

_NAMED = 3  # of many sources, the first of them
CONTROLLER_DELAY_S = 0.15
CONTROLLER_DELAY_UNCERTAINTY_S = 0.05
"""A motor controller follows the pedal after 0.1 to 0.2 s, its own ramp included; common practice, no standard's."""


@dataclass(frozen=True, slots=True)
class Relation:
    """Two signals that move together: ``second`` after ``first`` by ``delay_s``, with the sign of ``sign``."""

    first: str
    second: str
    sign: int = 1
    delay_s: float = 0.0
    uncertainty_s: float = 0.0


# The uncertainties are what filters and inductance may put between two quantities; common practice.
RELATIONS = (
    Relation("pack_voltage", "controller_voltage"),
    Relation("pack_voltage", "cell_min_voltage"),
    Relation("pack_voltage", "cell_max_voltage"),
    Relation("controller_voltage", "cell_min_voltage"),
    Relation("pack_current", "motor_current", uncertainty_s=0.02),
    Relation("pack_current", "pack_voltage", sign=-1, uncertainty_s=0.02),
    Relation("pack_current", "controller_voltage", sign=-1, uncertainty_s=0.02),
    Relation("pack_current", "cell_min_voltage", sign=-1, uncertainty_s=0.02),
    Relation("motor_speed", "vehicle_speed", uncertainty_s=0.05),
)
BLIP_RELATIONS = tuple(
    Relation("throttle_voltage", current, 1, CONTROLLER_DELAY_S, CONTROLLER_DELAY_UNCERTAINTY_S)
    for current in ("pack_current", "motor_current")
)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two sources, and the delay of the second behind the first, or the reason why it is not known.

    Attributes:
        first, second: the sources' names.
        delay: None where it is not known.
        signals: of the first and of the second source, that showed it.
        reasons: where the delay is not known, why; each once, with the signals concerned.
    """

    first: str
    second: str
    delay: Delay | None
    signals: tuple[str, str] = ("", "")
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SourceLag:
    """The lag of one source.

    Attributes:
        source: its name.
        lag_s: seconds by which its readings come later than those of the earliest source it is tied to, in all: what
            was stated while the recording was made is counted in.
        uncertainty_s: one standard deviation; 0 for the earliest, which the others are counted from.
        stated_s: what was stated while the recording was made.
        earliest: the source that it is counted from; its own name for that source itself.
    """

    source: str
    lag_s: float
    uncertainty_s: float
    stated_s: float
    earliest: str


def find_pairs(tracks: Sequence[Track]) -> list[Pair]:
    """Return one :class:`Pair` for every two sources among ``tracks``, in the order in which they first stand."""
    by_source: dict[str, list[Track]] = {}
    for track in tracks:
        by_source.setdefault(track.source, []).append(track)
    speed = [track for track in tracks if track.signal == "vehicle_speed"]
    return [_pair(first, second, speed) for first, second in combinations(by_source.values(), 2)]


def lags(pairs: Sequence[Pair], stated: Mapping[str, float]) -> list[SourceLag]:
    """Return what to state of every source that a found delay ties to another, the earliest of each such set first.

    Where three sources are tied in a ring, the two delays known best are taken. Uncertainties along a way add as
    squares, for they are independent.

    Args:
        pairs: as :func:`find_pairs` returns them.
        stated: ``lag_s`` by source, as it was in force while the recording was made; its rows were moved by it.
    """
    family: dict[str, str] = {}
    ties: dict[str, list[tuple[str, float, float]]] = {}  # to which other, how much later that one comes, variance
    known = [(pair, pair.delay) for pair in pairs if pair.delay is not None]
    for pair, delay in sorted(known, key=lambda each: each[1].uncertainty_s):
        first, second = (family.setdefault(source, source) for source in (pair.first, pair.second))
        if first != second:
            family = {source: first if head == second else head for source, head in family.items()}
            variance = delay.uncertainty_s**2
            ties.setdefault(pair.first, []).append((pair.second, delay.seconds, variance))
            ties.setdefault(pair.second, []).append((pair.first, -delay.seconds, variance))
    heads = dict.fromkeys(family.values())
    return [lag for head in heads for lag in _counted_from_earliest(head, ties, stated)]


def _counted_from_earliest(
    start: str, ties: Mapping[str, Sequence[tuple[str, float, float]]], stated: Mapping[str, float]
) -> list[SourceLag]:
    """Return the lag of every source that ``ties`` lead to from ``start``."""
    total = {source: place + stated.get(source, 0.0) for source, (place, _) in _walked(start, ties).items()}
    earliest = min(total, key=lambda source: total[source])
    variances = {source: variance for source, (_, variance) in _walked(earliest, ties).items()}
    return [
        SourceLag(
            source, total[source] - total[earliest], variances[source] ** 0.5, stated.get(source, 0.0), earliest
        )
        for source in sorted(total, key=lambda source: total[source])
    ]


def _walked(start: str, ties: Mapping[str, Sequence[tuple[str, float, float]]]) -> dict[str, tuple[float, float]]:
    """Return how much later than ``start`` every source comes that ``ties`` lead to, and the variance of that."""
    places = {start: (0.0, 0.0)}
    ahead = [start]
    while ahead:
        here = ahead.pop()
        for other, seconds, variance in ties.get(here, ()):
            if other not in places:
                places[other] = (places[here][0] + seconds, places[here][1] + variance)
                ahead.append(other)
    return places


def _pair(tracks_of_first: Sequence[Track], tracks_of_second: Sequence[Track], speed: Sequence[Track]) -> Pair:
    """Return how far the second source lags the first, by the pair of signals that shows it best."""
    names = (tracks_of_first[0].source, tracks_of_second[0].source)
    found: list[Pair] = []
    reasons: dict[str, list[str]] = {}
    for one, other in product(tracks_of_first, tracks_of_second):
        for relation, turned in _relations(one.signal, other.signal):
            first, second = (other, one) if turned else (one, other)
            told = _told(first, second, relation, speed)
            if isinstance(told, str):
                reasons.setdefault(told, []).append(f"{first.signal} and {second.signal}")
            else:
                delay = replace(told, seconds=-told.seconds) if turned else told
                found.append(Pair(*names, delay, (one.signal, other.signal)))
    none = "they share no signal, and neither has throttle_voltage where the other has a pack or motor current"
    told_why = tuple(f"{_listed(which)}: {why}" for why, which in reasons.items())
    nothing = Pair(*names, None, reasons=told_why or (none,))
    return min(found, key=lambda pair: pair.delay.uncertainty_s if pair.delay else np.inf, default=nothing)


def _listed(which: Sequence[str]) -> str:
    """Return each of ``which`` once; of many the first three and how many more."""
    each = list(dict.fromkeys(which))
    return ", ".join(each if len(each) <= _NAMED + 1 else [*each[:_NAMED], f"and {len(each) - _NAMED} more"])


def _relations(first: str, second: str) -> list[tuple[Relation, bool]]:
    """Return what ties two signals, each with whether it holds the other way round."""
    if first == second:
        return [(Relation(first, second), False)]
    every = RELATIONS + BLIP_RELATIONS
    forth = [(each, False) for each in every if (each.first, each.second) == (first, second)]
    return forth + [(each, True) for each in every if (each.first, each.second) == (second, first)]


def _told(first: Track, second: Track, relation: Relation, speed: Sequence[Track]) -> Delay | str:
    """Return the delay of ``second`` behind ``first`` beyond the relation's own, or why it is not known."""
    if relation in BLIP_RELATIONS:
        told = delay_by_blips((first.t, first.values), (second.t, second.values), [(s.t, s.values) for s in speed])
    else:
        told = delay_by_changes((first.t, first.values), (second.t, second.values), relation.sign)
    if isinstance(told, str):
        return told
    uncertainty = float(np.hypot(told.uncertainty_s, relation.uncertainty_s))
    return replace(told, seconds=told.seconds - relation.delay_s, uncertainty_s=uncertainty)
