"""Resistance and odd cells on packs that PyBaMM simulated: the goals, one by one. See packs/README.md."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from telemetry.analysis.cell_findings import judge_cells
from telemetry.analysis.ranges import Z90
from telemetry.analysis.resistance import find_resistance
from telemetry.analysis.series import read_series
from telemetry.machine.pack_keys import Pack
from telemetry.recordings.reading import open_recording

FOLDER = Path(__file__).parent / "packs"
TRUTH = json.loads((FOLDER / "reference_packs.json").read_text())


def test_the_files_are_small_and_all_there() -> None:
    files = sorted(FOLDER.glob("*.csv.gz"))
    assert [file.name.removesuffix(".csv.gz") for file in files] == sorted(TRUTH)
    assert sum(file.stat().st_size for file in files) < 1_500_000


@pytest.mark.parametrize("name", TRUTH)
def test_goals(name: str) -> None:
    truth = TRUTH[name]
    series = read_series(open_recording(FOLDER / f"{name}.csv.gz"))
    pack = Pack(chemistry=truth["chemistry"], cells_in_series=truth["cells"], capacity_ah=truth["capacity_ah"])
    resistance = find_resistance(series, pack)
    if truth["course"] == "mow":  # a pulse is no mean over a drive from full to empty
        for seconds, told, off in (
            (1, resistance.pack_mohm, resistance.pack_uncertainty_mohm),
            (10, resistance.pack_10s_mohm, resistance.pack_10s_uncertainty_mohm),
        ):
            pulse = sum(truth[f"cell_mohm_from_rest_{seconds}_s"])
            assert told * truth["gain"] == pytest.approx(pulse, rel=0.035)
            assert abs(told - pulse) < 3 * off < 0.06 * told
    assert resistance.cell_lag_s == pytest.approx(truth["lag_s"] + truth["scan_s"] / 2, abs=0.1)
    # cells against one another: 0.5 %
    mohm, true = np.array([cell.mohm for cell in resistance.cells]), np.array(truth["cell_mohm"])
    assert (mohm / np.median(mohm) / (true / np.median(true)) - 1).std() < 0.005
    assert mohm.sum() == pytest.approx(resistance.pack_mohm, rel=0.03)
    found = judge_cells(series, pack, resistance)
    expected = [] if truth["fault"] == "none" else [(truth["odd_cell"], truth["fault"])]
    assert [(odd.cell, odd.cause) for odd in found.odd] == expected
    if truth["fault"] == "low-capacity":
        # against the truth itself: its share of the others' capacity times the rated one
        assert found.odd[0].capacity_ah == pytest.approx(truth["cell_capacity_ah"][truth["odd_cell"] - 1], rel=0.03)
    if truth["fault"].startswith("low"):
        odd, capacity = truth["odd_cell"] - 1, np.array(truth["cell_capacity_ah"])
        told_of = found.charges[odd]
        share = 100.0 * capacity[odd] / np.median(capacity)
        assert abs(told_of.capacity_pct - share) < Z90 * told_of.capacity_uncertainty_pct
        if truth["fault"] == "low-charge":  # of like capacity: it lacks what it lacked from the start
            lacks = np.median(truth["cell_start_soc_pct"]) - truth["cell_start_soc_pct"][odd]
            assert abs(told_of.missing_top_pct - lacks) < Z90 * told_of.missing_top_uncertainty_pct
