"""Kinds of pack: chemistry, temperature and course, with cells from the program's simulator or from PyBaMM's sets."""

from __future__ import annotations

import itertools
from functools import cache, partial

import numpy as np

from drivers.simulated.cells import CellParameters, Cells, OddCell
from telemetry.analysis.open_circuit import open_circuit_tables
from telemetry.machine.pack_keys import Pack
from tests.calibration.case import Case, Kind, Truth
from tests.calibration.course import CellModel, Session, driving
from tests.calibration.sensors import Instruments, recorded
from tests.calibration.single_particle import GRID, SingleParticleCells, Variation, curve, published, rest_curve

FAULTS = ("none", "none", "low-capacity", "low-charge", "high-resistance")
EMPTYING_FAULTS = ("none", "low-capacity", "low-charge", "low-charge", "low-charge")
"""Of packs that are driven until a cell is empty: mostly one that ends the drive before the others are near it."""
CELSIUS = (0.0, 10.0, 25.0, 40.0)
NICKEL_SETS = ("Chen2020", "Mohtat2020", "Ecker2015")
NICKEL_CURVES = (*NICKEL_SETS, "NCA_Kim2011")
STEP_S = 1.0
_TO_EMPTY_MIN = 400.0


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


def draw(source: str, chemistry: str, celsius: float, course: str, name: str, every_s: float, seed: int) -> Case:
    """Return the case of one seed."""
    words = (
        "simulator",
        "pybamm",
        "lfp",
        "nmc",
        "drive",
        "charge-then-drive",
        "drive-then-charge",
        "charge-then-empty",
        "drive-to-empty",
        "drive-to-empty-then-charge",
    )
    random = np.random.default_rng([seed, *(words.index(word) for word in (source, chemistry, course)), int(celsius)])
    count = int(random.choice([16, 16, 15, 24] if chemistry == "lfp" else [14, 14, 7, 20]))
    stated = float(random.choice([40.0, 60.0, 100.0, 105.0, 150.0]))
    to_empty = course.startswith("drive-to-empty")
    which = str(random.choice(EMPTYING_FAULTS if to_empty else FAULTS))
    fault = (which, int(random.integers(count)), drawn_fault(which, random))
    share = float(random.uniform(0.3, 0.7 if course.startswith("charge") else 1.0))
    pack = Pack(chemistry=chemistry, cells_in_series=count, capacity_ah=stated)
    cells = MAKERS[source](chemistry, celsius, count, stated, share, fault, random)
    session = Session(cells, pack.cell, stated, min(every_s, STEP_S))
    minutes = float(random.uniform(40, 120))
    rate_c = float(random.uniform(0.2, 0.5))
    if course.startswith("charge"):
        session.rest(120.0)
        session.charge(rate_c)
        session.rest(float(random.uniform(200, 1200)))
    session.drive(driving(_TO_EMPTY_MIN if to_empty else minutes, stated, min(every_s, STEP_S), random))
    if course == "charge-then-empty":
        session.drive(driving(_TO_EMPTY_MIN, stated, min(every_s, STEP_S), random))
        session.rest(3600.0)
    if course.endswith("-then-charge"):
        session.rest(float(random.uniform(60, 1200)))
        session.charge(rate_c)
        session.rest(400.0)
    run = session.finished()
    instruments = Instruments.drawn(random, count, stated, every_s)
    series = recorded(run, instruments, celsius, random)
    truth = Truth(
        np.round(np.arange(len(run.current_a)) * run.dt * 1e6).astype(np.int64),
        run.current_a,
        run.volts,
        run.share,
        np.array(cells.capacity_ah),
        celsius,
        *fault,
        instruments.gain,
        instruments.offset_a,
        instruments.lag_s + instruments.scan_s / 2,
    )
    return Case(name, seed, series, pack, truth)


@cache
def kind(source: str, chemistry: str, celsius: float, course: str, every_s: float = 1.0) -> Kind:
    """Return a kind of pack; rows are ``every_s`` seconds apart."""
    name = f"{chemistry}, {celsius:g} °C, {source}" + ("" if course == "drive" else f", {course}")
    return Kind(
        name, source, chemistry, celsius, course, partial(draw, source, chemistry, celsius, course, name, every_s)
    )


def kinds(*courses: str, chemistry: str | None = None, every_s: float = 1.0) -> tuple[Kind, ...]:
    """Return the kinds of every source and temperature, for some courses, of one chemistry or of both."""
    chemistries = ("lfp", "nmc") if chemistry is None else (chemistry,)
    every = itertools.product(chemistries, CELSIUS, courses, MAKERS)
    return tuple(kind(source, which, celsius, course, every_s) for which, celsius, course, source in every)
