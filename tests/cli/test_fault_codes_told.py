"""A fault code that a source carries, from the machine file's words to alarms, JSON and report. Invented values."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from telemetry.cli import main

MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 100

[fault_codes.extra_bms_faults]
bit_4 = "cell voltage low"
"""


@pytest.fixture
def told(tmp_path: Path) -> list[str]:
    """A drive of a minute in which the BMS trips at 30 s and says why a second later."""
    (tmp_path / "cart.toml").write_text(MACHINE)
    rows = ["t,pack_voltage,pack_current,discharge_allowed,extra_bms_faults"]
    rows += [f"{t},52.0,{0 if t >= 30 else 60},{int(t < 30)},{16 if t >= 31 else 0}" for t in range(60)]
    (tmp_path / "drive.csv").write_text("\n".join(rows) + "\n")
    return [str(tmp_path / "drive.csv"), "--machine", str(tmp_path / "cart.toml")]


def said(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_alarms_say_the_fault_beside_the_trip_and_as_an_alarm(
    told: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["alarms", *told]) == 0
    text = said(capsys)
    assert "fault-code on cell voltage low: trip, medium priority" in text
    assert "why extra_bms_faults, bit 4" in text
    assert "reported at that time: cell voltage low 0:00:31.0 fault-code" in text
    assert main(["alarms", *told, "--json"]) == 0
    trips = {alarm["limit"]: alarm["reported"] for alarm in json.loads(capsys.readouterr().out)["alarms"]}
    assert trips == {"discharge-disabled": ["cell voltage low"], "fault-code": []}


def test_the_report_says_it_with_the_reason(told: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", *told]) == 0
    text = said(capsys)
    assert "Reason: The BMS disabled discharge under load. Reported at that time: cell voltage low. Act:" in text
    assert "Fault reported: cell voltage low; trip at 0:00:31" in text
