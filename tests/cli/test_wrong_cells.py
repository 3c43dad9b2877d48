"""A pack that cannot be the one of the machine file is not judged by it, and nobody is told to charge it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from telemetry.cli import main

MACHINE = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


def _report(folder: Path, volts: float, seconds: int, capsys: pytest.CaptureFixture[str], columns: str) -> dict:
    drive, machine = folder / "drive.csv", folder / "cart.toml"
    rows = (f"{n},{volts - 0.02 * (n % 40):.2f},{20 + n % 40}" for n in range(seconds))
    drive.write_text("\n".join([columns, *rows, ""]))
    machine.write_text(MACHINE)
    assert main(["report", str(drive), "--json", "--machine", str(machine)]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("volts", [26.4, 98.8], ids=["8 cells", "30 cells"])
def test_another_number_of_cells(volts: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """16 cells at 26 V would be far below what may be charged at all; more likely the file is wrong."""
    report = _report(tmp_path, volts, 1200, capsys, "t,pack_voltage,pack_current")
    assert report["verdict_word"] == "PARK"
    assert report["next"].startswith("Key off. Do not drive or charge it before you know which is wrong")
    assert report["soc"]["end_pct"] is None
    assert report["work"]["h_per_charge"] is None
    assert "the stated cells can have" in report["unknown"]["work.h_per_charge"]


@pytest.mark.parametrize(("volts", "cells"), [(26.8, "8 cells"), (80.0, "24 cells"), (99.6, "30 or 31 cells")])
def test_the_number_that_would_fit_is_the_one_the_pack_has(volts, cells, tmp_path, capsys) -> None:
    """80 V at rest is 24 cells at 3.33 V (discharge plateau of iron phosphate, common practice), not 25 at 3.20."""
    report = _report(tmp_path, volts, 1200, capsys, "t,pack_voltage,pack_current")
    assert f"(about {cells} would fit)" in report["next"]


def test_twenty_seconds_say_nothing_of_hours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    short = _report(tmp_path, 52.8, 20, capsys, "t,pack_voltage,pack_current")
    assert short["work"]["h_per_charge"] is None
    assert "shorter than 10 min" in short["unknown"]["work.h_per_charge"]
    assert _report(tmp_path, 52.8, 700, capsys, "t,pack_voltage,pack_current")["work"]["h_per_charge"] is not None


def test_a_reason_within_a_sentence_begins_small(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    reason = _report(tmp_path, 52.8, 700, capsys, "t,controller_voltage,pack_current")["verdict_reason"]
    assert ", but a current was recorded but no pack voltage" in reason
