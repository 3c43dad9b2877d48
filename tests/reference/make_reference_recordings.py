"""Makes the reference recordings beside this file: cells simulated by PyBaMM, with PyBaMM's own charge and energy.

Run it with an interpreter that has the versions named in README.md; it writes the same bytes every time:

    python make_reference_recordings.py [FOLDER]

PyBaMM solves charge and energy inside the model, as differential equations along with the cell itself, so they owe
nothing to how the rows are sampled afterwards. Current is positive on discharge in PyBaMM as it is here.
"""

from __future__ import annotations

import gzip
import io
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pybamm

RTOL = 1e-7
ATOL = 1e-7
REST_S = 30

# What the model integrates itself, under the names the recordings carry.
REFERENCE_COLUMNS = {
    "extra_reference_charge_ah": ("Discharge capacity [A.h]", 8),
    "extra_reference_energy_wh": ("Discharge energy [W.h]", 8),
    "extra_reference_throughput_ah": ("Throughput capacity [A.h]", 8),
    "extra_reference_throughput_wh": ("Throughput energy [W.h]", 8),
}


@dataclass(frozen=True)
class Run:
    """One simulated run: which cell, from which state of charge, along which current, written down how often.

    Attributes:
        parameter_set: PyBaMM's name of the set.
        initial_soc: 0 to 1.
        current: A, one value a second, straight lines between.
        row_s: seconds from row to row of the recording.

    """

    parameter_set: str
    initial_soc: float
    current: np.ndarray
    row_s: float


def discharge(one_c: float) -> np.ndarray:
    """Return a rest, then 1 C until the cell's own lower voltage ends it, in A."""
    return np.concatenate([np.zeros(REST_S), np.full(3700, one_c)])


def drive(one_c: float) -> np.ndarray:
    """Return a drive of our own invention, in A: starts, cruising over humps, braking into the cell, standing still.

    Each leg differs in length and pull by plain arithmetic, so nothing is drawn at random. Braking goes from pull to
    return within a second, so that the current crosses zero between two rows as it does in a real recording.
    """
    legs = [np.zeros(REST_S)]
    for leg in range(24):
        peak, cruise, brake = 1.6 + 0.1 * (leg % 7), 0.5 + 0.07 * (leg % 5), -0.6 - 0.1 * (leg % 4)
        seconds = np.arange(32 + 3 * (leg % 6))
        legs += [
            np.linspace(0.05, peak, 4),
            np.full(2 + leg % 3, peak),
            np.linspace(peak, cruise, 5)[1:],
            cruise * (1 + 0.25 * np.sin(2 * np.pi * seconds / 21)),
            brake * np.array([1.0, 0.95, 0.8, 0.55, 0.25]),
            np.full(6 + 2 * (leg % 5), 0.02),
        ]
    return one_c * np.concatenate(legs)


RUNS = {
    "lfp_discharge": Run("Prada2013", 0.99, discharge(2.3), 1.0),
    "lfp_drive": Run("Prada2013", 0.9, drive(2.3), 0.5),
    "nmc_discharge": Run("Chen2020", 0.99, discharge(5.0), 1.0),
    "nmc_drive": Run("Chen2020", 0.9, drive(5.0), 0.5),
}


def solve(run: Run) -> pybamm.Solution:
    """Solve the full porous-electrode model along the run's current, straight lines between whole seconds."""
    seconds = np.arange(len(run.current), dtype=np.float64)
    values = pybamm.ParameterValues(run.parameter_set)
    values["Current function [A]"] = pybamm.Interpolant(seconds, run.current, pybamm.t, interpolator="linear")
    model = pybamm.lithium_ion.DFN({"calculate discharge energy": "true"})
    solver = pybamm.IDAKLUSolver(rtol=RTOL, atol=ATOL)
    simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
    rows = np.arange(0.0, seconds[-1] + run.row_s / 2, run.row_s)
    # Every second is a point at which the solver stops: no kink in the current is stepped over.
    return simulation.solve(t_eval=seconds, t_interp=rows, initial_soc=run.initial_soc)


def rows_of(solution: pybamm.Solution, row_s: float) -> str:
    """Return the recording as text, one row each ``row_s`` seconds up to the last that the run reached."""
    t = np.arange(int(np.floor(solution.t[-1] / row_s)) + 1) * row_s
    columns = {
        "t": (t, 1),
        "pack_voltage": (solution["Voltage [V]"](t), 6),
        "pack_current": (solution["Current [A]"](t), 6),
    }
    columns |= {name: (solution[theirs](t), digits) for name, (theirs, digits) in REFERENCE_COLUMNS.items()}
    lines = [",".join(columns)]
    for row in range(len(t)):
        # adding 0.0 turns a negative zero into a plain one
        fields = (f"{round(float(values[row]), digits) + 0.0:.{digits}f}" for values, digits in columns.values())
        lines.append(",".join(field.rstrip("0").rstrip(".") if "." in field else field for field in fields))
    return "\n".join(lines) + "\n"


def write(path: Path, text: str) -> None:
    """Write ``text`` gzipped without name or time of day, so that the same text gives the same bytes."""
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=packed, mtime=0) as file:
        file.write(text.encode("ascii"))
    path.write_bytes(packed.getvalue())


def main(folder: Path) -> None:
    """Make all recordings in ``folder`` and say what each came to."""
    print("pybamm", pybamm.__version__, "numpy", np.__version__)
    for name, run in RUNS.items():
        solution = solve(run)
        text = rows_of(solution, run.row_s)
        path = folder / f"{name}.csv.gz"
        write(path, text)
        print(path.name, path.stat().st_size, "bytes;", solution.termination, "; last row", text.splitlines()[-1])


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
