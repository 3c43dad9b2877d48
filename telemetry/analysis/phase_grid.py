"""A session cut into even steps of about a second, on which phases are told apart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from telemetry.analysis.series import Series
from telemetry.analysis.session_power import Flow
from telemetry.model.batch import MICROSECONDS, Flags, Times, Values
from telemetry.model.signals import ON


@dataclass(frozen=True, eq=False)
class Grid:
    """Even steps over the time in which a flow is known.

    Attributes:
        start: where the first step begins, int microseconds.
        step: length of a step, int microseconds, 1 s or the flow's usual interval if that is longer.
        values: float64 (steps,), mean of the flow in each step; NaN in gaps.
    """

    start: int
    step: int
    values: Values

    def __len__(self) -> int:
        return len(self.values)

    @cached_property
    def known(self) -> Flags:
        """Whether the flow is known in each step, bool (steps,)."""
        return ~np.isnan(self.values)

    @cached_property
    def centres(self) -> Times:
        """The middle of each step, int64 (steps,), microseconds."""
        return self.start + self.step * np.arange(len(self), dtype=np.int64) + self.step // 2

    @property
    def step_s(self) -> float:
        """Length of a step, s."""
        return self.step / MICROSECONDS

    def steps_in(self, seconds: float) -> int:
        """Return how many steps ``seconds`` are, at least 1."""
        return max(1, round(seconds / self.step_s))

    def edge(self, number: int) -> int:
        """Return where step ``number`` begins, microseconds."""
        return self.start + self.step * number

    def sampled(self, series: Series | None) -> Values:
        """Return the mean of a signal in each step, interpolated where a step has no row; NaN far from any row."""
        if series is None:
            return np.full(len(self), np.nan)
        return _binned(series.t, series.values, self, 10 * max(self.step_s, series.interval_s or 0.0))

    def switched_on(self, series: Series) -> Flags:
        """Return in which steps a switch was on at all, as last told at their start or told within; bool (steps,)."""
        last = np.searchsorted(series.t, self.centres - self.step // 2, "right") - 1
        on = np.where(last >= 0, series.values[np.maximum(last, 0)] >= ON, False)
        place = (series.t - self.start) // self.step
        told = (series.values >= ON) & (place >= 0) & (place < len(self))
        on[place[told]] = True
        return on


def find_grid(flow: Flow) -> Grid:
    """Return the grid over the time of ``flow``."""
    usual = float(np.median(np.diff(flow.t))) if len(flow) > 1 else 0.0
    step = max(MICROSECONDS, round(usual))
    start = int(flow.t[0])
    count = max(1, -(-(int(flow.t[-1]) - start + 1) // step))
    empty = Grid(start, step, np.full(count, np.nan))
    values = _binned(flow.t, flow.values, empty, np.inf)
    for row in np.flatnonzero(~flow.bridged[1:]) + 1:
        first = -(-(int(flow.t[row - 1]) - start + 1) // step)
        values[first : (int(flow.t[row]) - start) // step] = np.nan
    return Grid(start, step, values)


def _binned(t: Times, values: Values, grid: Grid, longest_s: float) -> Values:
    place = (t - grid.start) // grid.step
    inside = (place >= 0) & (place < len(grid))
    counts = np.bincount(place[inside], minlength=len(grid))
    sums = np.bincount(place[inside], weights=values[inside], minlength=len(grid))
    full = counts > 0
    found = np.full(len(grid), np.nan)
    found[full] = sums[full] / counts[full]
    if full.any() and not full.all():
        places = np.flatnonzero(full)
        holes = np.flatnonzero(~full)
        right = np.searchsorted(places, holes)
        near = (right > 0) & (right < len(places))
        right = np.clip(right, 1, len(places) - 1) if len(places) > 1 else np.zeros_like(right)
        width = (places[right] - places[np.maximum(right - 1, 0)]) * grid.step_s
        near &= width <= longest_s
        found[holes[near]] = np.interp(holes[near], places, found[places])
    return found


def runs(labels: npt.NDArray[np.int8]) -> list[tuple[int, int, int]]:
    """Return (label, first, end) of every run of equal labels, ``end`` one past its last."""
    if not len(labels):
        return []
    cuts = np.flatnonzero(np.diff(labels)) + 1
    firsts = [0, *cuts.tolist()]
    ends = [*cuts.tolist(), len(labels)]
    return [(int(labels[first]), first, end) for first, end in zip(firsts, ends, strict=True)]


def without_short(flags: Flags, least: int) -> Flags:
    """Return ``flags`` with true runs of fewer than ``least`` made false."""
    found = flags.copy()
    for label, first, end in runs(flags.astype(np.int8)):
        if label and end - first < least:
            found[first:end] = False
    return found


def closed(flags: Flags, most: int) -> Flags:
    """Return ``flags`` with false runs of at most ``most`` between true ones made true."""
    found = flags.copy()
    each = runs(flags.astype(np.int8))
    for label, first, end in each[1:-1]:
        if not label and end - first <= most:
            found[first:end] = True
    return found
