"""Derives ``cells.json``: what the single-particle cells of the calibration need of published cells.

    python -m venv reference-venv
    reference-venv/bin/pip install pybamm==26.10.1.1 batmods-lite==0.0.2 ampworks==0.1.0
    reference-venv/bin/python tests/calibration/make_cells.py

All three packages are under the 3-clause BSD licence. Nothing here is needed to run the program or its tests.

* PyBaMM: V. Sulzer et al., "Python Battery Mathematical Modelling (PyBaMM)", Journal of Open Research Software 9
  (2021) 14: electrode capacities, potentials, diffusion times and exchange currents of its parameter sets. What its
  electrolyte adds to the voltage is fitted (a resistance and one delayed resistance) to its SPMe model on a drive, at
  25 and at 0 degC; the remaining difference between the two models is kept in the file and printed.
* BATMODS-lite: measured potentials of graphite, and of iron phosphate while lithium goes in and out.
* ampworks: two whole nickel cells measured on a discharge at a twelfth of C from 4.1 to 3.0 V, one aged. Their
  electrodes, measured alone, are laid on them (least squares: 1 mV is left) to tell where 4.2 and 2.5 V lie.
"""

from __future__ import annotations

import csv
import json
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pybamm
from scipy.optimize import least_squares

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.calibration.single_particle import (
    CHECKED_EVERY,
    MEASURED_EVERY_S,
    Published,
    SingleParticleCells,
    checking_drive,
)

OUT = Path(__file__).with_name("cells.json")
SETS = ("Prada2013", "Chen2020", "Mohtat2020", "Ecker2015", "NCA_Kim2011")
GRID = np.linspace(0.0, 1.0, 501)
SIDES = ("Negative", "Positive")
KELVIN = 298.15


def evaluated(values: Any, symbol: Any) -> float:
    return float(values.process_symbol(symbol).evaluate())


def electrode(values: Any, side: str) -> dict[str, Any]:
    """Return capacity, potential, diffusion time and exchange current of one electrode."""
    area = values["Electrode height [m]"] * values["Electrode width [m]"]
    area *= values["Number of electrodes connected in parallel to make a cell"]
    thick, share = (
        values[f"{side} electrode {name}"] for name in ("thickness [m]", "active material volume fraction")
    )
    radius = values[f"{side} particle radius [m]"]
    most = values[f"Maximum concentration in {side.lower()} electrode [mol.m-3]"]
    moles = most * share * thick * area
    salt = values["Initial concentration in electrolyte [mol.m-3]"]

    def diffusivity(content: float, kelvin: float) -> float:
        given = values[f"{side} particle diffusivity [m2.s-1]"]
        return evaluated(
            values, given(pybamm.Scalar(content), pybamm.Scalar(kelvin)) if callable(given) else pybamm.Scalar(given)
        )

    def exchange(kelvin: float) -> float:
        given = values[f"{side} electrode exchange-current density [A.m-2]"]
        arguments = (salt, most / 2, most, kelvin)
        return evaluated(values, given(*(pybamm.Scalar(each) for each in arguments)))

    def potential(content: float) -> float:
        return evaluated(values, values[f"{side} electrode OCP [V]"](pybamm.Scalar(content)))

    middle = float(np.median([diffusivity(each, KELVIN) for each in (0.2, 0.35, 0.5, 0.65, 0.8)]))
    colder = float(np.median([diffusivity(each, 273.15) for each in (0.2, 0.35, 0.5, 0.65, 0.8)]))
    per_kelvin = 8.314462618 / (1 / 273.15 - 1 / KELVIN)
    activation = np.log(middle / colder) * per_kelvin
    inside = np.clip(GRID, 0.001, 0.999)
    return {
        "capacity_ah": moles * pybamm.constants.F.value / 3600.0,
        "potential_v": [round(potential(each), 5) for each in inside],
        "diffusion_s": radius**2 / middle,
        "diffusion_activation_j": float(activation),
        "exchange_a": exchange(KELVIN) * 3.0 * share / radius * thick * area,
        "exchange_activation_j": float(np.log(exchange(KELVIN) / exchange(273.15)) * per_kelvin),
    }


def full_model(name: str, current: np.ndarray, share: float, kelvin: float) -> np.ndarray:
    """Return the voltage that PyBaMM's SPMe gives, V, each second."""
    values = pybamm.ParameterValues(name)
    given = {"Ambient temperature [K]": kelvin, "Initial temperature [K]": kelvin}
    values.update(given | {"Lower voltage cut-off [V]": 0.1, "Upper voltage cut-off [V]": 6.0})
    original = pybamm.ParameterValues(name)
    t = np.arange(len(current), dtype=float)
    values["Current function [A]"] = pybamm.Interpolant(t, current, pybamm.t, interpolator="linear")
    x_empty, x_full, y_full, y_empty = pybamm.lithium_ion.ElectrodeSOHSolver(original).get_min_max_stoichiometries()
    for side, low, high in (("negative", x_empty, x_full), ("positive", y_empty, y_full)):
        most = values[f"Maximum concentration in {side} electrode [mol.m-3]"]
        values[f"Initial concentration in {side} electrode [mol.m-3]"] = most * (low + share * (high - low))
    solver = pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-6, options={"dt_max": 2.0})
    simulation = pybamm.Simulation(pybamm.lithium_ion.SPMe(), parameter_values=values, solver=solver)
    solution = simulation.solve(t_eval=[0, t[-1]], t_interp=t)
    return np.asarray(solution["Voltage [V]"](t))


def with_electrolyte(cell: dict[str, Any], name: str) -> dict[str, Any]:
    """Fit what the electrolyte adds at 25 and 0 degC, and say what is left between the two models."""
    one_c = cell["nominal_ah"]
    current = checking_drive(one_c)
    fitted, apart, checked = [], {}, {}
    for celsius in (25.0, 0.0):
        pybamm_v = full_model(name, current, 0.9, celsius + 273.15)
        bare = SingleParticleCells.like(Published.of(name, cell | {"electrolyte": [0, 0, 60.0, 0, 0]}), celsius, 0.9)
        ours = np.array([bare.step(float(ampere), 1.0)[0] for ampere in current])
        best = None
        for delay in (10.0, 20.0, 40.0, 80.0, 160.0):
            slow = np.zeros(len(current))
            for row in range(1, len(current)):
                slow[row] = slow[row - 1] + (current[row] - slow[row - 1]) * (1 - np.exp(-1 / delay))
            rows = np.column_stack([current, slow])
            found, *_ = np.linalg.lstsq(rows, ours - pybamm_v, rcond=None)
            left = ours - pybamm_v - rows @ found
            if best is None or left.std() < best[0]:
                best = float(left.std()), found, delay, left
        assert best is not None
        checked[f"{celsius:g}"] = np.round(pybamm_v[::CHECKED_EVERY], 4).tolist()
        apart[f"{celsius:g}"] = [round(1000 * best[0], 1), round(1000 * float(np.abs(best[3]).max()), 1)]
        fitted.append((float(best[1][0]), float(best[1][1]), best[2]))
    warm, cold = fitted
    per_kelvin = 8.314462618 / (1 / 273.15 - 1 / KELVIN)
    activation = [float(np.log(max(cold[k], 1e-9) / max(warm[k], 1e-9)) * per_kelvin) for k in (0, 1)]
    print(name, "electrolyte", fitted, "apart from SPMe, mV (one standard deviation, most):", apart, flush=True)
    return {
        "electrolyte": [max(warm[0], 1e-9), max(warm[1], 1e-9), warm[2], *(np.clip(activation, 0, 40e3).tolist())],
        "full_model_v": checked,
    }


def parameter_set(name: str) -> dict[str, Any]:
    values = pybamm.ParameterValues(name)
    limits = pybamm.lithium_ion.ElectrodeSOHSolver(values).get_min_max_stoichiometries()
    x_empty, x_full, y_full, y_empty = (float(each) for each in limits)
    cell = {
        "nominal_ah": float(values["Nominal cell capacity [A.h]"]),
        "window": [x_empty, x_full, y_empty, y_full],
        **{side.lower(): electrode(values, side) for side in SIDES},
    }
    cell["capacity_ah"] = electrode(values, "Negative")["capacity_ah"] * (x_full - x_empty)
    return cell | with_electrolyte(cell, name)


def columns(package: str, *path: str) -> dict[str, np.ndarray]:
    with files(package).joinpath(*path).open(encoding="utf-8-sig") as stream:
        rows = list(csv.DictReader(stream))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def on_grid(content: np.ndarray, volts: np.ndarray) -> list[float]:
    order = np.argsort(content)
    return np.round(np.interp(GRID, content[order], volts[order]), 5).tolist()


def measured_curves() -> dict[str, list[float]]:
    """Return measured potentials by lithium content 0 to 1, V."""
    phosphate, graphite = (
        columns("bmlite", "materials", "data", name) for name in ("lfp_ocv.csv", "graphite_ocv.csv")
    )
    inside = (phosphate["x"] > 0.01) & (phosphate["x"] < 0.99)
    return {
        "iron_phosphate": on_grid(phosphate["x"][inside], phosphate["V_avg"][inside]),
        "iron_phosphate_half_gap": on_grid(phosphate["x"][inside], phosphate["M_hyst"][inside]),
        "graphite": on_grid(graphite["x"], graphite["V"]),
    }


def measured_cell(name: str) -> dict[str, Any]:
    """Return a measured discharge: V each ``MEASURED_EVERY_S``, its rate (C), share of charge at both ends."""
    graphite, nickel, whole = (
        columns("ampworks", "datasets", "resources", "dqdv", f"{file}.csv")
        for file in ("gr_smooth", "nmc_smooth", name)
    )
    out = np.abs(whole["Ah"])
    # both electrodes were discharged against lithium, so their content rises along the file
    contents = [np.abs(each["Ah"]) / np.abs(each["Ah"]).max() for each in (graphite, nickel)]

    def volts(parts: np.ndarray, at: np.ndarray) -> np.ndarray:
        positive = np.interp(parts[0] + at / parts[1], contents[1], nickel["Volts"])
        return positive - np.interp(parts[2] - at / parts[3], contents[0], graphite["Volts"]) - parts[4]

    begin = [0.15, 1.3 * out[-1], 0.8, 1.2 * out[-1], 0.01]
    found = least_squares(lambda parts: volts(parts, out[::10]) - whole["Volts"][::10], begin)
    beyond = np.linspace(-0.3 * out[-1], 1.2 * out[-1], 6001)
    full, empty = np.interp([-4.2, -2.5], -(volts(found.x, beyond) + found.x[4]), beyond)
    hours = (whole["Seconds"][-1] - whole["Seconds"][0]) / 3600.0
    print(name, "left, mV:", round(1000 * float(np.sqrt((found.fun**2).mean())), 2), flush=True)
    grid = np.arange(whole["Seconds"][0], whole["Seconds"][-1], MEASURED_EVERY_S)
    return {
        "rate_c": out[-1] / hours / (empty - full),
        "share": [(empty - part) / (empty - full) for part in (0.0, out[-1])],
        "volts": np.round(np.interp(grid, whole["Seconds"], whole["Volts"]), 4).tolist(),
    }


def main() -> None:
    measured = {name: measured_cell(name) for name in ("cell1_rough", "cell2_rough")}
    cells = {name: parameter_set(name) for name in SETS}
    OUT.write_text(
        json.dumps({"cells": cells, "curves": measured_curves(), "measured": measured}) + "\n", encoding="utf-8"
    )
    print(OUT.stat().st_size, "bytes")


if __name__ == "__main__":
    main()
