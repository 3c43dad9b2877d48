"""Packs of our own making whose true charge is known, drawn from a seed: the estimate is tuned and judged on them.

Each cell is an open-circuit curve with a resistance (its part by the electrodes bending off at high current), three
delayed resistances and hysteresis. Nothing of it is the estimate's own model with its own numbers: the curve is a
published one, bent, lifted and waved at random; cells differ in capacity, resistance and charge; the sensor has an
offset, a gain error, noise and steps. True charge is the mean over the cells of each cell's own share of its own
capacity.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from telemetry.analysis.open_circuit import OpenCircuitTable, open_circuit_tables
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.machine.pack_keys import Pack

Course = Literal["drive", "drive-then-charge", "charge-then-drive"]


@dataclass(frozen=True, kw_only=True)
class PackKind:
    """What is drawn from.

    Attributes:
        chemistry, cells, capacity_ah: of the pack as its nameplate says.
        course: what happens.
        rate_hz: rows a second.
        cold: resistances 2.5 times as high, and more of it bent.
        curve_error: scale of the random errors of the curve; 1 is usual, 0 takes the published one as it is.
        minutes: shortest and longest drive.
        start: lowest and highest share at the beginning.
        cell_voltages: whether cells are given.
        with_rest: whether it stands still for some minutes now and then.
        hysteresis: whether cells have any.
        capacity_error: how far the true capacity may be from the stated one, relative, evenly.

    """

    chemistry: str = "lfp"
    cells: int = 16
    capacity_ah: float = 100.0
    course: Course = "drive"
    rate_hz: float = 1.0
    cold: bool = False
    curve_error: float = 1.0
    minutes: tuple[float, float] = (30.0, 90.0)
    start: tuple[float, float] = (0.25, 1.0)
    cell_voltages: bool = True
    with_rest: bool = True
    hysteresis: bool = True
    capacity_error: float = 0.03


@dataclass(frozen=True, eq=False)
class ReferencePack:
    """A session, the pack as the owner states it, and the truth.

    Attributes:
        session: what was measured.
        pack: the machine file's section.
        t: int64 microseconds; ``pct``: true charge at each, %.
        offset_a, gain: of the current sensor.
        curve: the true curve.

    """

    session: SessionSeries
    pack: Pack
    t: np.ndarray
    pct: np.ndarray
    offset_a: float
    gain: float
    curve: OpenCircuitTable


def make_pack(kind: PackKind, seed: int) -> ReferencePack:
    """Return one pack; the same for the same ``seed`` and ``kind``."""
    random = np.random.default_rng([seed, kind.cells, int(10 * kind.rate_hz)])
    curve = true_curve(kind, random)
    c_rate = drive(kind, random)
    share0 = random.uniform(*kind.start)
    net = np.cumsum(c_rate) / 3600.0
    if kind.course != "charge-then-drive":
        share0 = max(share0, min(1.0, net.max() + random.uniform(0.03, 0.10)))
    cells = _Cells(kind, curve, random, share0)
    seconds = cells.run(c_rate, kind.course)
    return _measured(kind, seconds, random, cells, curve)


USUAL = {"nmc": ("Chen2020",)}
"""Recipes that packs are drawn from, where not from all tables of weight. The program trusts none of them more."""


def true_curve(kind: PackKind, random: np.random.Generator) -> OpenCircuitTable:
    """Return a published curve bent along the charge axis, lifted and waved; it only rises."""
    tables = open_circuit_tables(kind.chemistry)
    usual = [
        table for table in tables if table.weight >= 0.2 and table.name in USUAL.get(kind.chemistry, (table.name,))
    ]
    parts = random.dirichlet(np.full(len(usual), 0.6))
    share = np.linspace(0.0, 1.0, 501)
    error = kind.curve_error
    bend = error * random.normal(0.0, 0.012) * np.sin(np.pi * share) + error * random.normal(0.0, 0.008) * np.sin(
        2 * np.pi * share
    )
    own = share + bend
    volts = sum(part * table.volts_at(own) for part, table in zip(parts, usual, strict=True))
    level, wave = {"lfp": (0.004, 0.003), "nmc": (0.004, 0.006), "nca": (0.005, 0.008)}.get(kind.chemistry, (0, 0))
    apart = (share[:, None] - share[None, :]) / 0.18
    covariance = level**2 + wave**2 * np.exp(-0.5 * apart**2) + 1e-12 * np.eye(len(share))
    warp = error * random.multivariate_normal(np.zeros(len(share)), covariance, method="cholesky")
    fading = np.clip(np.minimum(share / 0.03, (1.0 - share) / 0.03), 0.0, 1.0)
    return OpenCircuitTable("truth", "drawn", share, np.maximum.accumulate(volts + warp * fading))


def drive(kind: PackKind, random: np.random.Generator) -> np.ndarray:
    """Return C rates, one a second, positive on discharge: standing, pulling away, work over humps, braking."""
    legs = [np.zeros(int(random.uniform(20, 240)))]
    length = int(60 * random.uniform(*kind.minutes))
    work = random.uniform(0.15, 0.6)
    while sum(map(len, legs)) < length:
        peak, cruise = work * random.uniform(1.6, 4.0), work * random.uniform(0.6, 1.5)
        seconds = np.arange(int(random.uniform(20, 150)))
        hump = 1 + random.uniform(0.1, 0.4) * np.sin(2 * np.pi * seconds / random.uniform(10, 60))
        legs += [
            np.linspace(0.02, peak, 4),
            np.full(int(random.uniform(1, 6)), peak),
            np.linspace(peak, cruise, 5)[1:],
            np.abs(cruise * hump + random.normal(0, 0.1 * cruise, len(seconds))),
            -cruise * random.uniform(0, 0.8) * np.linspace(1, 0.2, int(random.uniform(2, 6))),
            np.full(int(random.uniform(4, 30)), 0.005),
        ]
        if kind.with_rest and random.random() < 0.05:
            legs.append(np.full(int(random.uniform(120, 900)), 0.005 * random.integers(0, 2)))
    return np.concatenate(legs)


class _Cells:
    """All cells at once, second by second (or ten times a second)."""

    def __init__(self, kind: PackKind, curve: OpenCircuitTable, random: np.random.Generator, share: float) -> None:
        count = kind.cells
        spread = 1.0 if count > 1 else 0.0
        self.curve, self.kind = curve, kind
        self.dt = 1.0 / kind.rate_hz
        self.capacity = (1 + kind.capacity_error * random.uniform(-1.0, 1.0)) * (
            1 + spread * random.normal(0, 0.010, count)
        )
        self.share = np.clip(share + spread * random.normal(0, 0.008, count), 0.01, 1.0)
        resist = (1 + spread * random.normal(0, 0.03, count)) * (random.uniform(2.0, 3.0) if kind.cold else 1.0)
        self.ohmic = random.uniform(0.012, 0.035) * resist
        self.bent = random.uniform(0.004, 0.015) * resist * (1.5 if kind.cold else 1.0)
        self.bent_at = random.uniform(0.2, 0.6)
        self.delay = np.array([random.uniform(4, 20), random.uniform(40, 150), random.uniform(400, 1500)])
        self.delayed_v = (
            np.array([random.uniform(0.003, 0.018), random.uniform(0.004, 0.02), random.uniform(0.004, 0.025)])[
                :, None
            ]
            * resist
        )
        self.poles = np.zeros((3, count))
        self.hysteresis = random.uniform(0.0, 0.012) if kind.chemistry == "lfp" else random.uniform(0, 0.004)
        if not kind.hysteresis:
            self.hysteresis = 0.0
        self.turn = random.uniform(0.02, 0.06)
        self.side = np.full(count, random.choice([-1.0, 1.0]) * random.uniform(0.0, 1.0))
        self.rows: list[tuple[float, np.ndarray, float]] = []

    def voltage(self, rate: float) -> np.ndarray:
        low = 1 + 0.6 * np.exp(-self.share / 0.08)
        over = self.ohmic * low * rate + self.bent * low * np.arcsinh(rate / self.bent_at) * self.bent_at
        return self.curve.volts_at(self.share) + self.hysteresis * self.side - over - self.poles.sum(axis=0)

    def step(self, rate: float) -> np.ndarray:
        moved = rate * self.dt / 3600.0 / self.capacity
        self.share = self.share - moved
        keep = np.exp(-np.abs(moved) / self.turn)
        self.side = self.side * keep - np.sign(moved) * (1 - keep)
        fade = np.exp(-self.dt / self.delay)[:, None]
        self.poles = self.poles * fade + (1 - fade) * self.delayed_v * rate
        volts = self.voltage(rate)
        self.rows.append((rate, volts, 100.0 * float(self.share.mean())))
        return volts

    def run(self, c_rate: np.ndarray, course: Course) -> np.ndarray:
        every = np.repeat(c_rate, round(1 / self.dt))
        low = {"lfp": 2.5, "nmc": 3.0, "nca": 2.8}.get(self.kind.chemistry, 0.0)
        if course == "charge-then-drive":
            self.charge()
        for rate in every:
            if self.step(float(rate)).min() < low:
                break
        if course == "drive-then-charge":
            for _ in range(int(120 / self.dt)):
                self.step(0.0)
            self.charge()
        return np.array([row[0] for row in self.rows])

    def charge(self) -> None:
        """Charge by constant current, then hold the voltage of the first full cell until a twentieth of C; rest."""
        top = {"lfp": 3.60, "nmc": 4.20, "nca": 4.20}[self.kind.chemistry]
        rate = -0.25
        for _ in range(int(6 * 3600 / self.dt)):
            volts = self.step(rate)
            if volts.max() > top:
                slope = float(self.ohmic.max() + self.bent.max()) + 0.002
                rate = min(rate + 0.5 * (volts.max() - top) / slope, 0.0)
            elif rate > -0.25:
                rate = max(rate - 0.2 * (top - volts.max()) / float(self.ohmic.max() + 0.002), -0.25)
            if rate > -0.05:
                break
        for _ in range(int(300 / self.dt)):
            self.step(0.0)


def _measured(
    kind: PackKind, rates: np.ndarray, random: np.random.Generator, cells: _Cells, curve: OpenCircuitTable
) -> ReferencePack:
    count = len(rates)
    t = (np.arange(count) * 1e6 / kind.rate_hz).astype(np.int64)
    volts = np.stack([row[1] for row in cells.rows])
    true_a = rates * kind.capacity_ah
    scale = kind.capacity_ah / 100.0
    offset, gain = random.uniform(-0.4, 0.4) * scale, 1 + random.uniform(-0.01, 0.01)
    step = 0.05 * scale
    seen = np.round((true_a * gain + offset + random.normal(0, 0.05 * scale, count)) / step) * step
    pack_v = np.round((volts.sum(axis=1) + random.normal(0, 0.003 * np.sqrt(kind.cells), count)) / 0.01) * 0.01
    if kind.cells == 1:
        pack_v = np.round(volts[:, 0] + random.normal(0, 0.0005, count), 4)
    signals = {"pack_current": Series(t, seen), "pack_voltage": Series(t, pack_v)}
    given = None
    if kind.cell_voltages and kind.cells > 1:
        each = np.round(volts + random.normal(0, 0.001, volts.shape), 3)
        given = CellSeries(t, each, tuple(range(1, kind.cells + 1)))
        for number in range(kind.cells):
            signals[f"cell_{number + 1:02d}_voltage"] = Series(t, each[:, number])
    session = SessionSeries("drawn", int(t[0]), int(t[-1]), 0, "relative", signals, given)
    pack = Pack(chemistry=kind.chemistry, cells_in_series=kind.cells, capacity_ah=kind.capacity_ah)
    pct = np.array([row[2] for row in cells.rows])
    return ReferencePack(session, pack, t, pct, offset, gain, curve)


def variant(kind: PackKind, **changes: object) -> PackKind:
    """Return ``kind`` with some attributes changed."""
    return replace(kind, **changes)  # type: ignore[arg-type]
