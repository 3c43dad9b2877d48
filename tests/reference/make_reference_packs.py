"""Makes the reference packs in folder ``packs``: cells in series simulated by PyBaMM, with faults and sensor errors.

Run it with an interpreter that has the versions named in packs/README.md; it writes the same bytes every time:

    python make_reference_packs.py [FOLDER] [NAME ...]

Each cell is a model of its own (SPMe) under the same current. The truth stands in ``reference_packs.json``. What is
simulated is never fitted to the program: it knows nothing of our estimators.
"""

from __future__ import annotations

import gzip
import io
import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pybamm
from scipy.interpolate import PchipInterpolator

ELECTRODES = "Number of electrodes connected in parallel to make a cell"
CONTACT = "Contact resistance [Ohm]"
NEGATIVE, POSITIVE = (f"Initial concentration in {side} electrode [mol.m-3]" for side in ("negative", "positive"))

# A 1.2 Ah iron phosphate cell measured at C/32: breakpoints published with a paper on piecewise open-circuit voltage
# models, IEEE Transactions on Instrumentation and Measurement, 2025. Prada2013's own lies 25 to 70 mV lower.
LFP_MEASURED = np.array(
    [
        *((0.0, 2.0102), (0.0033, 2.4177), (0.0117, 2.7405), (0.0267, 2.9299), (0.0534, 3.0872)),
        *((0.0885, 3.1942), (0.2972, 3.2772), (0.9833, 3.3511), (0.9950, 3.4180), (1.0, 3.5981)),
    ]
)


@dataclass(frozen=True)
class Chemistry:
    """Parameter set, V a cell at which use ends and a charger holds, V at which the pack's electronics trip."""

    parameter_set: str
    low_v: float
    charge_v: float
    trip_v: float
    contact_share: float


CHEMISTRIES = {"lfp": Chemistry("Prada2013", 2.5, 3.6, 3.68, 0.1), "nmc": Chemistry("Chen2020", 3.0, 4.2, 4.25, 0.1)}


@dataclass(frozen=True)
class PackRun:
    """One recording.

    Attributes:
        course: ``mow`` or ``wide`` (use down to the first empty cell, then a whole charge).
        fault: ``none``, ``low-capacity``, ``low-charge`` or ``high-resistance``; ``amount`` is the missing share of
            capacity, of charge, or the factor of resistance.
        lag_s: how late cell readings are; ``scan_s`` more from the first cell to the last.
        gain, offset_a: of the current sensor.
        cell_offset_v: one standard deviation of a cell reading's own offset.
    """

    chemistry: str
    cells: int
    capacity_ah: float
    course: str
    minutes: float
    start_soc: float
    row_s: float
    seed: int
    fault: str = "none"
    odd_cell: int = 0
    amount: float = 0.0
    lag_s: float = 0.0
    scan_s: float = 0.0
    gain: float = 1.0
    offset_a: float = 0.0
    temperature_c: float = 25.0
    cell_offset_v: float = 0.001
    cell_noise_v: float = 0.0005

    @property
    def grid_s(self) -> float:
        """Seconds from value to value of the true current, straight lines between."""
        return 0.1 if self.course == "mow" else 0.5


RUNS = {
    "lfp16_mow_healthy_10hz": PackRun("lfp", 16, 100, "mow", 12, 0.85, 0.1, 11, lag_s=0.3, gain=1.008, offset_a=0.4),
    "lfp16_mow_joint_1hz": PackRun(
        "lfp", 16, 105, "mow", 35, 0.75, 1.0, 12, "high-resistance", 5, 1.6, lag_s=0.4, gain=0.993, offset_a=-0.3
    ),
    "nmc14_mow_joint_cold_10hz": PackRun(
        "nmc", 14, 60, "mow", 12, 0.80, 0.1, 13, "high-resistance", 12, 1.35, 0.2, 0.2, 0.994, 0.2, temperature_c=5.0
    ),
    "nmc14_mow_healthy_1hz": PackRun("nmc", 14, 80, "mow", 35, 0.70, 1.0, 14, lag_s=0.5, gain=1.01, offset_a=0.25),
    "lfp16_wide_low_capacity_1hz": PackRun(
        "lfp", 16, 100, "wide", 90, 0.85, 1.0, 16, "low-capacity", 9, 0.07, lag_s=0.35, gain=0.995, offset_a=-0.2
    ),
    "lfp16_wide_low_charge_1hz": PackRun(
        "lfp", 16, 100, "wide", 90, 0.80, 1.0, 17, "low-charge", 3, 0.05, lag_s=0.25, gain=1.007, offset_a=0.35
    ),
    "nmc14_wide_low_capacity_1hz": PackRun(
        "nmc", 14, 60, "wide", 90, 0.80, 1.0, 18, "low-capacity", 7, 0.09, lag_s=0.45, gain=1.006, offset_a=0.15
    ),
}


def mowing(one_c: float, minutes: float, step_s: float, rng: np.random.Generator) -> np.ndarray:
    """Return the true current of mowing over hills, A, one value each ``step_s``: our own invention.

    Starts and stops, an implement whose load flutters within seconds, hills of half a minute to some minutes,
    braking into the pack, short stands at a standby draw.
    """
    count = round(minutes * 60 / step_s)
    t = np.arange(count) * step_s
    hills = sum(
        rng.uniform(0.08, 0.2) * np.sin(2 * np.pi * t / period + rng.uniform(0, 6)) for period in (47.0, 128.0, 311.0)
    )
    flutter = np.zeros(count)
    shocks = rng.standard_normal(count)
    keep = np.exp(-step_s / 1.5)
    for row in range(1, count):
        flutter[row] = keep * flutter[row - 1] + np.sqrt(1 - keep**2) * 0.09 * shocks[row]
    work = np.maximum(0.65 + hills + flutter, 0.1)
    wanted = np.full(count, 0.006)
    at = 20.0
    while at < t[-1] - 30:
        leg, stand = rng.uniform(25, 110), rng.uniform(3, 15)
        driving = (t >= at) & (t < at + leg)
        wanted[driving] = work[driving]
        wanted[driving & (t < at + rng.uniform(1.5, 3))] = rng.uniform(1.2, 1.7)
        braking = (t >= at + leg) & (t < at + leg + rng.uniform(1, 2.5))
        wanted[braking] = -rng.uniform(0.2, 0.5)
        at += leg + stand
    width = round(0.5 / step_s)
    return one_c * np.convolve(np.pad(wanted, (width, 0), mode="edge"), np.full(width, 1 / width), "valid")[:count]


def parameters_of(chemistry: str) -> tuple[Any, tuple[float, float, float, float]]:
    """Return the parameter set with inputs for what differs from cell to cell, and the stoichiometry limits."""
    values = pybamm.ParameterValues(CHEMISTRIES[chemistry].parameter_set)
    limits = tuple(float(v) for v in pybamm.lithium_ion.ElectrodeSOHSolver(values).get_min_max_stoichiometries())
    if chemistry == "lfp":
        put_measured_curve(values, limits)
    values.update({"Lower voltage cut-off [V]": 0.5, "Upper voltage cut-off [V]": 6.0})
    values.update(dict.fromkeys((ELECTRODES, CONTACT, NEGATIVE, POSITIVE), "[input]"))
    return values, limits


def put_measured_curve(values: Any, limits: tuple[float, float, float, float]) -> None:
    """Give the positive electrode the potential that makes the whole cell's curve the measured one."""
    x_empty, x_full, y_full, y_empty = limits
    negative = values["Negative electrode OCP [V]"]
    soc = np.linspace(-0.02, 1.02, 1041)
    curve = PchipInterpolator(*LFP_MEASURED.T)
    inside = curve(np.clip(soc, 0, 1))
    slope_low, slope_high = (curve(0.001) - curve(0)) / 0.001, (curve(1) - curve(0.999)) / 0.001
    cell = inside + np.minimum(soc, 0) * slope_low + np.maximum(soc - 1, 0) * slope_high
    x, y = x_empty + soc * (x_full - x_empty), y_empty + soc * (y_full - y_empty)
    potential = cell + np.array([float(negative(pybamm.Scalar(each)).evaluate()) for each in x])
    ascending, of_it = y[::-1].copy(), potential[::-1].copy()
    values["Positive electrode OCP [V]"] = lambda sto: pybamm.Interpolant(
        ascending, of_it, sto, interpolator="linear"
    )


class Model:
    """The cells of one run: parameter set, and each cell's own inputs."""

    def __init__(self, run: PackRun) -> None:
        self.run = run
        rng = np.random.default_rng(run.seed)
        self.values, self.limits = parameters_of(run.chemistry)
        self.nominal_ah = float(self.values["Nominal cell capacity [A.h]"])
        self.scale = run.capacity_ah / self.nominal_ah
        kelvin = run.temperature_c + 273.15
        self.values.update({"Ambient temperature [K]": kelvin, "Initial temperature [K]": kelvin})
        self.capacity = 1 + 0.005 * rng.standard_normal(run.cells)
        self.start = run.start_soc + 0.002 * rng.standard_normal(run.cells)
        chemistry = CHEMISTRIES[run.chemistry]
        # Ohm of contact in each cell of nominal size: a share of some 30 milliohm that such a small cell has
        self.contact = chemistry.contact_share * 0.03 * (1 + 0.1 * rng.standard_normal(run.cells))
        odd = run.odd_cell - 1
        if run.fault == "low-capacity":
            self.capacity[odd] *= 1 - run.amount
        elif run.fault == "low-charge":
            self.start[odd] -= run.amount
        self.rng = rng
        self.options = pybamm.lithium_ion.SPMe({"contact resistance": "true"})

    def make_joint(self, plain_ohm: float) -> None:
        """Add to the odd cell's contact so that its resistance is ``amount`` times the plain one."""
        self.contact[self.run.odd_cell - 1] += (self.run.amount - 1) * plain_ohm

    def inputs(self, cell: int) -> dict[str, float]:
        """Return the inputs of one cell; ``cell`` -1 is the mean cell."""
        start = self.start[cell] if cell >= 0 else self.run.start_soc
        contact = self.contact[cell] if cell >= 0 else float(np.median(self.contact))
        size = self.scale * (self.capacity[cell] if cell >= 0 else 1.0)
        return {ELECTRODES: size, CONTACT: contact / self.scale} | self.starting(start)

    def starting(self, soc: float) -> dict[str, float]:
        """Return the inputs that start a cell at rest with ``soc``, 0 to 1."""
        x_empty, x_full, y_full, y_empty = self.limits
        most = [float(self.values[f"Maximum concentration in {side} electrode [mol.m-3]"]) for side in SIDES]
        return {
            NEGATIVE: most[0] * (x_empty + soc * (x_full - x_empty)),
            POSITIVE: most[1] * (y_empty + soc * (y_full - y_empty)),
        }

    def voltages(self, current: np.ndarray, cells: list[int], step_s: float) -> np.ndarray:
        """Return the voltages of ``cells`` under ``current`` (A, each ``step_s``), shape (rows, cells)."""
        t = np.arange(len(current)) * step_s
        values = self.values.copy()
        values["Current function [A]"] = pybamm.Interpolant(t, current, pybamm.t, interpolator="linear")
        solver = pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-6, options={"dt_max": max(2 * step_s, 0.2)})
        simulation = pybamm.Simulation(self.options, parameter_values=values, solver=solver)
        columns = []
        for cell in cells:
            solution = simulation.solve(t_eval=[0, t[-1]], t_interp=t, inputs=self.inputs(cell))
            found = np.asarray(solution["Voltage [V]"](np.minimum(t, solution.t[-1])))
            columns.append(np.where(t <= solution.t[-1] + 1e-9, found, np.nan))
        return np.stack(columns, axis=1)

    def step_resistance(self, cell: int, soc: float) -> tuple[float, float]:
        """Return volt per ampere 0.1 s and 1 s after a step from 0.35 C to 0.85 C held from rest, ohm."""
        one_c = self.run.capacity_ah
        current = np.full(1400, 0.35 * one_c)
        current[1200:] = 0.85 * one_c
        start = self.start[cell]
        self.start[cell] = soc
        volt = self.voltages(current, [cell], 0.1)[:, 0]
        self.start[cell] = start
        before = volt[1199] + (volt[1199] - volt[1189]) / 10 * np.array([1, 10])  # its drift carried on
        return tuple(float(v) for v in (before - volt[[1200, 1209]]) / (0.5 * one_c))

    def pulse_resistance(self, charges: np.ndarray) -> np.ndarray:
        """Return V/A 1 s and 10 s after a step from rest to 0.3 C, the mean over some charges, (cells, 2), ohm."""
        amperes = 0.3 * self.run.capacity_ah
        current = np.zeros(220)
        current[100:] = amperes
        start, found = self.start, []
        for share in charges.tolist():
            self.start = np.full(self.run.cells, share)
            volts = self.voltages(current, list(range(self.run.cells)), 0.1)
            found.append((volts[99] - volts[[109, 199]]).T / amperes)
        self.start = start
        return np.asarray(np.mean(found, axis=0))


SIDES = ("negative", "positive")


def charging_current(model: Model, use: np.ndarray) -> np.ndarray:
    """Return the current of use, a rest, a charge by constant current then voltage of the mean cell, and a rest."""
    run, chemistry = model.run, CHEMISTRIES[model.run.chemistry]
    left = run.start_soc - use.sum() * run.grid_s / 3600 / run.capacity_ah
    experiment = pybamm.Experiment(
        [
            pybamm.step.current(-0.4 * run.capacity_ah, termination=f"{chemistry.charge_v} V"),
            pybamm.step.voltage(chemistry.charge_v, termination=f"{0.05 * run.capacity_ah} A", duration=7200),
        ]
    )
    simulation = pybamm.Simulation(
        model.options, parameter_values=model.values.copy(), experiment=experiment, solver=pybamm.IDAKLUSolver()
    )
    solution = simulation.solve(inputs=model.inputs(-1) | model.starting(left))
    grid = np.arange(round(float(solution.t[-1]) / run.grid_s)) * run.grid_s
    # times at which steps meet stand twice; interp takes either, which moves an edge by nothing
    charge = np.interp(grid, solution.t, np.asarray(solution["Current [A]"].entries))
    return np.concatenate([use, np.zeros(round(600 / run.grid_s)), charge, np.zeros(round(900 / run.grid_s))])


def planned(model: Model) -> tuple[np.ndarray, np.ndarray]:
    """Return the true current, A, and the true cell voltages, shape (rows, cells), each ``run.grid_s``."""
    run, chemistry = model.run, CHEMISTRIES[model.run.chemistry]
    every = list(range(run.cells))
    current = mowing((0.5 if run.course == "mow" else 0.8) * run.capacity_ah, run.minutes, run.grid_s, model.rng)
    if run.course == "mow":
        return current, model.voltages(current, every, run.grid_s)
    watched = sorted({-1, run.odd_cell - 1})
    volts = model.voltages(current, watched, run.grid_s)
    empty = np.flatnonzero((np.nan_to_num(volts) < chemistry.low_v).any(axis=1))
    current = charging_current(model, current[: empty[0] if len(empty) else len(current)])
    volts = model.voltages(current, watched, run.grid_s)
    high = np.flatnonzero((np.nan_to_num(volts, nan=9.0) > chemistry.trip_v).any(axis=1))
    if len(high):  # one cell trips the pack: the charge ends there, and the pack rests
        current = np.concatenate([current[: high[0]], np.zeros(round(600 / run.grid_s))])
    return current, model.voltages(current, every, run.grid_s)


def measured(model: Model, current: np.ndarray, volts: np.ndarray) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return row times and what the sensors say: late, off, noisy and in steps."""
    run, rng = model.run, model.rng
    grid = np.arange(len(current)) * run.grid_s
    t = np.arange(0.0, grid[-1], run.row_s)
    true_current = np.interp(t, grid, current)
    columns = {}
    pack = np.interp(t, grid, volts.sum(axis=1)) + 0.004 * rng.standard_normal(len(t)) + 0.02
    columns["pack_voltage"] = quantised(pack, 0.01)
    shown = run.gain * true_current + run.offset_a + 0.05 * rng.standard_normal(len(t))
    columns["pack_current"] = quantised(shown, 0.1)
    offsets = run.cell_offset_v * rng.standard_normal(run.cells)
    for cell in range(run.cells):
        late = run.lag_s + run.scan_s * cell / max(run.cells - 1, 1)
        value = (
            np.interp(t - late, grid, volts[:, cell]) + offsets[cell] + run.cell_noise_v * rng.standard_normal(len(t))
        )
        columns[f"cell_{cell + 1:02d}_voltage"] = quantised(value, 0.001)
    charge = np.concatenate([[0.0], np.cumsum((current[1:] + current[:-1]) / 2)]) * run.grid_s / 3600
    soc = (model.start[:, None] - np.interp(t, grid, charge) / (run.capacity_ah * model.capacity[:, None])).mean(
        axis=0
    )
    columns["pack_temperature_1"] = quantised(run.temperature_c + 0.2 * rng.standard_normal(len(t)), 0.5)
    columns["extra_reference_soc_pct"] = np.round(100 * soc, 3)
    columns["extra_reference_charge_ah"] = np.round(np.interp(t, grid, charge), 4)
    return t, columns


def quantised(values: np.ndarray, step: float) -> np.ndarray:
    """Return ``values`` at whole multiples of ``step``."""
    return np.round(np.round(values / step) * step, 6)


def text_of(t: np.ndarray, columns: dict[str, np.ndarray]) -> str:
    """Return the recording as text."""
    lines = [",".join(["t", *columns])]
    table = np.column_stack([np.round(t, 3), *columns.values()]) + 0.0
    lines += [",".join(f"{value:.4f}".rstrip("0").rstrip(".") for value in row) for row in table.tolist()]
    return "\n".join(lines) + "\n"


def write(path: Path, text: str) -> None:
    """Write ``text`` gzipped without name or time of day, so that the same text gives the same bytes."""
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=packed, mtime=0) as file:
        file.write(text.encode("ascii"))
    path.write_bytes(packed.getvalue())


def make(name: str, run: PackRun, folder: Path) -> dict[str, Any]:
    """Make one recording and return its truth."""
    model = Model(run)
    middle = run.start_soc - (0.1 if run.course == "mow" else 0.35)
    if run.fault == "high-resistance":
        model.make_joint(model.step_resistance(run.odd_cell - 1, middle)[1] * model.scale)
    current, volts = planned(model)
    t, columns = measured(model, current, volts)
    write(folder / f"{name}.csv.gz", text_of(t, columns))
    steps = np.array([model.step_resistance(cell, middle) for cell in range(run.cells)])
    passed = run.start_soc - np.cumsum(current) * run.grid_s / 3600 / run.capacity_ah
    pulses = model.pulse_resistance(np.quantile(passed, [0.1, 0.5, 0.9]))
    return asdict(run) | {
        "cell_capacity_ah": np.round(run.capacity_ah * model.capacity, 3).tolist(),
        "cell_start_soc_pct": np.round(100 * model.start, 3).tolist(),
        "resistance_soc_pct": round(100 * middle, 1),
        "cell_mohm": np.round(1000 * driven_resistance(current, volts, run.grid_s), 5).tolist(),
        "pack_mohm": round(1000 * float(driven_resistance(current, volts, run.grid_s).sum()), 4),
        "cell_mohm_0_1_s": np.round(1000 * steps[:, 0], 5).tolist(),
        "cell_mohm_1_s": np.round(1000 * steps[:, 1], 5).tolist(),
        "cell_mohm_from_rest_1_s": np.round(1000 * pulses[:, 0], 5).tolist(),
        "cell_mohm_from_rest_10_s": np.round(1000 * pulses[:, 1], 5).tolist(),
        "rows": len(t),
    }


def driven_resistance(current: np.ndarray, volts: np.ndarray, step_s: float) -> np.ndarray:
    """Return what the true rows tell: change over 1 s of volt on ampere, least squares, while above 5 A out; ohm."""
    apart = round(1 / step_s)
    change, volt = current[apart:] - current[:-apart], volts[apart:] - volts[:-apart]
    loaded = current[apart:] > 5
    return -(change[loaded] @ volt[loaded]) / (change[loaded] @ change[loaded])


def main(folder: Path, names: list[str]) -> None:
    """Make the recordings named, or all, and keep the truth of each in one file."""
    print("pybamm", pybamm.__version__, "numpy", np.__version__)
    path = folder / "reference_packs.json"
    truth = json.loads(path.read_text()) if path.exists() else {}
    for name in names or list(RUNS):
        truth[name] = make(name, RUNS[name], folder)
        path.write_text(json.dumps({key: truth[key] for key in RUNS if key in truth}, indent=1) + "\n")
        size = (folder / f"{name}.csv.gz").stat().st_size
        print(name, truth[name]["rows"], "rows", size, "bytes", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "packs", sys.argv[2:])
