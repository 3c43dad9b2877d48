"""Cells by the single-particle model, all cells of a pack at once: a pack of them costs a second, not an hour.

One spherical particle stands for each electrode. Diffusion in it is linear, so the content at its surface is the
mean plus a sum of delayed currents (the modes of a sphere with a flux at its surface: J. Crank, The Mathematics of
Diffusion, 2nd ed. 1975, section 6.3.2, from memory). The reaction follows Butler and Volmer with equal transfer
coefficients, the electrolyte is a resistance and one delayed resistance. Electrodes and their temperature
dependence are those of PyBaMM's parameter sets (see ``make_cells.py``, which also says how far this model lies from
PyBaMM's own SPMe: a few millivolts). Hysteresis follows the charge moved: G. L. Plett, J. Power Sources 134 (2004)
262-276.

Current counts positive out of the cells; content is lithium over the most that an electrode holds.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

GAS = 8.314462618
FARADAY = 96485.33212
WARM_K = 298.15
MODES = np.array([4.49341, 7.72525, 10.90412, 14.06619, 17.22076, 20.37130])
"""Roots of tan(x) = x; what is left of the infinite sum acts at once."""
GRID = np.linspace(0.0, 1.0, 501)
CHECKED_EVERY = 30
"""Rows (seconds) of the full model's voltage that ``cells.json`` keeps, for a check."""
MEASURED_EVERY_S = 30.0
"""Between the voltages of a measured discharge in it."""


@dataclass(frozen=True, eq=False)
class Electrode:
    """One electrode of nominal size: capacity, Ah; potential, V, on ``GRID``; diffusion, s; exchange current, A."""

    capacity_ah: float
    potential_v: np.ndarray
    diffusion_s: float
    diffusion_activation_j: float
    exchange_a: float
    exchange_activation_j: float


@dataclass(frozen=True, eq=False)
class Published:
    """A published cell of nominal size.

    Attributes:
        name: of the parameter set.
        capacity_ah: between its cut-offs.
        window: content of the negative electrode empty and full, of the positive empty and full.
        electrolyte: ohm at once, ohm delayed, s, and both activation energies, J/mol.
    """

    name: str
    capacity_ah: float
    window: tuple[float, float, float, float]
    negative: Electrode
    positive: Electrode
    electrolyte: tuple[float, float, float, float, float]

    @classmethod
    def of(cls, name: str, entry: dict[str, Any]) -> Published:
        sides = [
            Electrode(**(entry[side] | {"potential_v": np.array(entry[side]["potential_v"])}))
            for side in ("negative", "positive")
        ]
        return cls(
            name, entry["capacity_ah"], tuple(entry["window"]), sides[0], sides[1], tuple(entry["electrolyte"])
        )


@cache
def data() -> dict[str, Any]:
    """Return what ``make_cells.py`` wrote."""
    found: dict[str, Any] = json.loads(Path(__file__).with_name("cells.json").read_text(encoding="utf-8"))
    return found


@cache
def published(name: str) -> Published:
    return Published.of(name, data()["cells"][name])


@cache
def rest_curve(name: str) -> np.ndarray:
    """Return the open-circuit voltage of a published cell, V, on ``GRID`` of its share of charge."""
    return SingleParticleCells.like(published(name), 25.0, 0.5).rest_v(GRID)


@cache
def curve(name: str) -> np.ndarray:
    """Return a measured potential, V, on ``GRID``."""
    return np.array(data()["curves"][name])


@dataclass(frozen=True, eq=False)
class Variation:
    """How the cells of a pack differ from the published cell; arrays are one value a cell.

    Attributes:
        capacity, start: factor on the capacity; share of charge at the beginning.
        slow: factor on diffusion times; ``reaction``: on the exchange currents; ``ohmic``: on the electrolyte.
        contact: contact resistance over (1 V / 1 C), so 0.005 is 5 mV at 1 C.
        hysteresis_v: on ``GRID`` of the share of charge, half the gap between the branches.
        turn: share of charge that turns hysteresis round; ``side``: its state at the beginning, -1 to 1.
        open_circuit: on ``GRID``, V, in place of the published curve of the whole cell.
        least_activation_j: of diffusion, where the parameter set leaves it alike at all temperatures.
    """

    capacity: np.ndarray
    start: np.ndarray
    slow: float = 1.0
    reaction: float = 1.0
    ohmic: float = 1.0
    contact: np.ndarray = field(default_factory=lambda: np.zeros(1))
    hysteresis_v: np.ndarray = field(default_factory=lambda: np.zeros(len(GRID)))
    turn: float = 0.03
    side: float = 0.0
    open_circuit: np.ndarray | None = None
    least_activation_j: float = 0.0


class SingleParticleCells:
    """The cells of one pack at one temperature.

    Attributes:
        share: of charge, each cell's own, 0 to 1; ``capacity_ah``: each cell's own.
    """

    def __init__(self, kind: Published, stated_ah: float, celsius: float, how: Variation) -> None:
        kelvin = celsius + 273.15
        self.kind, self.how = kind, how
        self.capacity_ah = stated_ah * how.capacity
        self.share = np.array(how.start, dtype=float)
        self._to_nominal = kind.capacity_ah / self.capacity_ah  # a cell of nominal size at the same C rate
        self._thermal = GAS * kelvin / FARADAY
        hotter = (1.0 / WARM_K - 1.0 / kelvin) / GAS
        sides = (kind.negative, kind.positive)
        activation = [max(side.diffusion_activation_j, how.least_activation_j) for side in sides]
        self._delay = [
            side.diffusion_s * how.slow * np.exp(-each * hotter) for side, each in zip(sides, activation, strict=True)
        ]
        self._exchange = [
            side.exchange_a * how.reaction * np.exp(side.exchange_activation_j * hotter) for side in sides
        ]
        ohm, slow_ohm, self._slow_s, act, slow_act = kind.electrolyte
        self._ohm = ohm * how.ohmic * np.exp(-act * hotter) + how.contact * np.exp(-8e3 * hotter) / kind.capacity_ah
        self._slow_ohm = slow_ohm * how.ohmic * np.exp(-slow_act * hotter)
        count = len(self.share)
        self._modes = np.zeros((2, len(MODES), count))
        self._slow, self._dt = np.zeros(count), 0.0
        flows = [-delay / (3 * 3600.0 * side.capacity_ah) for delay, side in zip(self._delay, sides, strict=True)]
        self._settled = np.array(flows)[:, None, None] * (2.0 / MODES**2)[None, :, None]
        self._at_once = np.array(flows)[:, None] * (0.2 - (2.0 / MODES**2).sum())
        self._side = np.full(count, how.side)
        # against the published potentials, where the curve of the whole cell is another
        self._lift = np.zeros(len(GRID)) if how.open_circuit is None else how.open_circuit - self.rest_v(GRID)

    @classmethod
    def like(cls, kind: Published, celsius: float, start: float) -> SingleParticleCells:
        """Return one cell exactly as published."""
        return cls(kind, kind.capacity_ah, celsius, Variation(np.ones(1), np.full(1, start)))

    def _contents(self, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        x_empty, x_full, y_empty, y_full = self.kind.window
        return x_empty + share * (x_full - x_empty), y_empty + share * (y_full - y_empty)

    def rest_v(self, share: np.ndarray) -> np.ndarray:
        """Return the open-circuit voltage of the published cell at each share, V."""
        x, y = self._contents(share)
        positive = np.interp(y, GRID, self.kind.positive.potential_v)
        return np.asarray(positive - np.interp(x, GRID, self.kind.negative.potential_v))

    def step(self, current_a: float, dt: float) -> np.ndarray:
        """Carry ``current_a`` for ``dt`` seconds and return the voltages under it, V, shape (cells,)."""
        if dt != self._dt:
            self._dt, self._keep = dt, np.exp(-dt * (MODES**2)[None, :, None] / np.array(self._delay)[:, None, None])
            self._slow_part = 1.0 - np.exp(-dt / self._slow_s)
        nominal = current_a * self._to_nominal
        moved = current_a * dt / 3600.0 / self.capacity_ah
        self.share = self.share - moved
        settled = self._settled * nominal
        self._modes = settled + (self._modes - settled) * self._keep
        self._slow = self._slow + (nominal - self._slow) * self._slow_part
        part = np.abs(moved) / self.how.turn
        self._side = (self._side - np.sign(current_a) * part) / (1.0 + part)
        return self.volts(current_a)

    def volts(self, current_a: float) -> np.ndarray:
        """Return the voltages under ``current_a`` in this instant, V."""
        nominal = current_a * self._to_nominal
        x, y = self._contents(self.share)
        over = self._modes.sum(axis=1) + self._at_once * nominal
        negative, positive = self.kind.negative, self.kind.positive
        x, y = x + over[0], y - over[1]
        open_v = _beyond(y, positive.potential_v) - _beyond(x, negative.potential_v)
        # the surface's share of charge, by the electrode that bends the curve: for lift and hysteresis
        x_empty, x_full = self.kind.window[:2]
        at = np.clip((x - x_empty) / (x_full - x_empty), 0.0, 1.0)
        open_v = open_v + np.interp(at, GRID, self._lift)
        open_v = open_v + self._side * np.interp(self.share, GRID, self.how.hysteresis_v)
        reaction = np.zeros(len(x))
        for exchange, content in zip(self._exchange, (x, y), strict=True):
            inside = np.clip(content, 0.005, 0.995)
            reaction += (
                2.0 * self._thermal * np.arcsinh(nominal / (4.0 * exchange * np.sqrt(inside * (1.0 - inside))))
            )
        return np.asarray(open_v - reaction - nominal * self._ohm - self._slow * self._slow_ohm)


def _beyond(content: np.ndarray, potential: np.ndarray) -> np.ndarray:
    """Return the potential at ``content``; steep beyond an empty or a full electrode."""
    over = np.maximum(content - 0.998, 0.0) - np.maximum(0.002 - content, 0.0)
    return np.asarray(np.interp(content, GRID, potential) - 20.0 * over)


def checking_drive(one_c: float) -> np.ndarray:
    """Return a current each second, A, to check this model with: 75 min of steps between -0.3 C and 1.5 C."""
    rng = np.random.default_rng(5)
    steps = [np.full(rng.integers(3, 90), level) for level in rng.choice([0, 0, 0.3, 0.6, 0.9, 1.5, -0.3], 160)]
    return one_c * np.convolve(np.concatenate([np.zeros(60), *steps])[:4500], np.full(3, 1 / 3), "same")
