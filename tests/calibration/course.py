"""What happens to a pack: driving, resting and charging, closed loop, so that odd cells act as they would.

Any model of cells will do: an object with ``step(current_a, dt) -> volts``, ``volts(current_a)``, ``share`` and
``capacity_ah``, arrays over cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from telemetry.machine.chemistry import Chemistry

_CHARGE_STRIDE_S = 3.0
_ROUNDS = 4
"""Until a current that gives a power is right to a thousandth, unless the pack is empty."""


class CellModel(Protocol):
    """The cells of one pack; current positive out."""

    share: np.ndarray
    capacity_ah: np.ndarray

    def step(self, current_a: float, dt: float) -> np.ndarray: ...

    def volts(self, current_a: float) -> np.ndarray: ...


@dataclass(frozen=True, eq=False)
class Run:
    """Rows ``dt`` seconds apart: A; V, shape (n, cells); share of charge, shape (n, cells)."""

    dt: float
    current_a: np.ndarray
    volts: np.ndarray
    share: np.ndarray


def driving(minutes: float, capacity_ah: float, dt: float, random: np.random.Generator) -> np.ndarray:
    """Return the current wanted each ``dt`` seconds, A: work over hills, pulling away, braking, stops."""
    work = random.uniform(0.2, 0.7)
    legs = [np.zeros(round(random.uniform(20, 240) / dt))]
    while sum(map(len, legs)) * dt < 60.0 * minutes:
        cruise, peak = work * random.uniform(0.5, 1.4), work * random.uniform(1.5, 3.5)
        seconds = np.arange(0.0, random.uniform(20, 150), dt)
        hills = 1.0 + random.uniform(0.1, 0.4) * np.sin(
            2 * np.pi * seconds / random.uniform(10, 60) + random.uniform(0, 6)
        )
        standby = random.choice([0.0, 0.004])
        legs += [
            np.linspace(0.02, peak, round(3 / dt) + 1),
            np.full(round(random.uniform(1, 5) / dt), peak),
            np.abs(cruise * hills * (1.0 + 0.1 * random.standard_normal(len(seconds)))),
            -cruise * random.uniform(0, 0.7) * np.linspace(1.0, 0.2, round(random.uniform(2, 6) / dt) + 1),
            np.full(round(random.uniform(4, 30) / dt), standby),
        ]
        if random.random() < 0.05:
            legs.append(np.full(round(random.uniform(120, 900) / dt), standby))
    return capacity_ah * np.concatenate(legs)


class Session:
    """Runs a pack through its course and keeps every row."""

    def __init__(self, cells: CellModel, cell: Chemistry, capacity_ah: float, dt: float) -> None:
        self._cells, self._cell, self._capacity_ah, self._dt = cells, cell, capacity_ah, dt
        self._rows: list[tuple[float, np.ndarray, np.ndarray]] = []

    @property
    def capacity_ah(self) -> np.ndarray:
        """Of each cell, Ah."""
        return self._cells.capacity_ah

    def _step(self, current_a: float, rows: int = 1) -> np.ndarray:
        """Carry ``current_a`` for ``rows`` rows in one stride; straight lines between its ends."""
        before = self._rows[-1] if self._rows else None
        volts = self._cells.step(current_a, rows * self._dt)
        share = self._cells.share
        for row in range(1, rows):
            if before is None:
                break
            part = row / rows
            inside = (before[1] + part * (volts - before[1]), before[2] + part * (share - before[2]))
            self._rows.append((current_a, *inside))
        self._rows.append((current_a, volts, share))
        return volts

    def drive(self, wanted: np.ndarray, *, watts: bool = False) -> bool:
        """Carry the currents wanted until a cell is empty; return whether none is. A full pack takes no braking.

        With ``watts`` it is the power that is wanted, W.
        """
        low_s = 0.0
        for each in wanted.tolist():
            ampere = self._amperes(each) if watts else each
            if ampere < 0.0 and self._cells.share.max() > 0.97:
                ampere = 0.0
            volts = self._step(ampere)
            low_s = low_s + self._dt if volts.min() < self._cell.minimum_v else 0.0
            if low_s >= 1.0:
                return False
        return True

    def _amperes(self, watts: float) -> float:
        """Return the current at which the pack gives ``watts``, as far as its voltage at once tells."""
        ampere = 0.0
        for _ in range(_ROUNDS):
            ampere = watts / float(self._cells.volts(ampere).sum())
        return ampere

    def rest(self, seconds: float) -> None:
        for _ in range(round(seconds / self._dt)):
            self._step(0.0)

    def charge(self, rate_c: float, end_c: float = 0.05) -> None:
        """Charge at a constant current, then hold the pack's voltage down to ``end_c``; a high cell trips the BMS."""
        most, count = rate_c * self._capacity_ah, len(self._cells.share)
        hold_v = (self._cell.charge_v - 0.01) * count
        current, high_s = most, 0.0
        ohm = np.inf
        stride = max(1, round(_CHARGE_STRIDE_S / self._dt))
        seconds = stride * self._dt
        for step in range(round(10 * 3600.0 / seconds)):
            volts = self._step(-current, stride)
            high_s = high_s + seconds if volts.max() > self._cell.maximum_v else 0.0
            if high_s >= 2.0:
                break
            if step % 20 == 0:
                ohm = max((volts.sum() - self._cells.volts(-0.9 * current).sum()) / (0.1 * current), 1e-6)
            current = min(most, current + (hold_v - volts.sum()) / ohm * min(1.0, 0.3 * seconds))
            if current < end_c * self._capacity_ah:
                break

    def finished(self) -> Run:
        current, volts, share = zip(*self._rows, strict=True)
        return Run(self._dt, np.array(current), np.array(volts), np.array(share))
