"""The commands as a user calls them: what they print, how they end, and what bad input gets."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.machine.machine_file import load_machine
from telemetry.model.batch import MICROSECONDS, Batch, Group
from telemetry.model.errors import StoreError
from telemetry.model.recording import Recording
from telemetry.runs.subjects import open_subject
from telemetry.store.reader import StoreReader
from tests.faults.program import BUSY_S

MACHINE = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\nlow_cutoff_v = 48.0\n'


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    """A minute at 10 Hz: 50 A from 10 s to 40 s, the voltage below 48 V from 20 s to 30 s."""
    rows = ["t,pack_voltage,pack_current"]
    for n in range(601):
        t = n / 10
        voltage = 47.5 if 20 <= t < 30 else 52.0
        rows.append(f"{t},{voltage},{50.0 if 10 <= t < 40 else 0.5}")
    path = tmp_path / "drive.csv"
    path.write_text("\n".join(rows) + "\n")
    (tmp_path / "mower.toml").write_text(MACHINE)
    return path


def lines(capsys: pytest.CaptureFixture[str]) -> list[dict]:
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_replay_prints_alarm_link_and_summary(drive, capsys) -> None:
    machine = str(drive.with_name("mower.toml"))
    assert main(["replay", str(drive), "--machine", machine, "--speed", "max", "--json"]) == 0
    told = lines(capsys)
    alarms = [(e["limit"], e["level"], e["state"], e["t"]) for e in told if e["kind"] == "alarm"]
    assert alarms == [
        ("pack-voltage-low", "trip", "raised", 22.0),
        ("pack-voltage-low", "trip", "cleared", 40.0),
    ]
    assert [e["state"] for e in told if e["kind"] == "link"] == ["opening", "live", "ended"]
    summary = told[-1]
    assert summary["kind"] == "summary"
    assert summary["duration_s"] == 60.0
    assert summary["session"] is None
    assert summary["gaps_s"] == 0
    assert summary["charge_out_ah"] == pytest.approx((50 * 30 + 0.5 * 30) / 3600, rel=1e-3)
    assert summary["peak_power_w"] == 2600.0
    assert summary["peak_power_at_s"] == 10.0


@pytest.mark.parametrize("speed", ["max", "200", "50"])
def test_speed_changes_no_figure(drive, capsys, speed) -> None:
    machine = str(drive.with_name("mower.toml"))
    assert main(["replay", str(drive), "--machine", machine, "--speed", speed, "--json"]) == 0
    told = [e for e in lines(capsys) if e["kind"] in ("alarm", "gap", "summary")]
    assert main(["replay", str(drive), "--machine", machine, "--speed", "max", "--json"]) == 0
    assert told == [e for e in lines(capsys) if e["kind"] in ("alarm", "gap", "summary")]


def test_record_list_replay_export(drive, tmp_path, capsys) -> None:
    machine = str(drive.with_name("mower.toml"))
    assert main(["replay", str(drive), "--machine", machine, "--speed", "max", "--json", "--record"]) == 0
    first = lines(capsys)
    assert first[-1]["values_stored"] == first[-1]["values_published"] > 1200
    assert main(["sessions", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [(s["session"], s["duration_s"], s["ended_how"]) for s in listed] == [(1, 60.0, "normal")]
    assert main(["replay", "1", "--speed", "max", "--json"]) == 0
    again = lines(capsys)
    alarms = [[e for e in told if e["kind"] == "alarm"] for told in (first, again)]
    assert alarms[0] == alarms[1] != []
    out = tmp_path / "out.csv"
    assert main(["export", "last", str(out)]) == 0
    assert out.read_text().splitlines()[0] == "t,pack_voltage,pack_current"
    assert len(out.read_text().splitlines()) == 602
    capsys.readouterr()
    assert main(["export", "last", str(out)]) == 2
    assert "--replace" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["replay", "nowhere.csv"], 2, "no such file"),
        (["replay", "mow.xlsx"], 2, ".csv"),
        (["replay", "7"], 2, "no session 7"),
        (["watch"], 2, "--demo"),
        (["watch", "nowhere.toml"], 2, "nowhere.toml"),
        (["export", "last", "x.csv"], 2, "no session"),
        (["watch", "--demo", "--scenario", "racing"], 2, "orchard"),
    ],
)
def test_bad_input_is_one_sentence(arguments, status, says, capsys, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == status
    error = capsys.readouterr().err
    assert says in error
    assert "Traceback" not in error
    assert error.count("\n") <= 2


def test_five_mistakes_are_reported_at_once(tmp_path, capsys) -> None:
    path = tmp_path / "m.toml"
    path.write_text(
        '[pack]\nchemistry = "lfpo"\ncells_in_series = "16"\ncapacity_ah = -5\n'
        '[[source]]\ndriver = "serial-text"\nbaud_rat = 9600\n[wirring]\nfuse_a = 3\n'
    )
    assert main(["watch", str(path)]) == 2
    error = capsys.readouterr().err
    for mistake in ("lfpo", "cells_in_series", "capacity_ah", "wirring", "baud_rat"):
        assert mistake in error


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: p.write_bytes(b"not a database" * 100), "not"),
        (lambda p: sqlite3.connect(p).execute("PRAGMA user_version = 999").connection.close(), ""),
        (lambda p: p.mkdir(), "folder"),
    ],
)
def test_a_store_that_is_none_is_trouble_of_status_3(tmp_path, capsys, drive, make, says) -> None:
    store = tmp_path / "store.sqlite"
    make(store)
    assert main(["replay", str(drive), "--speed", "max", "--json", "--record", "--store", str(store)]) == 3
    error = capsys.readouterr().err
    assert says in error
    assert "Traceback" not in error


def test_new_machine_with_defaults_can_be_read_back(tmp_path, capsys) -> None:
    path = tmp_path / "new.toml"
    assert main(["new-machine", str(path), "--yes"]) == 0
    assert main(["limits", str(path), "--json"]) == 0
    assert main(["new-machine", str(path), "--yes"]) == 2
    assert "--replace" in capsys.readouterr().err


def test_new_machine_asks_and_explains(tmp_path, capsys, monkeypatch) -> None:
    answers = iter(
        ["iron", "lfp", "16", "100 Ah", "42 V", "63 V", "400", "25 mm2", "57.6 V", "18 A", "", "Old mower"]
    )
    monkeypatch.setattr("builtins.input", lambda _: next(answers, ""))
    assert main(["new-machine", str(tmp_path / "asked.toml")]) == 0
    text = (tmp_path / "asked.toml").read_text()
    assert 'name = "Old mower"' in text
    assert "cells_in_series = 16" in text
    said = capsys.readouterr().out
    assert "Old mower: [X] STOP: do not power it up like this" in said
    assert "[X] STOP  fuse-size: 400 A" in said
    assert said.count("To look up, most useful first") == 1
    assert said.count("- [machine] continuous_current_a: ") == 1
    assert "[?]" not in said


def shakedown(*arguments: str, **options) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "telemetry.cli", *arguments]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    return subprocess.Popen(command, text=True, **pipes | options)


def test_a_terminal_without_the_sign_for_degrees_gets_a_question_mark() -> None:
    machine = str(Path(__file__).parents[2] / "replay_data" / "orchard.toml")
    done = shakedown("limits", machine, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    out, error = done.communicate(timeout=BUSY_S)
    assert (done.returncode, error) == (0, "")
    assert " ?C" in out


def test_into_a_pipe_there_are_lines_and_no_screen(tmp_path) -> None:
    """A screen whose reader has gone would stop the run and its recording."""
    done = shakedown("watch", "--demo", "--for", "1", "--silent", "--store", str(tmp_path / "s.sqlite"))
    out, error = done.communicate(timeout=BUSY_S)
    assert done.returncode == 0, error
    assert "\x1b" not in out
    assert "link simulated-machine: opening" in out


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_with_its_errors_in_a_file_there_are_lines_and_no_screen(tmp_path) -> None:
    """The screen is drawn on the error stream: the terminal would stay empty."""
    leader, follower = os.openpty()
    with (tmp_path / "errors.txt").open("w+b") as errors:
        done = shakedown(
            *("watch", "--demo", "--for", "1", "--silent", "--store", str(tmp_path / "s.sqlite")),
            stdout=follower,
            stderr=errors,
        )
        assert done.wait(BUSY_S) == 0
        errors.seek(0)
        assert b"\x1b" not in errors.read()
    os.close(follower)
    assert b"link simulated-machine: opening" in os.read(leader, 65536)
    os.close(leader)


def test_the_demo_runs_records_ends_and_replays_the_same(tmp_path, capsys) -> None:
    store = tmp_path / "s.sqlite"
    done = shakedown("watch", "--demo", "--for", "4", "--json", "--store", str(store))
    out, error = done.communicate(timeout=BUSY_S)
    assert done.returncode == 0, error
    summary = json.loads(out.splitlines()[-1])
    assert 0.1 < summary["duration_s"] < 4.2, "it counts from the start of the run; a busy computer opens late"
    assert summary["values_stored"] == summary["values_published"] > 300
    assert summary["values_dropped"] == 0
    out_file = tmp_path / "live.csv"
    assert main(["export", "last", str(out_file), "--store", str(store)]) == 0
    capsys.readouterr()
    for again in ("last", str(out_file)):
        assert main(["replay", again, "--speed", "max", "--json", "--store", str(store)]) == 0
        replayed = lines(capsys)[-1]
        figures = (
            "duration_s",
            "gaps_s",
            "charge_out_ah",
            "charge_in_ah",
            "energy_out_wh",
            "energy_in_wh",
            "peak_power_w",
        )
        assert {key: replayed[key] for key in figures} == {key: summary[key] for key in figures}


def recorded_s(store: Path) -> float:
    """Return how much of the last session is in the store by now, s."""
    with suppress(StoreError), StoreReader.open(store) as reader:
        for record in reader.sessions():
            return ((record.last or record.start) - record.start) / MICROSECONDS
    return 0.0


def recording_demo(store: Path, at_least_s: float) -> subprocess.Popen[str]:
    """Start to watch the demo, and return once so much of it is stored."""
    running = shakedown("watch", "--demo", "--json", "--store", str(store))
    give_up = time.monotonic() + BUSY_S
    while recorded_s(store) < at_least_s:
        assert running.poll() is None
        assert time.monotonic() < give_up
        time.sleep(0.05)
    return running


def test_control_c_ends_it_well(tmp_path) -> None:
    store = tmp_path / "s.sqlite"
    running = recording_demo(store, 0.1)
    running.send_signal(signal.SIGINT)
    out, error = running.communicate(timeout=BUSY_S)
    assert running.returncode == 0, error
    assert json.loads(out.splitlines()[-1])["kind"] == "summary"
    assert main(["sessions", "--json", "--store", str(store)]) == 0


def test_a_killed_watch_loses_nothing_committed(tmp_path, capsys) -> None:
    store = tmp_path / "s.sqlite"
    running = recording_demo(store, 1.0)
    running.kill()
    running.communicate()
    assert main(["sessions", "--json", "--store", str(store)]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert listed[0]["ended_how"] == "ended without notice"
    assert listed[0]["duration_s"] > 0.9
    check = sqlite3.connect(store)
    assert check.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    check.close()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="pseudo-terminals are needed")
def test_captured_bytes_are_read_again_with_the_map(tmp_path, capsys) -> None:
    machine, capture = tmp_path / "far.toml", tmp_path / "bytes.txt"
    serving = shakedown("simulate", "--link", "serial-frames", "--write", str(machine), "--json")
    assert serving.stdout is not None
    settings = json.loads(serving.stdout.readline())["settings"]
    machine.write_text(
        machine.read_text() + "[limits.cell-voltage-low]\nwarn = 3.58\ntrip = 3.57\nraise_delay_s = 0.1\n"
    )
    try:
        options = ["--for", "4", "--json", "--capture", str(capture), "--store", str(tmp_path / "s.sqlite")]
        watching = shakedown("watch", str(machine), "--yes", *options)
        out, error = watching.communicate(timeout=BUSY_S)
    finally:
        serving.send_signal(signal.SIGTERM)
        serving.communicate(timeout=BUSY_S)
    assert watching.returncode == 0, error
    assert json.loads(out.splitlines()[-1])["values_stored"] > 50
    assert main(["decode-check", settings["map"], str(capture)]) == 0
    told = capsys.readouterr().out
    assert "pack_voltage" in told
    assert ", 0 of them in no good frame" in told
    assert main(["watch", str(machine), "--capture", str(capture), "--no-screen"]) == 2
    assert "exists" in capsys.readouterr().err
    # the high alarm has kept them too, from before it on
    store, raw = ["--store", str(tmp_path / "s.sqlite")], tmp_path / "raw.txt"
    assert main(["export", "last", str(raw), "--raw", *store]) == 0
    assert raw.read_text().splitlines()[1:] == capture.read_text().splitlines()[1:]
    assert raw.stat().st_mode & 0o077 == 0
    capsys.readouterr()
    assert main(["decode-check", settings["map"], str(raw)]) == 0
    assert ", 0 of them in no good frame" in capsys.readouterr().out
    for command in ("alarms", "report"):
        assert main([command, "last", *store]) == 0
        told = capsys.readouterr().out
        assert "raw bytes of serial-frames are kept" in told
        assert "shakedown export 1 raw.txt --raw" in told
    assert main(["export", "last", str(tmp_path / "raw.csv"), "--raw", *store]) == 2
    assert ".txt" in capsys.readouterr().err


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="pseudo-terminals are needed")
@pytest.mark.parametrize("link", ["serial-text", "serial-frames", "can-messages"])
def test_a_capture_plays_as_the_drive_it_was(link, tmp_path, capsys, request) -> None:
    machine, capture, store = tmp_path / "far.toml", tmp_path / "bytes.txt", tmp_path / "s.sqlite3"
    serving = shakedown("simulate", "--link", link, "--write", str(machine), "--json")
    assert serving.stdout is not None
    serving.stdout.readline()
    request.addfinalizer(lambda: (serving.send_signal(signal.SIGTERM), serving.communicate(timeout=BUSY_S)))
    options = ["--for", "4", "--json", "--capture", str(capture), "--store", str(store)]
    watching = shakedown("watch", str(machine), "--yes", *options)
    _, error = watching.communicate(timeout=BUSY_S)
    assert watching.returncode == 0, error
    assert main(["replay", str(capture), "--speed", "max", "--no-screen"]) == 2
    assert "--machine" in capsys.readouterr().err
    with StoreReader.open(store) as reader:
        stored = reader.recording(1)
        rows = {group.signals: sum(len(b) for b in _of(stored, group)) for group in stored.groups}
    played = open_subject(str(capture), store, load_machine(machine))
    assert {group.signals for group in played.groups} == set(rows)
    for group in played.groups:
        ours = np.concatenate([batch.values for batch in _of(played, group)])
        theirs = np.concatenate([batch.values for batch in _of(stored, group)])
        assert len(theirs) <= len(ours) <= len(theirs) + 20, "the last pieces may lie after the end of the run"
        np.testing.assert_array_equal(ours[: len(theirs)], theirs)
    assert main(["replay", str(capture), "--machine", str(machine), "--speed", "max", "--no-screen"]) == 0
    other = tmp_path / "other.toml"
    other.write_text(machine.read_text().replace("[[source]]", '[[source]]\nname = "another"'))
    assert main(["replay", str(capture), "--machine", str(other), "--speed", "max", "--no-screen"]) == 2
    assert "another" in capsys.readouterr().err


def _of(recording: Recording, group: Group) -> list[Batch]:
    return [batch for span in recording.spans() for batch in span.batches if batch.group.key == group.key]


def test_files_named_in_a_machine_file_lie_beside_it(tmp_path, capsys, monkeypatch) -> None:
    folder = tmp_path / "cart"
    folder.mkdir()
    machine = folder / "m.toml"
    machine.write_text(MACHINE + '[[source]]\ndriver = "serial-frames"\nport = "/dev/none"\nmap = "pack.toml"\n')
    monkeypatch.chdir(tmp_path)
    assert main(["watch", str(machine), "--for", "0.5", "--no-screen"]) == 2
    assert "pack.toml" in capsys.readouterr().err
    shipped = Path(__file__).parents[2] / "drivers" / "simulated" / "plain_pack.toml"
    (folder / "pack.toml").write_text(shipped.read_text())
    assert main(["watch", str(machine), "--yes", "--for", "0.5", "--no-screen"]) == 3
    assert "lost" in capsys.readouterr().out


def test_a_log_of_frames_is_replayed_by_the_machine_file(tmp_path, capsys) -> None:
    import can

    log = tmp_path / "drive.asc"
    with can.Logger(str(log)) as writer:
        for n in range(50):  # DC source status 1 of RV-C: 51.45 V and 35.1 A, its worked bytes
            data = bytes.fromhex("01780504E40A3577")
            writer(can.Message(timestamp=1e9 + n / 10, arbitration_id=0x19FFFD46, data=data, is_extended_id=True))
    machine = tmp_path / "m.toml"
    machine.write_text(MACHINE + '[[source]]\ndriver = "can-messages"\nstandard = ["rv-c"]\ninterface = "virtual"\n')
    assert main(["replay", str(log), "--speed", "max", "--json"]) == 2
    assert "--machine" in capsys.readouterr().err
    assert main(["replay", str(log), "--machine", str(machine), "--speed", "max", "--json"]) == 0
    summary = lines(capsys)[-1]
    assert summary["duration_s"] == pytest.approx(4.9, abs=0.2)
    assert abs(summary["peak_power_w"]) == pytest.approx(51.45 * 35.1, rel=1e-3)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="pseudo-terminals are needed")
def test_a_simulated_machine_behind_a_real_link_is_watched_by_another_process(tmp_path) -> None:
    machine, store = tmp_path / "far.toml", tmp_path / "s.sqlite"
    serving = shakedown("simulate", "--link", "serial-text", "--write", str(machine), "--json")
    assert serving.stdout is not None
    told = json.loads(serving.stdout.readline())
    assert told["link"] == "serial-text"
    try:
        watching = shakedown("watch", str(machine), "--for", "4", "--json", "--store", str(store))
        out, error = watching.communicate(timeout=BUSY_S)
    finally:
        serving.send_signal(signal.SIGTERM)
        serving.communicate(timeout=BUSY_S)
    assert serving.returncode == 0
    assert watching.returncode == 0, error
    events = [json.loads(line) for line in out.splitlines()]
    assert "live" in [e["state"] for e in events if e["kind"] == "link"]
    assert events[-1]["duration_s"] > 1
    assert events[-1]["charge_out_ah"] is not None
    assert events[-1]["values_stored"] == events[-1]["values_published"] > 100


def test_a_new_file_says_that_its_pack_is_to_be_checked(tmp_path, capsys) -> None:
    assert main(["new-machine", str(tmp_path / "a.toml"), "--yes"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "The file states 16 LFP cells in series, 100 Ah. Check all three on the pack itself" in said
