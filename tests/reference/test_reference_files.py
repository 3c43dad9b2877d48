"""The reference recordings agree with themselves: SciPy's trapezoid on their rows against PyBaMM's own integrals.

Source: PyBaMM 26.10.1.1 with the parameter sets Prada2013 and Chen2020; scipy.integrate.trapezoid. See README.md.
Nothing of ours is under test here: this shows that the files can serve as a yardstick.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import trapezoid

FOLDER = Path(__file__).parent
FILES = ("lfp_discharge", "lfp_drive", "nmc_discharge", "nmc_drive")
HEADER = (
    "t,pack_voltage,pack_current,extra_reference_charge_ah,extra_reference_energy_wh,"
    "extra_reference_throughput_ah,extra_reference_throughput_wh"
)
# From the parameter sets as published: nominal capacity in Ah, lower and upper cut-off in V.
CELLS = {"lfp": (2.3, 2.0, 3.6), "nmc": (5.0, 2.5, 4.2)}


def columns_of(name: str) -> dict[str, np.ndarray]:
    with gzip.open(FOLDER / f"{name}.csv.gz", "rt", encoding="ascii") as file:
        header = file.readline().strip()
        assert header == HEADER
        rows = np.loadtxt(file, delimiter=",")
    return dict(zip(header.split(","), rows.T, strict=True))


@pytest.mark.parametrize("name", FILES)
def test_charge_by_trapezoid_agrees_with_the_simulation(name: str) -> None:
    data = columns_of(name)
    charge = trapezoid(data["pack_current"], data["t"]) / 3600
    assert charge == pytest.approx(data["extra_reference_charge_ah"][-1], rel=1e-3)


@pytest.mark.parametrize("name", FILES)
def test_energy_by_trapezoid_agrees_with_the_simulation(name: str) -> None:
    data = columns_of(name)
    energy = trapezoid(data["pack_current"] * data["pack_voltage"], data["t"]) / 3600
    assert energy == pytest.approx(data["extra_reference_energy_wh"][-1], rel=1e-3)


@pytest.mark.parametrize("name", FILES)
def test_the_references_run_along_with_the_rows_and_not_only_at_the_end(name: str) -> None:
    data = columns_of(name)
    half = len(data["t"]) // 2
    charge = trapezoid(data["pack_current"][:half], data["t"][:half]) / 3600
    assert charge == pytest.approx(data["extra_reference_charge_ah"][half - 1], rel=1e-3)


@pytest.mark.parametrize("name", FILES)
def test_rows_are_evenly_spaced_and_within_the_cells_limits(name: str) -> None:
    data = columns_of(name)
    _, low, high = CELLS[name.partition("_")[0]]
    assert len(set(np.diff(data["t"]))) == 1
    assert data["pack_voltage"].min() >= low
    assert data["pack_voltage"].max() <= high
    assert np.all(np.diff(data["extra_reference_throughput_ah"]) >= 0)
    assert np.all(np.diff(data["extra_reference_throughput_wh"]) >= 0)


@pytest.mark.parametrize("cell", CELLS)
def test_a_discharge_ends_at_cut_off_and_gives_less_than_nominal_capacity(cell: str) -> None:
    nominal_ah, low, _ = CELLS[cell]
    data = columns_of(f"{cell}_discharge")
    assert data["pack_voltage"][-1] == pytest.approx(low, abs=0.03)
    assert 0.8 * nominal_ah < data["extra_reference_charge_ah"][-1] <= nominal_ah


@pytest.mark.parametrize("cell", CELLS)
def test_a_drive_puts_charge_back_by_braking(cell: str) -> None:
    data = columns_of(f"{cell}_drive")
    throughput, net = data["extra_reference_throughput_ah"][-1], data["extra_reference_charge_ah"][-1]
    charge_in = (throughput - net) / 2
    into = np.minimum(data["pack_current"], 0)
    assert charge_in > 0.01 * net
    # The clipped trapezoid is a cruder split at each crossing of zero, hence the wider tolerance.
    assert charge_in == pytest.approx(-trapezoid(into, data["t"]) / 3600, rel=0.05)


def test_the_files_are_small_and_bear_no_time_of_day() -> None:
    files = [FOLDER / f"{name}.csv.gz" for name in FILES]
    assert sum(file.stat().st_size for file in files) < 600_000
    for file in files:
        assert file.read_bytes()[4:8] == b"\0\0\0\0", f"{file.name} has a time in its gzip header"
