"""Quick blips of the pedal, as an operator makes them to show how far two sources are out of step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.model.batch import MICROSECONDS, Flags, Times, Values

_LEAST_READINGS = 5  # for a press and a release between rests
LONGEST_S = 1.2
SHORTEST_S = 0.05
APART_S = 6.0
"""Longest time from one blip of a series to the next."""
STANDSTILL_KMH = 2.0
"""Below it a machine counts as standing: a satellite receiver shows as much at rest; common practice."""
_LEAST_TRAVEL_V = 0.3
_UP, _DOWN = 0.4, 0.2
_IN_A_SERIES = 3


@dataclass(frozen=True, slots=True)
class Blip:
    """The pedal went down at ``start`` and was up again at ``end``, int microseconds, at 40 and 20 % of travel."""

    start: int
    end: int


def find_blips(t: Times, pedal: Values, speed: Sequence[tuple[Times, Values]] = ()) -> list[Blip]:
    """Return the blips in series of at least three, made while the machine stood or its speed is not known.

    A blip lasts no longer than about a second; nothing longer may lie within a series, and no pause of more than 6 s.

    Args:
        t: int64 microseconds, shape (rows,), ascending.
        pedal: the pedal sensor's signal, V, same shape, none unknown.
        speed: times and values (km/h) of every source that tells the speed.
    """
    series: list[Blip] = []
    found: list[Blip] = []
    for press in [*_presses(t, pedal), None]:
        quick = press is not None and SHORTEST_S <= (press.end - press.start) / MICROSECONDS <= LONGEST_S
        joins = press is not None and series and (press.start - series[-1].start) / MICROSECONDS <= APART_S
        stood = press is not None and _stood(press, speed)
        if not (quick and stood and joins):
            found += series if len(series) >= _IN_A_SERIES else []
            series = []
        if press is not None and quick and stood:
            series.append(press)
    return found


def _presses(t: Times, pedal: Values) -> list[Blip]:
    """Return every time the pedal went down and up again, by two thresholds so that noise makes none of its own."""
    if len(t) < _LEAST_READINGS:
        return []
    calm = np.median(np.lib.stride_tricks.sliding_window_view(pedal, 3), axis=1)  # a single stray reading is no press
    idle, top = float(np.quantile(calm, 0.05)), float(calm.max())
    if top - idle < _LEAST_TRAVEL_V:
        return []
    down = _held(calm > idle + _UP * (top - idle), calm < idle + _DOWN * (top - idle))
    steps = np.diff(down.astype(np.int8))
    starts, ends = np.flatnonzero(steps == 1) + 1, np.flatnonzero(steps == -1) + 1
    if down[0]:
        ends = ends[1:]  # it was down before the recording began, nobody knows for how long
    return [Blip(int(t[1 + a]), int(t[1 + b])) for a, b in zip(starts, ends, strict=False)]


def _held(on: Flags, off: Flags) -> Flags:
    """Return a switch that each True of ``on`` sets and each True of ``off`` resets; off at the beginning."""
    last = np.maximum.accumulate(np.where(on | off, np.arange(len(on)), 0))
    return on[last]


def _stood(press: Blip, speed: Sequence[tuple[Times, Values]]) -> bool:
    """Tell whether no source saw the machine move during the press; none that tells the speed is no objection."""
    for t, values in speed:
        first, last = np.searchsorted(t, [press.start - MICROSECONDS, press.end + MICROSECONDS])
        if (np.abs(values[first:last]) >= STANDSTILL_KMH).any():
            return False
    return True
