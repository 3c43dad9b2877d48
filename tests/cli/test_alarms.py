"""``shakedown alarms``: a recording file, a stored session and its replay give the same alarms. Invented values."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from telemetry.cli import main
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Acknowledge, AlarmChange, AlarmFinding, Event, ResetLatch, Shelve
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.run import standard_stages
from telemetry.report.alarm_review import judged_anew
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

S = 1_000_000
START = 1_700_000_000_000_000
MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 100
low_cutoff_v = 44.8

[limits.pack-voltage-low]
raise_delay_s = 1.0
clear_delay_s = 1.0
clear_margin = 0.1

[limits.pack-voltage-high]
enabled = false
"""
GROUP = Group("pack", "pack", ("pack_voltage", "pack_current", "cell_min_voltage"))
ROWS = [
    [
        44.0 if 30 <= second < 34 or 40 <= second < 44 or 50 <= second < 54 else 52.0,
        20.0,
        2.4 if 100 <= second < 110 else 3.2,
    ]
    for second in range(900)
]
INPUTS: tuple[Event, ...] = (
    Acknowledge(START + 32 * S, "pack-voltage-low", "pack_voltage"),
    Shelve(START + 52 * S, "pack-voltage-low", None, 300.0),
    Acknowledge(START + 105 * S),
    ResetLatch(START + 200 * S),
)


@pytest.fixture
def machine_file(tmp_path: Path) -> Path:
    file = tmp_path / "cart.toml"
    file.write_text(MACHINE)
    return file


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    file = tmp_path / "drive.csv"
    lines = [f"{t},{','.join(map(str, row))}" for t, row in enumerate(ROWS)]
    file.write_text("t,pack_voltage,pack_current,cell_min_voltage\n" + "\n".join(lines) + "\n")
    return file


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session as a live run leaves it: spans of 50 ms to some seconds past the stages, into the store."""
    path = tmp_path_factory.mktemp("recorded") / "sessions.sqlite3"
    machine, problems = parse_machine(MACHINE, "cart.toml")
    assert machine is not None, problems
    stages = standard_stages(judge_for(machine), machine)
    with StoreWriter.open(path) as writer:
        writer.begin_session("cart", MACHINE, "live", "absolute", START, START)
        for first in range(0, 900, 3):
            t = [START + second * S for second in range(first, first + 3)]
            inputs = tuple(event for event in INPUTS if t[0] - S < event.t <= t[-1])
            span = stages.advance(Span(t[-1], (Batch.of_rows(GROUP, t, ROWS[first : first + 3]),), inputs))
            assert writer.offer(span) == 0
            if first % 30 == 0:
                writer.flush()  # a live session's queue holds a minute
        writer.offer(stages.advance(Span(t[-1], final=True)))
        writer.end_session(START + 899 * S)
    return path


@pytest.fixture
def store(recorded: Path, tmp_path: Path) -> Path:
    """That session in a store of the test's own."""
    return Path(shutil.copy(recorded, tmp_path))


def told(capsys: pytest.CaptureFixture[str], *words: object) -> Any:
    assert main(["alarms", *map(str, words)]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_stored_session_replayed_gives_the_same_alarms(store: Path) -> None:
    with StoreReader.open(store) as reader:
        stored = [e for e in reader.events(1) if isinstance(e, AlarmChange | AlarmFinding)]
        recording = reader.recording(1)
    assert recording.machine_text is not None
    machine, _ = parse_machine(recording.machine_text, "cart.toml")
    anew, _ = judged_anew(recording, machine)
    assert repr([e for e in anew if isinstance(e, AlarmChange | AlarmFinding)]) == repr(stored)
    states = {change.stands for change in stored if isinstance(change, AlarmChange)}
    assert states >= {"acknowledged", "shelved", "latched acknowledged", "normal", "out of service"}


def test_the_session_is_told_with_its_figures(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, "1", "--store", store, "--json")
    figures = found["figures"]
    assert found["judged_by"] == "the limits in force when it was recorded"
    assert figures["duration_s"] == 899.0
    # three excursions of the voltage, one of the cell; shelved for the last few seconds of the third
    assert figures["alarms"] == 4
    assert figures["alarms_per_10_min"] == pytest.approx(4 * 600 / 899, abs=1e-4)
    assert figures["by_priority"]["high"]["alarms"] == 1
    assert figures["worst_10_min"] == {"alarms": 4, "from_s": 31.0}
    assert figures["longest_standing"]["limit"] == "cell-voltage-low"
    assert [each["limit"] for each in figures["chattering"]] == ["pack-voltage-low"]
    low = next(each for each in found["alarms"] if each["limit"] == "pack-voltage-low")
    first = low["changes"][0]
    assert (first["t"], first["state"], first["level"]) == (31.0, "raised", "trip")
    assert (first["value"], first["bound"]) == (44.0, 44.8)
    assert "low_cutoff_v" in first["why"]
    quiet = next(each for each in found["alarms"] if each["limit"] == "pack-voltage-high")
    assert quiet["stands"] == "out of service"


def test_a_recording_file_needs_a_machine_and_is_judged_by_it(
    recording: Path, machine_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["alarms", str(recording)]) == 2
    assert "add --machine FILE" in capsys.readouterr().err
    found = told(capsys, recording, "--machine", machine_file, "--json")
    assert found["figures"]["alarms"] == 4
    assert found["figures"]["standing_at_end"] == [
        {"limit": "pack-voltage-low", "signal": "pack_voltage", "stands": "returned unacknowledged"},
        {"limit": "cell-voltage-low", "signal": "cell_min_voltage", "stands": "latched unacknowledged"},
    ]


def test_what_is_advised_makes_it_one_alarm(
    recording: Path, machine_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = told(capsys, recording, "--machine", machine_file, "--json")
    advice = found["figures"]["chattering"][0]["change"]
    margin = float(advice.split("clear_margin = ")[1].split()[0])
    delay = float(advice.split("clear_delay_s = ")[1].split()[0])
    for changed in (
        MACHINE.replace("clear_margin = 0.1", f"clear_margin = {margin}"),
        MACHINE.replace("clear_delay_s = 1.0", f"clear_delay_s = {delay}"),
    ):
        machine_file.write_text(changed)
        after = told(capsys, recording, "--machine", machine_file, "--json")
        assert after["figures"]["chattering"] == []
        voltage = [each for each in after["alarms"] if each["limit"] == "pack-voltage-low"]
        assert sum(change["state"] == "raised" for each in voltage for change in each["changes"]) == 1


def test_chattering_is_a_setting(recording: Path, machine_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = told(capsys, recording, "--machine", machine_file, "--json", "--chattering", "4")
    assert found["figures"]["chattering"] == []
    with pytest.raises(SystemExit):
        main(["alarms", "last", "--chattering", "1"])


def test_plain_lines_fit_the_terminal(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["alarms", "last", "--store", str(store)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 100
    text = "\n".join(lines)
    assert "worst 10 min     4, from 0:00:31.0" in text
    assert "raised (trip) at 44.0 V against 44.8 V -> unacknowledged" in text
    assert "what   low pack voltage, PACK, while driving" in text
    assert "do     STOP: Release the throttle and stop where it is safe." in text
    assert "value  raised 2.400 V, worst 2.400 V" in text
    assert "limit  44.8 V: BMS cut-off 44.8 V ([pack] low_cutoff_v)" in text
    assert "since  trip at 0:00:31.0" in text
    assert "by the operator for 5 min" in text
    assert "chattering       pack-voltage-low on pack_voltage" in text


def test_a_replay_along_the_way_of_a_live_link_gives_them_too(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["replay", "1", "--speed", "max", "--no-screen", "--record", "--store", str(store)]
    assert main(words) == 0
    capsys.readouterr()
    with StoreReader.open(store) as reader:
        first, second = ([repr(e) for e in reader.events(n) if isinstance(e, AlarmChange)] for n in (1, 2))
    assert first == second
