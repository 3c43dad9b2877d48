"""A fault code that a source carries, from the machine file's words to alarms, JSON and report. Invented values."""

from __future__ import annotations

import json
from pathlib import Path

import can
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


CATALOGUE = """\
VERSION ""

NS_ :

BS_:

BU_: Pack Recorder

BO_ 512 PackState: 8 Pack
 SG_ Voltage : 0|16@1+ (0.01,0) [0|0] "V" Recorder
 SG_ Current : 16|16@1- (0.1,0) [0|0] "A" Recorder
 SG_ FaultCode : 32|8@1+ (1,0) [0|0] "" Recorder

VAL_ 512 FaultCode 0 "none" 7 "CELL_UNDER_VOLTAGE" 9 "Fan slow" ;
"""
SOURCE = """
[[source]]
driver = "can-messages"
interface = "virtual"
catalogue = "pack.dbc"

[source.signals]
Voltage = "pack_voltage"
Current = "pack_current"
FaultCode = "extra_bms_code"
"""


@pytest.fixture
def on_a_bus(tmp_path: Path) -> Path:
    """A log of a minute on a bus; from 30 s on the BMS reports code 7. Returns its folder, with a machine file."""
    (tmp_path / "pack.dbc").write_text(CATALOGUE)
    (tmp_path / "cart.toml").write_text(MACHINE + SOURCE)
    with can.Logger(tmp_path / "drive.asc") as log:
        for n in range(600):
            data = (5200).to_bytes(2, "little") + (400).to_bytes(2, "little") + bytes([7 if n >= 300 else 0])
            frame = can.Message(timestamp=1_764_000_000 + n / 10, arbitration_id=512, is_extended_id=False, data=data)
            log.on_message_received(frame)
    return tmp_path


def test_a_catalogues_names_are_used_and_stay_with_the_session(
    on_a_bus: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    machine, store = str(on_a_bus / "cart.toml"), str(on_a_bus / "store.sqlite3")
    log = str(on_a_bus / "drive.asc")
    assert main(["alarms", log, "--machine", machine]) == 0
    assert "fault-code on cell under voltage: trip" in said(capsys)
    assert main(["limits", machine, "--store", store]) == 0
    assert "a fault that is named for extra_bms_faults, extra_bms_code" in said(capsys)
    run = ["replay", log, "--machine", machine, "--record", "--no-screen", "--silent", "--speed", "max"]
    assert main([*run, "--store", store]) == 0
    (on_a_bus / "pack.dbc").unlink()
    capsys.readouterr()
    assert main(["alarms", "last", "--store", store]) == 0
    assert "fault-code on cell under voltage: trip" in said(capsys)


def test_the_owners_names_win_over_the_catalogues(on_a_bus: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = on_a_bus / "own.toml"
    own.write_text(MACHINE + '[fault_codes.extra_bms_code]\ncode_7 = "a cell is empty"\n' + SOURCE)
    assert main(["alarms", str(on_a_bus / "drive.asc"), "--machine", str(own)]) == 0
    text = said(capsys)
    assert "fault-code on a cell is empty: trip" in text
    assert "cell under voltage" not in text
