"""A machine file with the wrong capacity, or a current ten times too large: the report says so and goes on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from telemetry.cli import main

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = {ah}\n'
A_DRIVE = "time,pack_voltage,pack_current\n" + "".join(
    f"2026-05-01T{8 + s // 3600:02}:{s // 60 % 60:02}:{s % 60:02}Z,{53 - s / 2000:.3f},{40 + s % 60:.1f}\n"
    for s in range(0, 3600, 2)
)
"""Invented: an hour at about 70 A, so some 69 Ah."""


@pytest.mark.parametrize("stated", [7, 50])  # ten times too small, and just above 1.3 times
def test_report_and_compare_finish_and_say_what_to_check(
    stated: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drive, machine, page = tmp_path / "drive.csv", tmp_path / "mower.toml", tmp_path / "drive.html"
    drive.write_text(A_DRIVE, "utf-8")
    machine.write_text(PACK.format(ah=stated), "utf-8")
    name, with_machine = str(drive), ["--machine", str(machine)]

    assert main(["report", name, *with_machine, "--html", str(page)]) == 0
    assert "Check [pack] capacity_ah against the pack's nameplate" in " ".join(capsys.readouterr().out.split())
    assert "capacity_ah" in page.read_text("utf-8")

    assert main(["report", name, *with_machine, "--json", "--series"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert "capacity" in [each["name"] for each in found["findings"]]
    assert f"more than the stated {stated} Ah can hold" in found["unknown"]["soc.end_pct"]
    assert found["capacity"]["usable_ah"] is None

    assert main(["compare", name, name, *with_machine]) == 0
    assert main(["isolate", name, *with_machine]) in (0, 2)
