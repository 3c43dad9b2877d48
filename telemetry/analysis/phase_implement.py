"""When the implement was engaged, by signal, by mark or by load; and what it costs by itself."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.analysis.phase_grid import Flags, Grid, closed, find_grid, without_short
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.model.batch import Values
from telemetry.model.events import Mark

EngagedBy = Literal["signal", "mark", "load"]

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
        return (grid.held(signal) >= 0.5) & grid.known, "signal"
    marked = _by_marks(series, grid)
    if marked is not None:
        return marked & grid.known, "mark"
    if has_implement is not False and power.power is not None:
        loaded = _by_load(grid, active)
        if loaded is not None:
            return loaded, "load"
    return np.zeros(len(grid), dtype=np.bool_), None


def _by_marks(series: SessionSeries, grid: Grid) -> Flags | None:
    """Return what the operator's marks say: engaged from each 'load on' to the next 'load off'; None without any."""
    found = [
        (event.t, bool(_ON.search(event.text)))
        for event in series.events
        if isinstance(event, Mark) and event.by == "operator" and (_ON.search(event.text) or _OFF.search(event.text))
    ]
    if not any(on for _, on in found):
        return None
    times = np.array([t for t, _ in found], dtype=np.int64)
    states = np.array([on for _, on in found], dtype=np.bool_)
    last = np.searchsorted(times, grid.centres, "right") - 1
    return np.where(last >= 0, states[np.maximum(last, 0)], False)


def _by_load(grid: Grid, active: Flags) -> Flags | None:
    """Return where the base load stands on the higher of two clearly different levels; None where it does not.

    The base load is the low tenth over 20 s: a machine that only drives coasts or stops within that time, while an
    implement goes on drawing. Two levels are clear when the threshold that parts them best leaves means three
    standard deviations apart and the upper at least twice the lower.
    """
    window = grid.steps_in(_BASE_WINDOW_S)
    if int(active.sum()) < 6 * window:
        return None
    base = _low_tenth(np.where(active, np.maximum(np.nan_to_num(grid.values), 0.0), 0.0), window)
    used = base[active]
    threshold = _best_threshold(used)
    if threshold is None:
        return None
    upper = closed(
        without_short((base > threshold) & active, grid.steps_in(_LOAD_LEAST_S)), grid.steps_in(_LOAD_PAUSE_S)
    )
    inside, outside = base[upper & active], base[~upper & active]
    if len(inside) < grid.steps_in(_LOAD_LEAST_S) or len(outside) < window:
        return None
    spread = float(np.sqrt(0.5 * (np.var(inside) + np.var(outside))))
    apart = float(np.mean(inside) - np.mean(outside))
    clear = apart > _LEAST_SEPARATION * spread and np.mean(inside) > _LEAST_RATIO * np.mean(outside)
    return upper if clear else None


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
    if edges[-1] <= edges[0]:
        return None
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
        power_w: W; None where like states cannot be compared, with the reason in ``why_unknown``.
        uncertainty_w: one standard deviation.
        basis: which states were compared, in words.
        why_unknown: empty where there is a figure.
    """

    power_w: float | None = None
    uncertainty_w: float | None = None
    basis: str = ""
    why_unknown: str = ""


_SPEED_BIN_KM_H, _BLOCK_S, _LEAST_BLOCKS = 1.0, 10.0, 4


def implement_cost(
    series: SessionSeries, power: SessionPower, engaged: list[tuple[int, int]], idle: list[tuple[int, int]]
) -> ImplementCost:
    """Return what the implement costs: power with it less power without it, at like speed.

    Power is averaged over blocks of 10 s, which are taken as independent; speeds are put in bins of 1 km/h; each
    bin that holds blocks of both sorts gives a difference, and these are averaged with the weight of their variances.

    Args:
        series: the session, for the speed.
        power: its power.
        engaged, idle: (start, end) in microseconds of the phases of work, and of drive and rest.
    """
    if power.power is None:
        return ImplementCost(why_unknown="there is no power without pack_voltage and pack_current")
    if not engaged:
        return ImplementCost(why_unknown="the implement was not engaged, or nothing shows when it was")
    speed_signal = series.get("vehicle_speed")
    if speed_signal is None:
        return ImplementCost(why_unknown="there is no vehicle_speed to find like states by, with and without it")
    grid = find_grid(power.power)
    speed = np.abs(grid.sampled(speed_signal))
    block = grid.steps_in(_BLOCK_S)
    with_it, without = (_blocks(grid, speed, spans, block) for spans in (engaged, idle))
    differences, variances, bins = [], [], 0
    for number in np.unique(np.round(with_it[0] / _SPEED_BIN_KM_H)):
        pair = [p[np.round(v / _SPEED_BIN_KM_H) == number] for v, p in (with_it, without)]
        if min(len(p) for p in pair) >= _LEAST_BLOCKS:
            differences.append(float(np.mean(pair[0]) - np.mean(pair[1])))
            variances.append(sum(float(np.var(p, ddof=1)) / len(p) for p in pair) + 1.0)
            bins += 1
    if not bins:
        return ImplementCost(why_unknown="the machine was never at the same speed for 40 s with and without it")
    weights = 1.0 / np.array(variances)
    mean = float(np.average(differences, weights=weights))
    scatter = float(np.average((np.array(differences) - mean) ** 2, weights=weights)) / bins
    return ImplementCost(
        mean, float(np.sqrt(1.0 / weights.sum() + scatter)), f"compared at like speed, in {bins} steps of 1 km/h"
    )


def _blocks(grid: Grid, speed: Values, spans: list[tuple[int, int]], block: int) -> tuple[Values, Values]:
    """Return mean speed and mean power of every whole block of steps inside ``spans``."""
    speeds, powers = [], []
    for start, end in spans:
        first, last = -(-(start - grid.start) // grid.step), (end - grid.start) // grid.step
        count = (last - first) // block
        if count > 0:
            cut = slice(first, first + count * block)
            speeds.append(speed[cut].reshape(count, block).mean(axis=1))
            powers.append(grid.values[cut].reshape(count, block).mean(axis=1))
    if not speeds:
        return np.empty(0), np.empty(0)
    v, p = np.concatenate(speeds), np.concatenate(powers)
    known = ~(np.isnan(v) | np.isnan(p))
    return v[known], p[known]
