"""The isolator's letter says what it covered, reads the cell findings, and denies no recorded signal."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from telemetry.cli import main
from tests.report.contradictions import words_of_a_program

ROOT = Path(__file__).parents[2]
ORCHARD = ROOT / "replay_data" / "orchard.toml"
PACKS = ROOT / "tests" / "reference" / "packs"
SIXTEEN = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n[machine]\nname = "reference"\n'


def letter(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    status = main(["isolate", *arguments])
    return status, " ".join(capsys.readouterr().out.split())


def test_an_odd_cell_is_in_the_letter_with_its_evidence(
    capsys: pytest.CaptureFixture[str], part_of_mow: Path
) -> None:
    # The simulated mower has a bad joint at cell 17: drivers/simulated/scenarios.py
    status, told = letter(capsys, str(part_of_mow), "--machine", str(ORCHARD))
    assert status == 1
    assert "Cell 17 stands out (high resistance" in told
    assert "internal resistance is" in told
    assert "joints of cell 17" in told
    assert "Nothing to measure" not in told
    assert "without cell voltages" not in told.lower()
    assert words_of_a_program({}, told) == []
    assert main(["isolate", str(part_of_mow), "--machine", str(ORCHARD), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert [each["cell"] for each in found["odd_cells"]] == [17]
    assert {"cause", "ranked", "events", "next_check", "missing", "evidence"} <= set(found)
    assert set(found["covered"]) | set(found["not_covered"]) == {each["cause"] for each in found["ranked"]} - {
        "healthy"
    }


def test_what_was_not_recorded_leaves_the_verdict_open_and_is_asked_for(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    machine = tmp_path / "m.toml"
    machine.write_text(SIXTEEN, "utf-8")
    status, told = letter(capsys, str(PACKS / "lfp16_mow_healthy_10hz.csv.gz"), "--machine", str(machine))
    assert status == 0
    assert "Not known: no part is named and none is cleared." in told
    assert re.search(r"Next:\s+- Record throttle_voltage at 10 Hz or faster", told)
    assert re.search(r"Not covered:.*throttle sensor: needs throttle_voltage", told)
    assert "without cell voltages" not in told.lower()
    assert words_of_a_program({}, told) == []
