"""Derives the open-circuit tables in ``telemetry/analysis/open_circuit.csv`` from two packages with a stated licence.

    python -m venv reference-venv
    reference-venv/bin/pip install pybamm==26.10.1.1 batmods-lite==0.0.2
    reference-venv/bin/python tests/reference/make_open_circuit_tables.py

Both packages are under the 3-clause BSD licence. Nothing here is needed to run the program or its tests.

* PyBaMM: V. Sulzer et al., "Python Battery Mathematical Modelling (PyBaMM)", Journal of Open Research Software 9
  (2021) 14. Half-cell potentials and electrode capacities of its parameter sets, between the cell's own cut-offs.
* BATMODS-lite: measured half-cell potentials of graphite, and of iron phosphate while lithium goes in and out, with
  the electrode thicknesses and contents of its graphite and iron phosphate cell. How a cell's electrodes are matched
  differs from maker to maker and moves the step between the two plateaus: three matches are tabulated.
"""

from __future__ import annotations

import csv
from importlib.resources import files
from pathlib import Path

import numpy as np
import pybamm
import yaml

OUT = Path(__file__).parents[2] / "telemetry" / "analysis" / "open_circuit.csv"
SHARE = np.concatenate(
    [[0, 0.0025, 0.005, 0.01, 0.015], np.arange(2, 98) / 100, [0.98, 0.985, 0.99, 0.995, 0.9975, 1]]
)
CUT_OFFS_V = (2.5, 3.6)
"""Empty and full of the iron phosphate cell built of half-cells."""
MATCHES = {"": 1.0, "_less_graphite": 0.93, "_more_graphite": 1.08}
"""Graphite against that of the package's cell: the step between the plateaus lies at 64, 60 and 69 % of charge."""
PARAMETER_SETS = ("Prada2013", "Chen2020", "Mohtat2020", "NCA_Kim2011")


def half_cell(name: str) -> dict[str, np.ndarray]:
    """Return the columns of a table of BATMODS-lite, by name, in the order of rising lithium content."""
    with files("bmlite").joinpath("materials", "data", name).open(encoding="utf-8-sig") as stream:
        rows = list(csv.DictReader(stream))
    columns = {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}
    order = np.argsort(columns["x"])
    return {key: values[order] for key, values in columns.items()}


def electrode(part: dict[str, float]) -> float:
    """Return the lithium that an electrode of BATMODS-lite takes up, kmol a square metre."""
    return part["thick"] * (part["eps_s"] - part["eps_CBD"]) * part["Li_max"]


def iron_phosphate(graphite_factor: float) -> np.ndarray:
    """Return the open-circuit voltage at ``SHARE``, midway between the branches of charge and discharge, V."""
    text = files("bmlite").joinpath("SPM", "templates", "graphite_lfp.yaml").read_text(encoding="utf-8")
    cell = yaml.safe_load(text)
    graphite, phosphate = half_cell("graphite_ocv.csv"), half_cell("lfp_ocv.csv")
    negative, positive = graphite_factor * electrode(cell["anode"]), electrode(cell["cathode"])
    lithium = cell["anode"]["x_0"] * negative + cell["cathode"]["x_0"] * positive
    content = np.linspace(0.0, min(1.0, lithium / negative), 40001)
    volts = np.interp((lithium - content * negative) / positive, phosphate["x"], phosphate["V_avg"])
    volts -= np.interp(content, graphite["x"], graphite["V"])
    empty, full = (float(np.interp(bound, volts, content)) for bound in CUT_OFFS_V)
    return np.interp(empty + SHARE * (full - empty), content, np.maximum.accumulate(volts))


def parameter_set(name: str) -> np.ndarray:
    """Return the open-circuit voltage at ``SHARE`` by a parameter set of PyBaMM, V."""
    values = pybamm.ParameterValues(name)
    x_empty, x_full, y_full, y_empty = pybamm.lithium_ion.ElectrodeSOHSolver(values).get_min_max_stoichiometries()

    def potential(side: str, content: float) -> float:
        symbol = values[f"{side} electrode OCP [V]"](pybamm.Scalar(content))
        return float(values.process_symbol(symbol).evaluate())

    volts = [
        potential("Positive", y_empty + share * (y_full - y_empty))
        - potential("Negative", x_empty + share * (x_full - x_empty))
        for share in SHARE
    ]
    return np.maximum.accumulate(np.array(volts))


def main() -> None:
    """Write the table: one row a share of charge, one column a source."""
    columns = {f"iron_phosphate_half_cells{name}": iron_phosphate(factor) for name, factor in MATCHES.items()}
    columns |= {name: parameter_set(name) for name in PARAMETER_SETS}
    with OUT.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["share", *columns])
        for place, share in enumerate(SHARE):
            writer.writerow([f"{share:g}", *(f"{volts[place]:.4f}" for volts in columns.values())])


if __name__ == "__main__":
    main()
