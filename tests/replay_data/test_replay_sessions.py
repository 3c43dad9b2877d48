"""The recorded sessions beside the script that made them."""

from __future__ import annotations

import gzip
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from replay_data.make_sessions import MACHINE_FILES, SESSIONS, lines
from telemetry.machine.machine_file import load_machine
from telemetry.recordings.reading import open_recording

FOLDER = Path(__file__).parents[2] / "replay_data"
BY_FILE = pytest.mark.parametrize("session", SESSIONS, ids=lambda session: session.file)


@BY_FILE
def test_the_first_seconds_are_what_the_script_makes(session):
    made = list(lines(session, 20))
    with gzip.open(FOLDER / session.file, "rt", encoding="utf-8") as file:
        kept = [line.rstrip("\n") for line in islice(file, len(made))]
    assert made[0] == kept[0]
    for one, other in zip(made[1:], kept[1:], strict=True):
        ours, theirs = one.split(","), other.split(",")
        assert ours[0] == theirs[0]
        assert [cell == "" for cell in ours] == [cell == "" for cell in theirs]
        # Another make of computer may round the last digit the other way.
        values = [np.array([float(cell or 0) for cell in cells[1:]]) for cells in (ours, theirs)]
        assert values[0] == pytest.approx(values[1], abs=0.011, rel=1e-3)


@BY_FILE
def test_each_is_small_whole_and_opens(session):
    path = FOLDER / session.file
    assert path.stat().st_size < 1_500_000
    recording = open_recording(path)
    rows, last = 0, recording.start
    for span in recording.spans():
        for batch in span.batches:
            rows += len(batch)
            last = max(last, int(batch.t[-1]))
            assert not any(name.startswith("extra_") for name in batch.group.signals)
    assert recording.start == round(session.start.timestamp()) * 1_000_000
    assert (last - recording.start) / 6e7 == pytest.approx(session.minutes, abs=0.1)
    assert rows >= session.minutes * 60 * session.rate_hz * 2


@pytest.mark.parametrize("name", MACHINE_FILES)
def test_the_machine_files_are_read_without_a_problem(name):
    assert load_machine(FOLDER / name).sources[0].driver == "simulated-machine"


def test_the_readme_says_that_they_are_simulated_and_by_what():
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert "simulated" in text
    assert "make_sessions.py" in text
    assert all(session.file in text for session in SESSIONS)
