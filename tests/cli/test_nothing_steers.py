"""What comes from outside cannot steer the terminal, and odd files are one sentence: real files, a real process."""

from __future__ import annotations

import logging
import os
import struct
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet

from telemetry.cli import main
from telemetry.model.errors import InputError, RecordingError, harmless
from telemetry.recordings.reading import open_recording
from telemetry.runs.log_file import HarmlessLines
from telemetry.screen.players import checked_sound

ROOT = Path(__file__).parents[2]
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


@given(st.text())
def test_harmless_keeps_lines_and_lets_nothing_else_through(text: str) -> None:
    kept = harmless(text)
    assert kept.count("\n") == text.count("\n")
    assert kept.replace("\n", "").isprintable()
    assert harmless(kept) == kept


def test_a_log_record_cannot_steer_the_terminal() -> None:
    record = logging.LogRecord("drivers", logging.WARNING, __file__, 1, "bad line %s", ("\x1b[2J\x9b",), None)
    assert HarmlessLines().format(record) == "bad line \\x1b[2J\\x9b"


def test_a_bad_line_of_a_log_stays_off_the_terminal(tmp_path: Path) -> None:
    """In a process of its own: there nothing else has set up logging."""
    log, machine = tmp_path / "drive.trc", tmp_path / "m.toml"
    log.write_text(
        ";$FILEVERSION=2.1\n;$STARTTIME=43008.920986006946\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"
        "      1      1059.900 DT 1 0300 Rx -  7    00 00 00 00 04 00 00\n"
        "      2      1060.900 \x1b]0;owned\x07 1 0300 Rx -  7    00 00\n",
        "utf-8",
    )
    machine.write_text(PACK + "[[source]]\ndriver = 'can-messages'\ninterface = 'virtual'\nstandard = ['rv-c']\n")
    command = [sys.executable, "-m", "telemetry.cli", "report", str(log), "--machine", str(machine)]
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, env=os.environ | {"PYTHONPATH": str(ROOT)}
    )
    assert done.returncode in (0, 2)
    assert "\x1b" not in done.stdout + done.stderr
    assert "\x07" not in done.stdout + done.stderr


def test_a_sound_of_rate_0_is_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "horn.wav"
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 136, b"WAVE", b"fmt ", 16, 1, 1, 0, 0, 2, 16, b"data", 100)
    path.write_bytes(head + bytes(100))
    with pytest.raises(InputError, match="rate"):
        checked_sound(path)


def test_a_parquet_name_that_is_not_utf8_is_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "drive.parquet"
    table = pa.table({"t": [0.0, 1.0], "pack_voltage": [52.0, 52.1], "XXXXXXXX": [1.0, 2.0]})
    parquet.write_table(table, path, store_schema=False)
    path.write_bytes(path.read_bytes().replace(b"XXXXXXXX", b"\xff\xfeXXXXXX"))
    with pytest.raises(RecordingError, match="not a sound Parquet file"):
        open_recording(path)


@pytest.mark.parametrize("key", ["cells_in_series", "capacity_ah", "mass_kg"])
def test_a_number_of_400_digits_is_one_sentence(key: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "m.toml"
    path.write_text(f"[pack]\n{key} = {400 * '9'}\n", "utf-8")
    assert main(["limits", str(path)]) == 2
    assert "line 2: holds a number too long to be read" in capsys.readouterr().err
