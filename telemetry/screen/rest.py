"""What a machine at rest shows: since when, what it draws, and how fast its cells still drift."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.model.batch import MICROSECONDS, Values
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.strip import LENGTH, Strip
from telemetry.screen.formats import age_text
from telemetry.screen.settled import REST_ABOVE_STANDBY_A

_STANDS_KMH = 0.5
_LEAST_S = 30
_DRIFT_FROM_S = 360
"""A rest so long has a drift: its first half is left out, for the cells recover from the load in it."""
_LONGEST_DRIFT_S = 1800
_COLUMN_S = 10
_STEPS_MV = (10, 5, 2, 1)
"""Steps in which cells are read, mV; common practice. One that never changes is not known better than its step."""
_DEVIATIONS = 2.0


@dataclass(frozen=True)
class Rest:
    """The rest that goes on.

    Attributes:
        seconds: since the last load or motion; ``whole`` whether it began within what is remembered.
        draws: mean current out of the pack, A; None before it has lasted half a minute.
        drift: change of the cells, mV an hour, and how far it may be off; None where not known.

    """

    seconds: int
    whole: bool
    draws: float | None = None
    drift: tuple[float, float] | None = None

    def draws_text(self) -> str:
        """Return what it draws in a few words; empty where not known."""
        if self.draws is None:
            return ""
        amount = f"{abs(self.draws):.1f} A" if abs(self.draws) >= 0.05 else "<0.1 A"
        return f"{'takes' if self.draws <= -0.05 else 'draws'} {amount}"

    def text(self) -> str:
        """Return how long it has lasted and what the cells do: ``at rest 6 min, cells rising 12 mV/h``."""
        lasted = age_text(self.seconds) if self.whole else f"over {age_text(self.seconds)}"
        if self.drift is None:
            return f"at rest {lasted}"
        rate, doubt = self.drift
        if abs(rate) <= doubt:
            return f"at rest {lasted}, cells steady within {_rounded(doubt)} mV/h"
        return f"at rest {lasted}, cells {'rising' if rate > 0 else 'falling'} {_rounded(abs(rate))} mV/h"


def _rounded(rate: float) -> str:
    return f"{max(rate, 1.0):.2g}" if rate < 99.5 else f"{round(rate, -1):.0f}"


def rest_of(snapshot: Snapshot, now: int, standby_a: float) -> Rest | None:
    """Return the rest that goes on at ``now``, int microseconds, from what the strips remember; None without one."""
    reading = snapshot.reading("pack_current")
    interval = 0.0 if reading is None else round(reading.interval, -5)
    cells = snapshot.strips["cell_min_voltage"], snapshot.strips["cell_max_voltage"]
    strips = snapshot.strips["pack_current"], snapshot.strips["vehicle_speed"], cells
    return _rest(strips, now // MICROSECONDS, interval, standby_a + REST_ABOVE_STANDBY_A)


@lru_cache(maxsize=4)
def _rest(
    strips: tuple[Strip, Strip, tuple[Strip, Strip]], second: int, interval: float, most_a: float
) -> Rest | None:
    """Return the rest at the end of ``second``; kept, for it changes once a second."""
    current, speed, cells = strips
    now = second * MICROSECONDS
    low, high = current.columns(now, LENGTH, 1, interval)
    slowest, fastest = speed.columns(now, LENGTH, 1)
    moves = np.fmax(fastest, -slowest) > _STANDS_KMH  # False where no speed is known
    rests = (low >= -most_a) & (high <= most_a) & ~moves
    known_to = int(np.flatnonzero(rests)[-1]) if rests.any() else -1
    if known_to < LENGTH - 1 - max(2, round(3 * interval / MICROSECONDS)):
        return None
    loaded = np.flatnonzero(~rests[: known_to + 1])
    first = int(loaded[-1]) + 1 if len(loaded) else 0
    seconds = LENGTH - 1 - first
    if seconds < _LEAST_S:
        return Rest(seconds, True)
    draws = float(np.mean((low + high)[first : known_to + 1]) / 2)
    return Rest(seconds, first > 0, draws, _drift(cells, now, seconds))


def _drift(cells: tuple[Strip, Strip], now: int, seconds: int) -> tuple[float, float] | None:
    """Return the change of the middle between lowest and highest cell, mV an hour, and its doubt.

    The slope of a straight line over the second half of the rest, at most half an hour. It is off by two standard
    errors, or by what rounding to steps can do to such a slope: a step and a half over that time, where the first
    half is rounded one way and the second the other.
    """
    if seconds < _DRIFT_FROM_S:
        return None
    count = min(seconds // 2, _LONGEST_DRIFT_S) // _COLUMN_S
    ends = [edge for strip in cells for edge in strip.columns(now, count, _COLUMN_S)]
    volts: Values = np.mean(ends, axis=0)
    known = ~np.isnan(volts)
    if known.sum() < max(10, count // 2):
        return None
    hours, volts = np.arange(count)[known] * _COLUMN_S / 3600, volts[known]
    spread = hours - hours.mean()
    slope = float(spread @ volts / (spread @ spread))
    error = float(np.sqrt(np.mean((volts - volts.mean() - slope * spread) ** 2) / (spread @ spread)))
    step = max(_step(strip.columns(now, LENGTH, 1)[0]) for strip in cells)
    doubt = max(_DEVIATIONS * error, 1.5 * step / float(hours[-1] - hours[0]))
    return 1000 * slope, 1000 * doubt


def _step(volts: Values) -> float:
    """Return the steps in which a cell is read, V: the coarsest of those in use that all its values are made of."""
    millivolts = np.round(1000 * volts[~np.isnan(volts)])
    return next(step for step in _STEPS_MV if not (millivolts % step).any()) / 1000
