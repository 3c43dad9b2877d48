"""One session as the program sees it, and what is true of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from telemetry.analysis.series import SessionSeries
from telemetry.machine.pack_keys import Pack


@dataclass(frozen=True, eq=False)
class Truth:
    """What no instrument shows.

    Attributes:
        t: int64 (n,), microseconds, evenly apart.
        current_a: float64 (n,), positive out of the pack.
        volts: float64 (n, cells), at the terminals of each cell, V.
        share: float64 (n, cells), each cell's charge over its own capacity, 0 to 1.
        capacity_ah: float64 (cells,), from full to empty.
        temperature_c: of all cells.
        fault: ``none``, ``low-capacity``, ``low-charge`` or ``high-resistance``; ``odd``: its cell, from 0.
        amount: the missing part of capacity or charge, or the factor of resistance; 0 for none.
        gain, offset_a: of the current sensor, which shows ``gain * current_a + offset_a``.
        lag_s: by how much the cells' readings are late.
        pulse_share: float64 (n,), mean charge of the cells at some moments of the drive, rising; empty where nobody
            asks. ``pulse_ohm``: float64 (n, cells, 2), each cell's resistance there over 1 s and over 10 s, ohm.
        whole: Wh, h, km and ha of a whole charge driven likewise; empty where nobody asks.
    """

    t: np.ndarray
    current_a: np.ndarray
    volts: np.ndarray
    share: np.ndarray
    capacity_ah: np.ndarray
    temperature_c: float
    fault: str
    odd: int
    amount: float
    gain: float
    offset_a: float
    lag_s: float
    pulse_share: np.ndarray = field(default_factory=lambda: np.empty(0))
    pulse_ohm: np.ndarray = field(default_factory=lambda: np.empty((0, 0, 2)))
    whole: tuple[float, ...] = ()

    @property
    def pct(self) -> np.ndarray:
        """State of charge of the pack, %: the mean of its cells'."""
        return np.asarray(100.0 * self.share.mean(axis=1))

    def at(self, t: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Return ``values`` (n,) at times ``t``."""
        return np.asarray(np.interp(t, self.t, values))


@dataclass(frozen=True, eq=False)
class Case:
    """A session of one pack.

    Attributes:
        kind: name of the kind of pack; ``seed``: what it was drawn by.
        series: what was recorded.
        pack: what the owner states.
        truth: what is true.
    """

    kind: str
    seed: int
    series: SessionSeries
    pack: Pack
    truth: Truth

    @property
    def name(self) -> str:
        return f"{self.kind} {self.seed}"


@dataclass(frozen=True, eq=False)
class Kind:
    """A kind of pack and drive, from which sessions are drawn.

    Attributes:
        name: chemistry, temperature, course and source, as printed.
        source: where its cells come from: ``simulator``, ``pybamm`` or ``measured``.
        chemistry, celsius: of the pack; ``course``: ``drive``, ``charge-then-drive``, ``drive-then-charge`` or
            ``charge-then-empty``, to the first empty cell and an hour of rest.
        draw: returns the case of a seed, the same each time.
    """

    name: str
    source: str
    chemistry: str
    celsius: float
    course: str
    draw: Callable[[int], Case]
