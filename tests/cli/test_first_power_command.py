"""The first-power list as its user meets it: piped, at a terminal, interrupted, gone on with, stopped."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from telemetry.store.ledger import Ledger
from telemetry.store.reader import StoreReader

GOOD = Path(__file__).parents[2] / "docs" / "machines" / "good-retrofit.toml"
ANSWERS = ("53.2", "53,2 V", "0.4", "skip", "no", "0.3", "53.1 V", "1.5", "4 mA", "57.4", "yes")


def command(store, *more, machine=GOOD):
    return [sys.executable, "-m", "telemetry.cli", "first-power", str(machine), "--store", str(store), *more]


def run(store, answers, *more, machine=GOOD):
    typed = "".join(f"{answer}\n" for answer in answers)
    return subprocess.run(
        command(store, *more, machine=machine), input=typed, capture_output=True, text=True, check=False
    )


@pytest.fixture
def store(tmp_path):
    return tmp_path / "store.sqlite3"


def test_from_the_first_step_to_the_last(store):
    done = run(store, ANSWERS)
    assert done.returncode == 0, done.stderr
    assert "All steps are done" in done.stdout
    assert done.stdout.index("CAUTION  Lift the driven wheels") < done.stdout.index("across the switch? [V]")
    assert max(len(line) for line in done.stdout.splitlines() if "?" not in line) <= 80
    with Ledger.open(store) as ledger:
        session = ledger.latest("orchard machine")
        entries = ledger.entries(session)
    assert [entry.method for entry in entries] == ["meter"] * 3 + ["skipped", "answer"] + ["meter"] * 5 + ["answer"]
    assert entries[1].amount == 53.2
    assert entries[8].amount == pytest.approx(0.004)
    assert entries[3].amount != entries[3].amount
    with StoreReader.open(store) as reader:
        (record,) = reader.sessions()
        assert (record.origin, record.ended_how) == ("bench", "normal")
    again = run(store, ())
    assert again.returncode == 0
    assert "All steps are done" in again.stdout


def test_it_goes_on_where_the_answers_ended(store):
    first = run(store, ANSWERS[:3])
    assert first.returncode == 2
    assert "stops at step 4 of 11" in first.stderr
    assert "Traceback" not in first.stderr
    later = run(store, ("later",))
    assert later.returncode == 0
    assert "Step 4 of 11" in later.stdout
    assert "Step 3 of 11" not in later.stdout
    assert run(store, ANSWERS[3:]).returncode == 0
    anew = run(store, ("later",), "--again")
    assert "Step 1 of 11" in anew.stdout


def test_a_stop_ends_it_with_status_1_and_is_asked_again(store):
    stopped = run(store, ("-53.2",))
    assert stopped.returncode == 1
    assert "STOP" in stopped.stdout
    assert "exchange the wires" in stopped.stdout
    again = run(store, ("53.2", "later"))
    assert again.returncode == 0
    assert "Step 2 of 11" in again.stdout


def test_a_wrong_count_put_right_in_the_file_lets_the_reading_stand(store, tmp_path):
    text = GOOD.read_text(encoding="utf-8")
    machine = tmp_path / "mower.toml"
    machine.write_text('[pack]\nchemistry = "lfp"\ncells_in_series = 15\ncapacity_ah = 100\n[machine]\nname = "m"\n')
    assert "cells_in_series = 16" in text
    assert run(store, ("53.2", "53.2"), machine=machine).returncode == 1
    machine.write_text(machine.read_text().replace("15", "16"))
    later = run(store, ("later",), machine=machine)
    assert "has changed" in later.stdout
    assert "Step 3 of 11" in later.stdout


def test_a_typing_error_is_explained_and_help_is_given(store):
    told = run(store, ("about fifty", "53 A", "?", "53.2", "later"))
    assert "is no reading in V" in told.stdout
    assert "Help" in told.stdout
    assert told.returncode == 0


# A process that takes the terminal at its standard input for its own, so that Ctrl-C there interrupts it. Forking
# here instead could leave a child that waits for a lock of another test's thread.
TAKE_TERMINAL = (
    "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "os.execv(sys.executable, sys.argv[1:])"
)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_at_a_terminal_an_interrupt_keeps_what_was_typed(store):
    import select

    terminal, end = os.openpty()
    child = subprocess.Popen(
        [sys.executable, "-c", TAKE_TERMINAL, *command(store)], stdin=end, stdout=end, stderr=end
    )
    os.close(end)
    seen = b""

    def until(words, again=b""):
        """Read until ``words`` are there; each second without a word write ``again``, as somebody would."""
        nonlocal seen
        give_up = time.monotonic() + 30
        while words not in seen and time.monotonic() < give_up:
            if not select.select([terminal], [], [], 1.0)[0]:
                os.write(terminal, again)
                continue
            try:
                seen += os.read(terminal, 4096)
            except OSError:
                break
        assert words in seen, seen[-600:]

    try:
        until(b"with its sign)? [V]")
        os.write(terminal, b"53.2\n")
        until(b"Step 2 of 11")
        until(b"does the meter read? [V]")
        os.write(terminal, b"\x03")
        until(b"stops at step 2 of 11", again=b"\x03")  # one that comes just before the wait for input is not seen
        assert child.wait(20) == 130
    finally:
        child.kill()
        child.wait()
        os.close(terminal)
    assert "Step 2 of 11" in run(store, ("later",)).stdout


def test_the_sheet_holds_every_step_its_cautions_and_what_a_wrong_reading_means(store):
    sheet = run(store, (), "--print")
    assert sheet.returncode == 0
    assert not store.exists()
    assert sheet.stdout.count("  Reading  ____") == 11
    assert sheet.stdout.count("  If not ") >= 11
    assert max(map(len, sheet.stdout.splitlines())) <= 80


def test_last_means_the_last_drive_and_not_the_bench(store):
    run(store, ANSWERS)
    told = subprocess.run(
        [sys.executable, "-m", "telemetry.cli", "report", "last", "--store", str(store)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 2
    assert "holds no session yet" in told.stderr


def test_a_bad_machine_file_is_told_before_anything_is_asked(store, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("[pack]\n")
    told = run(store, (), machine=bad)
    assert told.returncode == 2
    assert "chemistry" in told.stderr
    assert not store.exists()
