"""How commands end: what is kept, what comes next, exit statuses, and errors of the program itself."""

from __future__ import annotations

import io
import json
import os
import re
import select
import struct
import subprocess
import sys
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import pytest

from telemetry.cli import main
from telemetry.report.isolation_questions import ask_readings
from telemetry.runs.log_file import log_path
from telemetry.store import reader as store_reader
from tests.faults.program import BUSY_S

ROOT = Path(__file__).parents[2]
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    path = tmp_path / "drive.csv"
    rows = [f"{t},{52 - 0.01 * t:.2f},10" for t in range(600)]
    path.write_text("\n".join(["t,pack_voltage,pack_current", *rows]) + "\n")
    return path


def test_the_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--version"])
    assert end.value.code == 0
    assert capsys.readouterr().out == f"shakedown {version('shakedown')}\n"


def test_a_run_says_where_it_was_kept_and_what_to_do_next(
    drive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["replay", str(drive), "--speed", "max"]
    assert main([*command, "--no-screen"]) == 0
    assert "kept as" not in capsys.readouterr().out, "a replay is recorded only with --record"
    assert main([*command, "--no-screen", "--record"]) == 0
    default = os.environ["SHAKEDOWN_STORE"]
    assert capsys.readouterr().out.splitlines()[-2:] == [
        f"kept as session 1 in {default}",
        "next: shakedown report 1",
    ]
    other = tmp_path / "my drives.sqlite"
    assert main([*command, "--json", "--record", "--store", str(other)]) == 0
    lines = capsys.readouterr().out.splitlines()
    summary = json.loads(lines[-1])
    assert (summary["store"], summary["next"]) == (str(other), f"shakedown report 1 --store '{other}'")
    assert all(json.loads(line)["kind"] for line in lines)


def test_last_skips_a_session_in_which_nothing_arrived(
    drive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(drive), "--speed", "max", "--no-screen", "--record"]) == 0
    machine = tmp_path / "m.toml"
    machine.write_text(f'{PACK}[[source]]\ndriver = "serial-text"\nport = "/dev/none"\n')
    assert main(["watch", str(machine), "--for", "0.3", "--json", "--silent"]) == 3
    capsys.readouterr()
    assert main(["replay", "last", "--speed", "max", "--json"]) == 0
    assert json.loads(capsys.readouterr().out.splitlines()[-1])["duration_s"] == 599
    out = tmp_path / "out.csv"
    assert main(["export", "2", str(out)]) == 2
    assert "holds no signals" in capsys.readouterr().err


def test_an_error_of_the_program_is_one_sentence_and_its_traceback_is_in_the_log(
    drive: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a mistake of ours")

    assert main(["replay", str(drive), "--speed", "max", "--no-screen", "--record"]) == 0
    monkeypatch.setattr(store_reader.StoreReader, "sessions", broken)
    capsys.readouterr()
    assert main(["sessions"]) == 70
    said = capsys.readouterr()
    assert said.err == (
        f"shakedown: internal error (ZeroDivisionError); the details are in {log_path()}; please report it with that"
        " file and what you typed\n"
    )
    assert said.out == ""
    log = log_path().read_text(encoding="utf-8")
    assert "Traceback" in log
    assert "ZeroDivisionError: a mistake of ours" in log


def test_where_no_log_can_be_written_it_says_so(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setattr("telemetry.runs.discover.sources_in_reach", broken)
    monkeypatch.setattr("telemetry.runs.log_file.log_path", lambda: blocked / "shakedown.log")
    monkeypatch.setattr("tempfile.tempdir", str(blocked))
    assert main(["sources"]) == 70
    assert "no log file could be written" in capsys.readouterr().err


def test_the_answers_ended_and_are_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "cart.toml"
    monkeypatch.setattr("sys.stdin", io.StringIO("lfp\n24\n"))
    assert main(["new-machine", str(path)]) == 2
    assert f"2 answers are kept in {path}; go on in a text editor" in capsys.readouterr().err
    assert main(["limits", str(path)]) == 2
    error = capsys.readouterr().err
    assert "capacity_ah: is missing" in error
    assert "chemistry: is missing" not in error


def test_a_finished_file_is_not_replaced_by_unfinished_answers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "cart.toml"
    path.write_text(PACK)
    monkeypatch.setattr("sys.stdin", io.StringIO("nmc\n"))
    assert main(["new-machine", str(path), "--replace"]) == 2
    assert "1 answer is kept in" in capsys.readouterr().err
    assert path.read_text() == PACK
    assert 'chemistry = "nmc"' in (tmp_path / "cart.unfinished.toml").read_text()


def test_no_answer_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(_: str) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("builtins.input", interrupted)
    assert main(["new-machine", str(tmp_path / "cart.toml")]) == 130
    assert "nothing was answered, so nothing was written" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_in_the_readings_uses_those_given_and_says_which() -> None:
    answers = iter(["yes", "120 50"])
    said: list[str] = []

    def ask(_: str) -> str:
        try:
            return next(answers)
        except StopIteration:
            raise KeyboardInterrupt from None

    readings = ask_readings(ask, said.append)
    assert (readings.pedal_jumps, readings.joint_ohm, readings.code) == (True, 0.0024, None)
    assert said[-1].endswith("Readings used: throttle signal on a meter, voltage drop across a joint.")


# The screen of a real process on a pseudo-terminal.


class Terminal:
    """A run under a pseudo-terminal of 80 by 24."""

    def __init__(self, *arguments: str) -> None:
        import fcntl  # Windows has neither
        import termios

        self.ours, theirs = os.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen(
            [sys.executable, "-m", "telemetry.cli", *arguments],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color"},
        )
        os.close(theirs)
        self.seen = ""

    def wait_for(self, text: str) -> None:
        """Read until ``text`` has been drawn, whatever colours are in it."""
        while text not in re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", self.seen):
            if not self._read():
                pytest.fail(f"it never showed {text!r}, but {self.seen[-2000:]!r}")

    def _read(self) -> bool:
        """Read what has been drawn; False where the run has ended, or draws nothing for BUSY_S."""
        if not select.select([self.ours], [], [], BUSY_S)[0]:
            return False
        try:
            drawn = os.read(self.ours, 65536)
        except OSError:  # the other end is closed
            return False
        self.seen += drawn.decode(errors="replace")
        return bool(drawn)

    def press(self, keys: str) -> None:
        self.seen = ""
        os.write(self.ours, keys.encode())

    def leave(self) -> int:
        self.press("q")
        self.wait_for("q again")
        self.press("q")
        while self._read():
            pass
        return self.process.wait(timeout=BUSY_S)


@pytest.fixture
def terminal() -> Iterator[list[Terminal]]:
    started: list[Terminal] = []
    yield started
    for each in started:
        each.process.kill()
        each.process.communicate()
        os.close(each.ours)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="pseudo-terminals are needed")
def test_marks_of_a_replay_are_kept_with_the_session(
    drive: Path, terminal: list[Terminal], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(drive), "--speed", "max", "--no-screen", "--record"]) == 0
    run = Terminal("replay", "1", "--silent")
    terminal.append(run)
    run.wait_for("space mark")
    run.press(" ")
    run.wait_for("enter keep")
    run.press("gate\r")
    run.wait_for("mark set at")
    assert run.leave() == 0
    capsys.readouterr()
    assert main(["report", "1", "--json"]) == 0
    (mark,) = json.loads(capsys.readouterr().out)["marks"]
    assert mark["text"] == "gate"
    assert main(["replay", "1", "--speed", "max", "--json"]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(each["t"], each["text"]) for each in told if each["kind"] == "mark"] == [
        (pytest.approx(mark["t"], abs=0.002), "gate")
    ]
    assert told[-1]["duration_s"] == 599


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="pseudo-terminals are needed")
def test_a_replay_of_a_file_refuses_marks(drive: Path, terminal: list[Terminal]) -> None:
    run = Terminal("replay", str(drive), "--silent")
    terminal.append(run)
    run.wait_for("space mark")
    run.press(" ")
    run.wait_for("no mark set: a file keeps none; replay it with --record to set marks")
    assert run.leave() == 0
