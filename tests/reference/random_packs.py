"""Packs drawn at random, for hundreds of runs: equivalent circuits in series, faults and sensor errors. Plain arrays.

Each cell is an open-circuit curve with a resistance, three resistor-capacitor pairs and a hysteresis that follows the
charge. It shares nothing with the estimators but the published curves, and those are bent at random here. What the
cells of a real pack do besides (kinetics that are not linear, diffusion) the PyBaMM packs beside this file show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.signal import lfilter

from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.model.recording import TimeBasis

GRID_S = 0.25
LFP = (
    *((0.0, 2.0102), (0.0033, 2.4177), (0.0117, 2.7405), (0.0267, 2.9299), (0.0534, 3.0872)),
    *((0.0885, 3.1942), (0.2972, 3.2772), (0.9833, 3.3511), (0.9950, 3.4180), (1.0, 3.5981)),
)
NMC_VOLTS = (2.500, 3.296, 3.485, 3.581, 3.667, 3.751, 3.841, 3.948, 4.042, 4.097, 4.200)
NMC = tuple((each / 10, volt) for each, volt in enumerate(NMC_VOLTS))
CURVES = {"lfp": LFP, "nmc": NMC}
LOW_V, CHARGE_V, TRIP_V = {"lfp": 2.6, "nmc": 3.0}, {"lfp": 3.55, "nmc": 4.18}, {"lfp": 3.65, "nmc": 4.25}


@dataclass(frozen=True, eq=False)
class RandomPack:
    """A recording and its truth.

    Attributes:
        mohm: float64 (cells,), drop 1 s after a step, over the step.
        capacity_ah, start_soc: float64 (cells,).
        fault, odd_cell, amount: as drawn; ``odd_cell`` counts from 1, 0 for none.
    """

    series: SessionSeries
    chemistry: str
    rated_ah: float
    mohm: np.ndarray
    capacity_ah: np.ndarray
    start_soc: np.ndarray
    fault: str
    odd_cell: int
    amount: float
    lag_s: float


def bent_curve(chemistry: str, rng: np.random.Generator) -> PchipInterpolator:
    """Return the published curve, shifted and bent by some millivolts and with its kinks moved."""
    soc, volt = np.array(CURVES[chemistry]).T
    inner = soc[1:-1] + rng.normal(0, 0.01) * np.sin(np.pi * soc[1:-1])
    soc = np.concatenate([[0], inner, [1]])
    volt = volt + rng.normal(0, 0.006) * np.clip(10 * soc, 0, 1) * np.clip(10 * (1 - soc), 0, 1)
    ends = 0.03
    low, high = (
        volt[0] - ends * (volt[1] - volt[0]) / (soc[1] - soc[0]),
        volt[-1] + ends * (volt[-1] - volt[-2]) / (soc[-1] - soc[-2]),
    )
    return PchipInterpolator(np.r_[-ends, soc, 1 + ends], np.r_[low, volt, high])


def driving(seconds: float, mean_c: float, rng: np.random.Generator) -> np.ndarray:
    """Return a drive's current each ``GRID_S``, in units of capacity an hour."""
    count = int(seconds / GRID_S)
    t = np.arange(count) * GRID_S
    level = np.full(count, mean_c)
    for period in (37.0, 101.0, 290.0):
        level += mean_c * rng.uniform(0.1, 0.3) * np.sin(2 * np.pi * t / period + rng.uniform(0, 6))
    keep = np.exp(-GRID_S / rng.uniform(0.7, 3.0))
    level += mean_c * 0.15 * lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.standard_normal(count))
    wanted = np.full(count, 0.006)
    at = 60.0
    while at < seconds - 20:
        leg = rng.uniform(20, 120)
        on = (t >= at) & (t < at + leg)
        wanted[on] = np.maximum(level[on], 0.05)
        wanted[on & (t < at + rng.uniform(1, 3))] = mean_c * rng.uniform(1.5, 2.5)
        wanted[(t >= at + leg) & (t < at + leg + rng.uniform(0.5, 2.5))] = -mean_c * rng.uniform(0.0, 0.7)
        at += leg + rng.uniform(3, 30)
    return np.convolve(np.pad(wanted, (2, 0), mode="edge"), np.full(3, 1 / 3), "valid")


class Cells:
    """The cells of one pack, at rest to begin with."""

    PAIRS = ((0.08, 2.5), (0.35, 25.0), (0.5, 240.0))

    def __init__(self, chemistry: str, count: int, rated_ah: float, start: float, rng: np.random.Generator) -> None:
        self.curve = bent_curve(chemistry, rng)
        self.rated_ah = rated_ah
        self.capacity = rated_ah * rng.normal(1, 0.02) * (1 + rng.uniform(0.002, 0.008) * rng.standard_normal(count))
        self.start = start + rng.uniform(0.001, 0.005) * rng.standard_normal(count)
        base = (0.05 if chemistry == "lfp" else 0.07) / rated_ah * rng.uniform(0.7, 1.5)
        self.ohm = base * (1 + rng.uniform(0.005, 0.025) * rng.standard_normal(count))
        self.joint = np.zeros(count)
        self.hysteresis = 0.008 if chemistry == "lfp" else 0.001
        self.pair_ohm = base

    def afflict(self, fault: str, cell: int, amount: float) -> None:
        """Give one cell (from 0) its fault."""
        if fault == "low-capacity":
            self.capacity[cell] *= 1 - amount
            self.ohm[cell] /= 1 - amount
        elif fault == "low-charge":
            self.start[cell] -= amount
        elif fault == "high-resistance":
            self.joint[cell] = (amount - 1) * self.ohm[cell]

    def mohm(self) -> np.ndarray:
        """Return the drop of voltage 1 s after a step of current, over the step, milliohm."""
        fast = sum(share * (1 - np.exp(-1 / tau)) for share, tau in self.PAIRS)
        return 1000 * (self.ohm * (1 + fast) + self.joint)

    def voltages(self, current: np.ndarray, step_s: float) -> np.ndarray:
        """Return cell voltages under ``current``, shape (rows, cells)."""
        charge = np.cumsum(current) * step_s / 3600
        soc = self.start - charge[:, None] / self.capacity
        slow = np.zeros(len(current))
        for share, tau in self.PAIRS:
            keep = np.exp(-step_s / tau)
            slow += share * lfilter([1 - keep], [1, -keep], current)
        memory = np.zeros(len(current))
        moved = np.abs(np.diff(charge, prepend=0)) / self.rated_ah * 50
        # branch follows the charge moved: exact for constant sign, close enough across its changes
        state = 0.0
        keep_by = np.exp(-moved)
        sign = -np.sign(current)
        for row in range(0, len(current), 40):
            chunk = slice(row, row + 40)
            keep = float(np.prod(keep_by[chunk]))
            state = keep * state + (1 - keep) * float(sign[chunk][np.argmax(moved[chunk])])
            memory[chunk] = state
        drop = current[:, None] * (self.ohm + self.joint) + slow[:, None] * self.ohm
        return self.curve(np.clip(soc, -0.03, 1.03)) + self.hysteresis * memory[:, None] - drop


def draw(seed: int, chemistry: str, course: str, fault: str, row_s: float = 1.0, minutes: float = 30.0) -> RandomPack:
    """Return a pack drawn by ``seed``; ``course`` is ``mow``, ``wide`` or ``top`` (short use, then a full charge)."""
    rng = np.random.default_rng(seed)
    count = 16 if chemistry == "lfp" else 14
    rated = float(rng.choice([40, 60, 100, 150]))
    cells = Cells(chemistry, count, rated, rng.uniform(0.6, 0.9), rng)
    odd = int(rng.integers(1, count + 1)) if fault != "none" else 0
    ranges = {"low-capacity": (0.05, 0.10), "low-charge": (0.02, 0.06), "high-resistance": (1.3, 2.0), "none": (0, 0)}
    amount = float(rng.uniform(*ranges[fault]))
    if odd:
        cells.afflict(fault, odd - 1, amount)
    current = rated * driving(60 * (150 if course == "wide" else minutes), 0.45 if course != "wide" else 0.7, rng)
    if course != "mow":
        current = with_charge(cells, chemistry, current, course == "wide")
    volts = cells.voltages(current, GRID_S)
    series, lag = sensed(current, volts, row_s, rated, rng)
    return RandomPack(series, chemistry, rated, cells.mohm(), cells.capacity, cells.start, fault, odd, amount, lag)


def with_charge(cells: Cells, chemistry: str, use: np.ndarray, to_the_end: bool) -> np.ndarray:
    """Return ``use``, ended by the first empty cell, then a rest, a whole charge and a rest."""
    if to_the_end:
        volts = cells.voltages(use, GRID_S).min(axis=1)
        empty = np.flatnonzero(volts < LOW_V[chemistry])
        use = use[: empty[0]] if len(empty) else use
    rest = np.zeros(int(900 / GRID_S))
    rate = 0.3 * cells.rated_ah
    longest = np.full(int(5 * 3600 / GRID_S), -rate)
    volts = cells.voltages(np.concatenate([use, rest, longest]), GRID_S)[len(use) + len(rest) :]
    done = np.flatnonzero((volts.mean(axis=1) > CHARGE_V[chemistry]) | (volts.max(axis=1) > TRIP_V[chemistry]))
    end = int(done[0]) if len(done) else len(longest)
    parts = [use, rest, longest[:end]]
    if len(done) and volts[end].max() <= TRIP_V[chemistry]:
        tail = -rate * np.exp(-np.arange(int(3600 / GRID_S)) * GRID_S / (500 if chemistry == "lfp" else 900))
        tail = tail[tail < -0.04 * cells.rated_ah]
        volts = cells.voltages(np.concatenate([*parts, tail]), GRID_S)[-len(tail) :]
        high = np.flatnonzero(volts.max(axis=1) > TRIP_V[chemistry])
        parts.append(tail[: high[0]] if len(high) else tail)
    return np.concatenate([*parts, rest])


def sensed(
    current: np.ndarray, volts: np.ndarray, row_s: float, rated: float, rng: np.random.Generator
) -> tuple[SessionSeries, float]:
    """Return what the sensors say: late, off, noisy and in steps; and how late."""
    grid = np.arange(len(current)) * GRID_S
    t = np.arange(0, grid[-1], row_s)
    micro = np.round(t * 1e6).astype(np.int64)
    lag = float(rng.uniform(0, 0.5))
    scan = float(rng.choice([0.0, 0.0, 0.2]))
    shown = np.interp(t, grid, current) * (1 + rng.uniform(-0.01, 0.01)) + rng.uniform(-0.5, 0.5)
    shown = np.round((shown + 0.05 * rng.standard_normal(len(t))) / 0.1) * 0.1
    pack = np.round((np.interp(t, grid, volts.sum(axis=1)) + 0.005 * rng.standard_normal(len(t))) / 0.01) * 0.01
    cells = np.empty((len(t), volts.shape[1]))
    off = rng.uniform(0.0005, 0.002) * rng.standard_normal(volts.shape[1])
    for cell in range(volts.shape[1]):
        late = lag + scan * cell / (volts.shape[1] - 1)
        read = np.interp(t - late, grid, volts[:, cell]) + off[cell] + 0.0005 * rng.standard_normal(len(t))
        cells[:, cell] = np.round(read, 3)
    signals = {"pack_current": Series(micro, shown), "pack_voltage": Series(micro, pack)}
    for cell in range(volts.shape[1]):
        signals[f"cell_{cell + 1:02d}_voltage"] = Series(micro, np.ascontiguousarray(cells[:, cell]))
    numbers = tuple(range(1, volts.shape[1] + 1))
    basis: TimeBasis = "relative"
    whole = CellSeries(micro, cells, numbers)
    return SessionSeries("drawn", 0, int(micro[-1]), 0, basis, signals, whole), lag + scan / 2
