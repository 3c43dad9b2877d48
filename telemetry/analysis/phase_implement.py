"""When the implement was engaged, by signal, by mark or by load; and what it costs by itself."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from telemetry.analysis.phase_grid import Grid, closed, find_grid, runs, without_short
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.model.batch import Flags, Values
from telemetry.model.figures import figure_field

_ALIKE = 0.25  # of the larger mean: loads within that are the same work; ours


EngagedBy = Literal["signal", "mark", "load"]
STANDING_KM_H = 0.5
"""Speed below which a machine counts as standing; common practice."""

_THING = r"(?:load|implement|deck|blades?|mower|mowing|cutter|cutting|winch|spreader|tool|work|pump|brush|plough|pto)"
_ON = re.compile(
    rf"\b{_THING}\s+(?:on|start(?:ed)?|engaged|begin|in)\b|\b(?:start|begin)\s+{_THING}\b", re.IGNORECASE
)
_OFF = re.compile(
    rf"\b{_THING}\s+(?:off|stop(?:ped)?|disengaged|ended|end|out)\b|\b(?:stop|end)\s+{_THING}\b", re.IGNORECASE
)

# By load: what a step of the base load must look like. The figures are ours.
_BASE_WINDOW_S, _LOAD_LEAST_S, _LOAD_PAUSE_S = 20.0, 60.0, 15.0
_LEAST_SHARE, _LEAST_RATIO, _LEAST_SEPARATION = 0.05, 2.0, 3.0


def engaged_steps(
    series: SessionSeries, power: SessionPower, grid: Grid, active: Flags, has_implement: bool | None
) -> tuple[Flags, EngagedBy | None]:
    """Return in which steps of ``grid`` the implement is engaged, bool (steps,), and how that was told.

    Args:
        series: the session, for the signal and the marks.
        power: for the load.
        grid: the session's steps.
        active: steps in which the machine is in use and no charger is, the only ones that load can tell of.
        has_implement: False: there is none to tell by load.
    """
    signal = series.get("implement_engaged")
    if signal is not None:
        return grid.switched_on(signal) & grid.known, "signal"
    marked = _by_marks(series, grid)
    if marked is not None:
        return marked & grid.known, "mark"
    if has_implement is not False and power.power is not None:
        loaded = _by_load(grid, active, sure=bool(has_implement))
        if loaded is not None:
            return loaded, "load"
    return np.zeros(len(grid), dtype=np.bool_), None


def mark_engages(text: str) -> bool | None:
    """Return whether a mark says that the implement was switched on; False for off, None where it says neither."""
    return True if _ON.search(text) else False if _OFF.search(text) else None


def _by_marks(series: SessionSeries, grid: Grid) -> Flags | None:
    """Return what the operator's marks say: engaged from each 'load on' to the next 'load off'; None without any."""
    found = [
        (mark.t, engages)
        for mark in series.marks
        if mark.by == "operator" and (engages := mark_engages(mark.text)) is not None
    ]
    if not any(on for _, on in found):
        return None
    times = np.array([t for t, _ in found], dtype=np.int64)
    states = np.array([on for _, on in found], dtype=np.bool_)
    last = np.searchsorted(times, grid.centres, "right") - 1
    return np.where(last >= 0, states[np.maximum(last, 0)], False)


def _by_load(grid: Grid, active: Flags, sure: bool) -> Flags | None:
    """Return where the base load stands on the higher of two clearly different levels; None where it does not.

    The base load is the low tenth over 20 s: a machine that only drives coasts or stops within that time, while an
    implement goes on drawing. Two levels are clear when the threshold that parts them best leaves means three
    standard deviations apart and the upper at least twice the lower. Where nobody states that there is an implement
    (not ``sure``), a long climb looks the same, so the higher level must be reached at least twice, and alike.
    """
    window = grid.steps_in(_BASE_WINDOW_S)
    if int(active.sum()) < 6 * window:
        return None
    base = _low_tenth(np.where(active, np.maximum(np.nan_to_num(grid.values), 0.0), 0.0), window)
    used = base[active]
    threshold = _best_threshold(used)
    if threshold is None:
        return None
    upper = without_short((base > threshold) & active, grid.steps_in(_LOAD_LEAST_S) - window // 2)
    inside, outside = base[upper & active], base[~upper & active & (grid.values > 0.0)]
    if len(inside) < grid.steps_in(_LOAD_LEAST_S) or len(outside) < window:
        return None
    spread = float(np.sqrt(0.5 * (np.var(inside) + np.var(outside))))
    apart = float(np.mean(inside) - np.mean(outside))
    clear = apart > _LEAST_SEPARATION * spread and np.mean(inside) > _LEAST_RATIO * np.mean(outside)
    if not clear or (not sure and not _comes_again(grid, upper)):
        return None
    return closed(_grown(upper, (grid.values > threshold) & active, window // 2), grid.steps_in(_LOAD_PAUSE_S))


def _comes_again(grid: Grid, upper: Flags) -> bool:
    """Tell whether the load was there at least twice, with means within a quarter of each other."""
    means = [float(np.nanmean(grid.values[first:end])) for on, first, end in runs(upper.astype(np.int8)) if on]
    return len(means) > 1 and max(means) - min(means) <= _ALIKE * max(means)


def _grown(flags: Flags, allowed: Flags, most: int) -> Flags:
    """Return ``flags`` with each true run made longer at both ends by up to ``most`` steps, while ``allowed``."""
    found = flags.copy()
    for _ in range(most):
        wider = found.copy()
        wider[1:] |= found[:-1]
        wider[:-1] |= found[1:]
        found |= wider & allowed
    return found


def _low_tenth(values: Values, window: int) -> Values:
    """Return the low tenth of each ``window`` steps around, float64, as long as ``values``."""
    padded = np.pad(values, (window // 2, window - 1 - window // 2), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, window)
    place = window // 10
    return np.partition(windows, place, axis=1)[:, place]


def _best_threshold(values: Values) -> float | None:
    """Return the threshold that parts ``values`` with the most variance between the two sides.

    N. Otsu, "A threshold selection method from gray-level histograms", IEEE Trans. Systems, Man, and Cybernetics 9
    (1979) 62-66, on 128 bins. None where one side would hold less than a twentieth.
    """
    counts, edges = np.histogram(values, bins=128)
    share = np.cumsum(counts) / counts.sum()
    centres = 0.5 * (edges[1:] + edges[:-1])
    first = np.cumsum(counts * centres) / counts.sum()
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (first[-1] * share - first) ** 2 / (share * (1.0 - share))
    allowed = (share >= _LEAST_SHARE) & (share <= 1.0 - _LEAST_SHARE)
    if not allowed.any():
        return None
    return float(edges[1:][int(np.argmax(np.where(allowed, between, -1.0)))])


@dataclass(frozen=True)
class ImplementCost:
    """What the implement draws by itself.

    Attributes:
        power_w: W; None where like states cannot be compared, with the reason in ``unknown``.
        uncertainty_w: one standard deviation.
        basis: which states were compared, in words.
        unknown: why ``power_w`` is None.
    """

    power_w: float | None = figure_field("power of the implement alone", 1)
    uncertainty_w: float | None = figure_field("uncertainty of the implement's power", 1)
    basis: str | None = figure_field("method for the implement's power")
    unknown: Mapping[str, str] = field(default_factory=dict)


# Ours: what counts as steady, and pieces long enough to be taken as independent of each other.
_STEADY_KM_H, _BLOCK_S, _SETTLING_S, _LEAST_BLOCKS = 0.6, 10.0, 5.0, 4
_LIKE = (0.6, 1.6)


def implement_cost(
    series: SessionSeries,
    power: SessionPower,
    engaged: Sequence[tuple[int, int]],
    idle: Sequence[tuple[int, int]],
) -> ImplementCost:
    """Return what the implement costs: power with it less the power that the same speed takes without it.

    Without it, power at steady speed is fitted by ``p0 + f v`` (what stands still, and a drag that does not depend on
    speed: rolling resistance). With it, that is taken off step by step, and the rest averaged over pieces of 10 s,
    the first seconds after it engages left out. The uncertainty is that of both means, from how the pieces scatter.
    Slopes are taken to be the same with it and without it; where they are not, that is in no uncertainty.

    Args:
        series: the session, for the speed.
        power: its power.
        engaged, idle: (start, end) in microseconds of the phases of work, and of drive and rest.
    """
    if power.power is None:
        return ImplementCost(unknown={"power_w": "there is no power without pack_voltage and pack_current"})
    if not engaged:
        return ImplementCost(unknown={"power_w": "the implement was not engaged, or nothing shows when it was"})
    speed_signal = series.get("vehicle_speed")
    if speed_signal is None:
        why = "there is no vehicle_speed to find like states by, with and without it"
        return ImplementCost(unknown={"power_w": why})
    grid = find_grid(power.power)
    speed = np.abs(grid.sampled(speed_signal))
    steady = _steady(speed) & grid.known
    with_it = _pieces(grid, speed, steady, engaged)
    without = _pieces(grid, speed, steady, idle)
    if min(len(with_it), len(without)) < _LEAST_BLOCKS:
        return ImplementCost(unknown={"power_w": "less than 40 s at steady speed with the implement, or without it"})
    usual = float(np.median(with_it[:, 0]))
    moving = without[without[:, 0] > STANDING_KM_H]
    if usual > STANDING_KM_H and not (
        len(moving) >= _LEAST_BLOCKS and _LIKE[0] <= float(np.median(moving[:, 0])) / usual <= _LIKE[1]
    ):
        why = f"without the implement the machine was not driven at about {usual:.0f} km/h"
        return ImplementCost(unknown={"power_w": why})
    design = np.column_stack([np.ones(len(without)), without[:, 0]])
    (base, drag), *_ = np.linalg.lstsq(design, without[:, 1], rcond=None)
    costs = with_it[:, 1] - base - drag * with_it[:, 0]
    left = (moving[:, 1] - base - drag * moving[:, 0]) if usual > STANDING_KM_H else without[:, 1] - base
    variance = float(np.var(costs, ddof=1)) / len(costs) + float(np.var(left, ddof=1)) / len(left)
    basis = f"power in work less the power at {usual:.1f} km/h without the implement"
    return ImplementCost(float(np.mean(costs)), float(np.sqrt(variance)), basis)


def _steady(speed: Values) -> Flags:
    """Return where the speed changes little from the step before to the one after; bool, as long as ``speed``."""
    padded = np.pad(speed, 1, mode="edge")
    return np.abs(padded[2:] - padded[:-2]) < _STEADY_KM_H


def _pieces(grid: Grid, speed: Values, steady: Flags, spans: Sequence[tuple[int, int]]) -> Values:
    """Return mean speed and mean power of every 10 s of steady steps inside ``spans``, float64 (pieces, 2)."""
    block, settling = grid.steps_in(_BLOCK_S), grid.steps_in(_SETTLING_S)
    found = []
    for start, end in spans:
        first, last = -(-(start - grid.start) // grid.step) + settling, (end - grid.start) // grid.step
        for cut in range(first, last - block + 1, block):
            inside = steady[cut : cut + block]
            if int(inside.sum()) >= max(1, block // 2):
                found.append((speed[cut : cut + block][inside].mean(), grid.values[cut : cut + block][inside].mean()))
    return np.array(found, dtype=np.float64).reshape(-1, 2)
