"""Packs drawn by seed: what the owner states, cells of one of two sources, one of them odd, and the instruments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from drivers.simulated.cells import CellParameters, Cells, OddCell
from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.machine.pack_keys import Pack
from tests.calibration.case import Case, Truth
from tests.calibration.course import CellModel, Run, Session
from tests.calibration.sensors import Instruments, recorded
from tests.calibration.single_particle import GRID, SingleParticleCells, Variation, curve, published, rest_curve

FAULTS = ("none", "none", "low-capacity", "low-charge", "high-resistance")
PLATES = {"new": (0.97, 1.03), "used": (0.75, 1.0), "wrong plate": (0.6, 1.15)}
"""What a pack holds over what its plate says, lowest and highest."""
NEW_ERROR_PCT = 3.0
"""How far the owner of a new pack says to trust the plate; of the others nobody says."""
CHEMISTRIES = ("lfp", "nmc")
NICKEL_SETS = ("Chen2020", "Mohtat2020", "Ecker2015")
NICKEL_CURVES = (*NICKEL_SETS, "NCA_Kim2011")


@dataclass(eq=False)
class DrawnPack:
    """One pack.

    Attributes:
        seed, random: by which it was drawn, and what further is drawn by.
        celsius: of all cells.
        fault: its name, the place of the odd cell, and by how much, see ``Truth``.
        pack: what its owner states; ``cells``: what it is made of.
    """

    seed: int
    random: np.random.Generator
    celsius: float
    fault: tuple[str, int, float]
    pack: Pack
    cells: CellModel

    def session(self, step_s: float) -> Session:
        """Return a session of these cells, in steps of ``step_s``."""
        return Session(self.cells, self.pack.cell, self.pack.capacity_ah, step_s)

    def case(self, kind: str, run: Run, every_s: float, **known: Any) -> Case:
        """Return what instruments record of ``run`` each ``every_s``; ``known``: more fields of the truth."""
        instruments = Instruments.drawn(self.random, self.pack.cells_in_series, self.pack.capacity_ah, every_s)
        truth = Truth(
            np.round(np.arange(len(run.current_a)) * run.dt * 1e6).astype(np.int64),
            run.current_a,
            run.volts,
            run.share,
            np.array(self.cells.capacity_ah),
            self.celsius,
            *self.fault,
            instruments.gain,
            instruments.offset_a,
            instruments.lag_s + instruments.scan_s / 2,
            **known,
        )
        return Case(kind, self.seed, recorded(run, instruments, self.celsius, self.random), self.pack, truth)


def draw_pack(
    seed: int,
    which: int,
    made_of: tuple[str, str, float],
    share: tuple[float, float],
    faults: Sequence[str] = FAULTS,
    plate: str | None = None,
) -> DrawnPack:
    """Return the pack of one seed.

    Args:
        seed: what it is drawn by, with ``which``, a number that tells one use of a seed from another.
        made_of: source, chemistry and temperature, degC.
        share: of charge at the beginning, least and most.
        faults: one is drawn.
        plate: one of ``PLATES``; None: it holds what the plate says.
    """
    source, chemistry, celsius = made_of
    of_source, of_chemistry = list(MAKERS).index(source), len(MAKERS) + CHEMISTRIES.index(chemistry)
    random = np.random.default_rng([seed, of_source, of_chemistry, which, int(celsius)])
    count = int(random.choice([16, 16, 15, 24] if chemistry == "lfp" else [14, 14, 7, 20]))
    stated = float(random.choice([40.0, 60.0, 100.0, 105.0, 150.0]))
    name = str(random.choice(faults))
    fault = (name, int(random.integers(count)), drawn_fault(name, random))
    begin = float(random.uniform(*share))
    held = stated if plate is None else stated * float(random.uniform(*PLATES[plate]))
    error = NEW_ERROR_PCT if plate == "new" else None
    pack = Pack(chemistry=chemistry, cells_in_series=count, capacity_ah=stated, capacity_error_percent=error)
    cells = MAKERS[source](chemistry, celsius, count, held, begin, fault, random)
    return DrawnPack(seed, random, celsius, fault, pack, cells)


class SimulatorCells:
    """The cells of the program's own simulator as a :class:`CellModel`, at one temperature."""

    def __init__(self, parameters: CellParameters, share: float, celsius: float, random: np.random.Generator) -> None:
        self._cells, self._celsius = Cells(parameters, share, celsius, random), celsius
        self.capacity_ah = self._cells.capacity_ah

    @property
    def share(self) -> np.ndarray:
        return self._cells.soc

    @share.setter
    def share(self, value: np.ndarray) -> None:
        self._cells.soc = value

    def step(self, current_a: float, dt: float) -> np.ndarray:
        self._cells.step(current_a, dt, self._celsius)
        return self._cells.voltage

    def volts(self, current_a: float) -> np.ndarray:
        return np.asarray(self._cells.source_voltage - current_a * self._cells.resistance_ohm)


def drawn_fault(fault: str, random: np.random.Generator) -> float:
    low, high = {"low-capacity": (0.03, 0.12), "low-charge": (0.02, 0.08), "high-resistance": (1.4, 3.0)}.get(
        fault, (0, 0)
    )
    return float(random.uniform(low, high))


def _simulator(
    chemistry: str,
    celsius: float,
    count: int,
    stated: float,
    share: float,
    fault: tuple[str, int, float],
    random: np.random.Generator,
) -> CellModel:
    name, odd, amount = fault
    of_fault = {
        "low-capacity": OddCell(capacity=1 - amount, resistance=1 / (1 - amount)),
        "high-resistance": OddCell(resistance=amount),
    }
    ohm = random.uniform(0.035, 0.08) / stated
    parameters = CellParameters(
        chemistry,
        count,
        stated * random.uniform(0.97, 1.03),
        ohm,
        ohm * random.uniform(0.4, 1.0),
        rc_time_s=random.uniform(10, 60),
        charge_spread=random.uniform(0.001, 0.006),
        points=() if chemistry == "lfp" else nickel_points(str(random.choice(NICKEL_CURVES))),
        odd={odd + 1: of_fault[name]} if name in of_fault else {},
    )
    cells = SimulatorCells(parameters, share, celsius, random)
    if name == "low-charge":
        lower = cells.share.copy()
        lower[odd] -= amount
        cells.share = lower
    return cells


@cache
def nickel_points(recipe: str) -> tuple[tuple[float, float], ...]:
    """Return points of a published curve; with one for all, every pack would follow the program's first table."""
    if recipe in NICKEL_SETS:
        return tuple(zip(GRID[::5].tolist(), rest_curve(recipe)[::5].tolist(), strict=True))
    table = next(each for each in open_circuit_tables("nmc") if each.name == recipe)
    return tuple(zip(table.share.tolist(), table.volts.tolist(), strict=True))


def iron_phosphate_curve(random: np.random.Generator) -> np.ndarray | None:
    """Return the open-circuit curve of a whole cell on ``GRID``, V: one of three sources; None is Prada2013's own."""
    pick = random.random()
    if pick < 0.15:
        return None
    if pick < 0.5:  # measured at C/32, see drivers/simulated/cells.py for the source; its kinks rounded and moved
        from drivers.simulated.cells import LFP_POINTS

        at, volts = np.array(LFP_POINTS).T
        inner = at + random.normal(0, 0.012) * np.sin(np.pi * at)
        return np.asarray(np.interp(GRID, inner, volts) + random.normal(0, 0.003) * np.clip(10 * GRID, 0, 1))
    # measured half-cells, the graphite matched at random
    ratio, reach = random.uniform(0.90, 1.12), random.uniform(0.93, 0.99)
    phosphate = np.interp(np.clip(reach - GRID * (reach - 0.02), 0.015, 0.985), GRID, curve("iron_phosphate"))
    graphite = np.interp(0.005 + GRID * 0.86 / ratio, GRID, curve("graphite"))
    volts = phosphate - graphite
    volts = volts + np.clip((GRID - 0.985) / 0.015, 0, 1) ** 2 * max(0.0, 3.6 - volts[-1])
    volts = volts - np.clip((0.02 - GRID) / 0.02, 0, 1) ** 2 * max(0.0, volts[0] - 2.5)
    return np.asarray(np.maximum.accumulate(volts))


def _particles(
    chemistry: str,
    celsius: float,
    count: int,
    stated: float,
    share: float,
    fault: tuple[str, int, float],
    random: np.random.Generator,
) -> CellModel:
    name, odd, amount = fault
    capacity = random.uniform(0.97, 1.03) * (1 + random.uniform(0.003, 0.01) * random.standard_normal(count))
    start = share - np.abs(random.uniform(0.001, 0.006) * random.standard_normal(count))
    contact = random.uniform(0.004, 0.012) * (1 + 0.1 * random.standard_normal(count))
    if name == "low-capacity":
        capacity[odd] *= 1 - amount
    elif name == "low-charge":
        start[odd] -= amount
    elif name == "high-resistance":
        contact[odd] += (amount - 1) * 0.04
    start = 1 - (1 - start) / capacity * np.median(capacity)
    lfp = chemistry == "lfp"
    how = Variation(
        capacity,
        start,
        slow=float(np.exp(random.normal(0, 0.3))),
        reaction=float(np.exp(random.normal(0, 0.4))),
        ohmic=float(np.exp(random.normal(0, 0.3))),
        contact=contact,
        # half the gap that BATMODS-lite's measured branches leave, from hardly any to all of it
        hysteresis_v=np.clip(curve("iron_phosphate_half_gap")[::-1], 0.0, 0.04) * random.uniform(0.15, 1.0)
        if lfp
        else np.full(len(GRID), random.uniform(0.0, 0.004)),
        turn=random.uniform(0.015, 0.06),
        side=random.uniform(-1, 1),
        open_circuit=iron_phosphate_curve(random) if lfp else None,
        least_activation_j=random.uniform(20e3, 40e3),
    )
    kind = published("Prada2013" if lfp else str(random.choice(NICKEL_SETS)))
    return SingleParticleCells(kind, stated, celsius, how)


MAKERS = {"simulator": _simulator, "pybamm": _particles}
