"""A logger's file with readings that cannot be true is judged without them, as a live run is."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from telemetry.cli import main

MACHINE = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
WILD = {100: ("pack_current", 99_999.0), 110: ("pack_voltage", 6553.5), 120: ("vehicle_speed", 1e6)}
CELLS = [f"cell_{number:02d}_voltage" for number in range(1, 17)]


def _drive(path: Path, wild: bool, unread_cells: int = 0) -> Path:
    """Write five minutes at 1 Hz; with ``unread_cells`` rows at its start in which a BMS has read no cell yet."""
    names = ["pack_voltage", "pack_current", "vehicle_speed", *CELLS]
    lines = [",".join(["t", *names])]
    for second in range(300):
        amps = 20 + 10 * math.sin(second / 9)
        volts = 52.8 - 0.02 * amps
        row = {"pack_voltage": volts, "pack_current": amps, "vehicle_speed": 8.0}
        row |= dict.fromkeys(CELLS, 0.0 if second < unread_cells else volts / 16)
        if second in WILD:
            name, value = WILD[second]
            row[name] = value if wild else math.nan
        cells = ("" if math.isnan(row[name]) else f"{row[name]:.4f}" for name in names)
        lines.append(",".join([str(second), *cells]))
    path.write_text("\n".join([*lines, ""]))
    return path


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("SHAKEDOWN_STORE", str(tmp_path / "sessions.sqlite3"))
    path = tmp_path / "cart.toml"
    path.write_text(MACHINE)
    return str(path)


def _report(name: str, machine: str, capsys: pytest.CaptureFixture[str]) -> tuple[dict, str]:
    assert main(["report", name, "--json", "--machine", machine]) == 0
    shown = capsys.readouterr()
    return json.loads(shown.out), shown.err


def test_one_impossible_reading_moves_no_figure(machine, tmp_path, capsys) -> None:
    wild, told = _report(str(_drive(tmp_path / "wild.csv", wild=True)), machine, capsys)
    holes, _ = _report(str(_drive(tmp_path / "holes.csv", wild=False)), machine, capsys)
    assert wild["totals"] == holes["totals"]
    assert wild["totals"]["peak_power_w"] < 2000
    assert "physically impossible values, which count as unknown: 1 of pack_current, 1 of pack_voltage, 1 of" in told
    assert main(["import", str(tmp_path / "wild.csv")]) == 0
    capsys.readouterr()
    stored, _ = _report("1", machine, capsys)
    assert stored["totals"]["peak_power_w"] == wild["totals"]["peak_power_w"]


def test_cells_that_were_not_read_yet_stop_nobody(machine, tmp_path, capsys) -> None:
    report, told = _report(str(_drive(tmp_path / "late.csv", wild=False, unread_cells=5)), machine, capsys)
    assert report["alarms"] == []
    assert "5 of cell_01_voltage, 5 of cell_02_voltage, 5 of cell_03_voltage and 13 more signals" in told
