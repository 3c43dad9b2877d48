"""Whether this computer is ready: what is looked at, and what has to be changed."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from telemetry.cli import main
from telemetry.runs import readiness
from telemetry.runs.readiness import can_interfaces

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


@pytest.fixture
def nothing_in_reach(monkeypatch) -> None:
    monkeypatch.setattr("telemetry.runs.discover.sources_in_reach", lambda: ([], ["bluetooth-le: there is none"]))


def told(capsys, *words: str) -> tuple[int, list[dict[str, str]]]:
    status = main(["check", "--json", *words])
    return status, json.loads(capsys.readouterr().out)


def test_everything_is_looked_at(nothing_in_reach, tmp_path: Path, capsys) -> None:
    status, found = told(capsys, "--store", str(tmp_path / "sessions.sqlite3"))
    looked_at = list(dict.fromkeys(each["what"] for each in found))
    assert looked_at == ["serial", "CAN", "Bluetooth", "clock", "disk", "sleep", "terminal"]
    assert status == int(any(each["word"] == "fix" for each in found))
    assert next(each for each in found if each["what"] == "Bluetooth")["found"] == "there is none"
    assert not (tmp_path / "sessions.sqlite3").exists()


@pytest.mark.skipif(os.name == "nt", reason="COM ports are no paths")
def test_a_port_of_the_machine_file_that_is_not_there_has_to_be_changed(
    nothing_in_reach, tmp_path: Path, capsys
) -> None:
    file = tmp_path / "mower.toml"
    file.write_text(f'{PACK}[[source]]\ndriver = "serial-text"\nname = "board"\nport = "/dev/ttyNOTHERE9"\n')
    status, found = told(capsys, str(file), "--store", str(tmp_path / "s.sqlite3"))
    board = [each for each in found if each["what"] == "board"]
    assert status == 1
    assert [each["word"] for each in board] == ["fix", "note"]
    assert "/dev/ttyNOTHERE9 is not there" in board[0]["found"]


def test_a_port_that_may_not_be_opened_says_how(tmp_path: Path, monkeypatch) -> None:
    port = tmp_path / "ttyUSB0"
    port.touch()
    monkeypatch.setattr(readiness.os, "access", lambda *_: False)
    found = readiness._port(str(port))
    assert found.word == "fix"
    assert "usermod -aG dialout" in found.found


def test_a_can_interface_that_is_down_is_told(tmp_path: Path) -> None:
    for name, flags in (("can0", "0x40080"), ("vcan1", "0x100c1"), ("eth0", "0x1003")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "flags").write_text(flags)
    assert can_interfaces(tmp_path) == {"can0": False, "vcan1": True}
    assert readiness._can("can0", False).found.startswith("can0 is down; sudo ip link set can0 up")


def test_a_full_disk_and_one_that_cannot_be_written_are_told(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(readiness, "SMALLEST_FREE_BYTES", 1 << 62)
    assert next(readiness._disk(tmp_path / "no" / "s.sqlite3")).word == "fix"

    def refused(_folder: Path) -> float:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(readiness, "_slowest_write", refused)
    (only,) = readiness._disk(tmp_path / "s.sqlite3")
    assert only.found.endswith("cannot be written (Permission denied); name another place with --store")


def test_it_prints_a_line_for_each(nothing_in_reach, tmp_path: Path, capsys) -> None:
    main(["check", "--store", str(tmp_path / "s.sqlite3")])
    lines = capsys.readouterr().out.splitlines()
    assert any("GB free at" in line for line in lines)
    assert max(map(len, lines)) <= 80 + len(str(tmp_path))
    assert {line.split()[0] for line in lines if not line.startswith(" ")} <= {"ok", "note", "fix"}
