"""``shakedown isolate`` as its user runs it, on the sample recordings beside the repository."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from telemetry.cli import main
from telemetry.report.isolation_questions import ask_readings

RECORDINGS = Path(__file__).parents[2].parent / "shared" / "recordings"
needs_recordings = pytest.mark.skipif(
    not RECORDINGS.is_dir(), reason="the sample recordings are not beside the repository"
)


@needs_recordings
@pytest.mark.parametrize(("name", "status"), [("pedal-sensor-1", 1), ("healthy-2", 0)])
def test_letter_and_json(name, status, capsys):
    path = str(RECORDINGS / f"{name}.csv")
    assert main(["isolate", path]) == status
    letter = capsys.readouterr().out
    assert all(len(line) <= 80 for line in letter.splitlines())
    assert main(["isolate", path, "--json"]) == status
    told = json.loads(capsys.readouterr().out)
    assert {"cause", "ranked", "events", "next_check", "missing"} <= set(told)
    assert set(told["ranked"][0]) == {"cause", "probability", "why"}
    assert all(set(event) == {"t", "duration", "what"} for event in told["events"])
    assert told["cause"] == name.rsplit("-", 1)[0]


@needs_recordings
def test_readings_by_hand_are_asked_beside_the_answer(capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("perhaps\nyes\n"))
    main(["isolate", str(RECORDINGS / "healthy-1.csv"), "--ask", "--json"])
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
