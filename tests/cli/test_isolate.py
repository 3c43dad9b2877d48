"""``shakedown isolate`` as its user runs it, on drives of the second simulator."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.report.isolation_questions import ask_readings
from tests.reference.other_drives import ROW_STEPS, SIGNALS, other_drive
from tests.reference.other_faults import STEP_S


def recorded(folder: Path, cause: str) -> str:
    """Write one drive of three minutes as a recording and return where it is."""
    drive = other_drive(cause, 5 if cause == "healthy" else 1)
    t = np.arange(len(drive.table)) * STEP_S * ROW_STEPS
    path = folder / f"{cause}.csv"
    header = ",".join(["t", *SIGNALS])
    np.savetxt(path, np.column_stack([t, drive.table]), fmt="%.4f", delimiter=",", header=header, comments="")
    return str(path)


@pytest.mark.parametrize(("cause", "status"), [("pedal-sensor", 1), ("healthy", 0)])
def test_letter_and_json(cause, status, capsys, tmp_path):
    path = recorded(tmp_path, cause)
    assert main(["isolate", path]) == status
    letter = capsys.readouterr().out
    assert all(len(line) <= 80 for line in letter.splitlines())
    assert ("No fault found in this drive (" in " ".join(letter.split())) == (cause == "healthy")
    assert main(["isolate", path, "--json"]) == status
    told = json.loads(capsys.readouterr().out)
    assert {"cause", "ranked", "events", "next_check", "missing"} <= set(told)
    assert set(told["ranked"][0]) == {"cause", "probability", "why"}
    assert all(set(event) == {"t", "duration", "what"} for event in told["events"])
    assert told["cause"] == cause


def test_readings_by_hand_are_asked_beside_the_answer(capsys, monkeypatch, tmp_path):
    monkeypatch.setattr("sys.stdin", io.StringIO("perhaps\nyes\n"))
    main(["isolate", recorded(tmp_path, "healthy"), "--ask", "--json"])
    shown = capsys.readouterr()
    told = json.loads(shown.out)
    assert "please answer yes or no" in shown.err
    pedal = next(each for each in told["ranked"] if each["cause"] == "pedal-sensor")
    assert "the readings by hand speak for it" in pedal["why"]


def test_answers_are_read_and_wrong_ones_asked_again():
    answers = iter(["no", "a lot", "120 50", "voltage", "", "yes"])
    said: list[str] = []
    readings = ask_readings(lambda question: next(answers), said.append)
    assert readings.pedal_jumps is False
    assert readings.joint_ohm == pytest.approx(0.0024)
    assert readings.code == "voltage"
    assert readings.enable_steady is None
    assert readings.wheels_free is True
    assert len(said) == 2
