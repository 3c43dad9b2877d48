"""The first-power list as its user meets it: piped, at a terminal, interrupted, gone on with, stopped."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from telemetry.cli import main
from telemetry.machine.first_power_insulation import CONNECTED, found_insulation
from telemetry.machine.machine_file import load_machine
from telemetry.model.clock import SystemClock
from telemetry.runs.first_power_progress import amounts_of, first_power_readings, progress
from telemetry.runs.guided import _counting
from telemetry.store.ledger import Ledger, LedgerEntry
from telemetry.store.reader import StoreReader
from tests.faults.program import BUSY_S

GOOD = Path(__file__).parents[2] / "docs" / "machines" / "good-retrofit.toml"
BEFORE_POWER = ("contactor", "no", "yes", "yes", "no", "yes", "yes")
MOTOR_ASKED = (*BEFORE_POWER[:2], "no", *BEFORE_POWER[2:])
PACK_ALONE = ("53.2", "53,2 V", "0.4", "skip")
FROM_POWER_ON = ("52.4", "0.3", "53.1 V", "0,2", "0.3", "yes", "yes", "yes", "1.5", "4 mA", "53.1", "57.4", "yes")
ANSWERS = (*BEFORE_POWER, *PACK_ALONE, *FROM_POWER_ON)
"""No leak shows, so no resistor is asked for; the file states the motor, so step 3 is not asked."""


def command(store, *more, machine=GOOD):
    return [sys.executable, "-m", "telemetry.cli", "first-power", str(machine), "--store", str(store), *more]


def run(store, answers, *more, machine=GOOD):
    """Go through the list with these answers, in this process: dozens of starts would cost more than the list."""
    said = {"stdout": io.StringIO(), "stderr": io.StringIO()}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdin", io.StringIO(typed(answers)))
        for name, stream in said.items():
            patch.setattr(f"sys.{name}", stream)
        words = command(store, *more, machine=machine)
        status = main(words[words.index("first-power") :])
    return subprocess.CompletedProcess(words, status, *(stream.getvalue() for stream in said.values()))


def typed(answers):
    return "".join(f"{answer}\n" for answer in answers)


@pytest.fixture
def store(tmp_path):
    return tmp_path / "store.sqlite3"


def rows(store, machine="orchard machine"):
    with Ledger.open(store) as ledger:
        return ledger.entries(ledger.latest(machine))


def test_from_the_first_step_to_the_last(store):
    done = subprocess.run(command(store), input=typed(ANSWERS), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "All steps are done" in done.stdout
    assert done.stdout.index("CAUTION  Driven wheels off the ground") < done.stdout.index("across the switch? [V]")
    assert max(len(line) for line in done.stdout.splitlines() if "?" not in line) <= 80
    entries = {entry.entry.removeprefix("first-power "): entry for entry in rows(store)}
    assert entries["main-switch"].amount == 1.0
    assert entries["rested-voltage"].amount == 53.2
    assert entries["standby-current"].amount == pytest.approx(0.004)
    assert entries["frame-to-negative"].amount != entries["frame-to-negative"].amount
    assert [entries[name].method for name in ("polarity", "lug-torque", "frame-to-negative")] == [
        "meter",
        "answer",
        "skipped",
    ]
    assert "DOES NOT APPLY" in done.stdout
    with StoreReader.open(store) as reader:
        (record,) = reader.sessions()
        assert (record.origin, record.ended_how) == ("bench", "normal")
    again = run(store, ())
    assert again.returncode == 0
    assert "All steps are done" in again.stdout


def test_it_goes_on_where_the_answers_ended(store):
    first = run(store, ANSWERS[:9])
    assert first.returncode == 2
    assert "stops at step 11 of 31" in first.stderr
    assert f"Go on with: shakedown first-power {GOOD} --store {store}" in first.stderr
    assert "Traceback" not in first.stderr
    later = run(store, ("later",))
    assert later.returncode == 0
    assert "Step 11 of 31" in later.stdout
    assert "Step 10 of 31" not in later.stdout
    assert run(store, ANSWERS[9:]).returncode == 0
    anew = run(store, ("later",), "--again")
    assert "Step 1 of 31" in anew.stdout


def test_a_stop_ends_it_with_status_1_and_is_asked_again(store):
    stopped = run(store, (*BEFORE_POWER, "-53.2"))
    assert stopped.returncode == 1
    assert "STOP" in stopped.stdout
    assert "Leads reversed" in stopped.stdout
    again = run(store, ("53.2", "later"))
    assert again.returncode == 0
    assert "Step 10 of 31" in again.stdout


def test_a_reading_that_cannot_be_right_is_asked_again_and_not_kept(store):
    told = run(store, (*BEFORE_POWER, "532", "53.2", "-53.2", "53.2", "later"))
    assert told.returncode == 0
    assert "cannot be right on this machine" in " ".join(told.stdout.split())
    assert "Leads reversed" in told.stdout
    kept = [entry.amount for entry in rows(store) if entry.entry.endswith(("polarity", "rested-voltage"))]
    assert kept == [53.2, 53.2]


def test_insulation_with_the_resistor_on_the_wrong_pole_is_refused(store):
    """52.8 V; 100 kohm leak from the positive pole: 1.9 kohm a volt, so the pack may go on."""
    leaky = (*BEFORE_POWER, "52.8", "52.8", "0.5", "52.3", "10", "10k")
    told = run(store, (*leaky, "positive", "negative", "58", "4.8", "later"))
    flat = " ".join(told.stdout.split())
    assert told.returncode == 0, told.stdout
    assert "10 ohm does not suit 52.8 V" in flat
    assert "That is the wrong pole: the negative pole reads higher" in flat
    assert "Refused: 58.0 V with R0, 52.3 V without" in flat
    assert "Insulation of the pack: 100 kohm" in flat
    assert "Step 16 of 31" in told.stdout
    assert run(store, (*leaky, "negative", "52.2"), "--again").returncode == 1


def test_back_takes_the_answer_before_back_for_good(store):
    run(store, ("contactor", "yes", "back", "later"))
    later = run(store, ("later",))
    assert "Step 2 of 31" in later.stdout
    first = run(store, ("back", "later"), "--again")
    assert "no step before" in first.stdout
    assert "Step 1 of 31" in first.stdout


def test_the_insulation_is_asked_for_again_and_no_other_answer_is(store):
    run(store, ANSWERS)
    told = run(store, ("0.2", "later"), "--insulation")
    assert told.returncode == 0, told.stderr
    assert "Step 19 of 31: Insulation, all connected: frame to positive pole" in told.stdout
    assert "Step 18 of 31" not in told.stdout
    assert not progress(load_machine(GOOD), store).is_ready, "a measurement that was begun is not one"
    assert "All steps are done" in run(store, ("0.3",)).stdout
    assert progress(load_machine(GOOD), store).is_ready
    assert [row.amount for row in rows(store) if row.entry.endswith("positive-connected")][-1] == 0.2


def test_insulation_counts_for_a_drive_once_it_was_measured_after_the_drive_began(store):
    run(store, ANSWERS)
    kept, now = first_power_readings(load_machine(GOOD), store), SystemClock().now()
    assert found_insulation(_counting(kept, 0.0), CONNECTED) == found_insulation(amounts_of(kept), CONNECTED)
    assert found_insulation(_counting(kept, 0.0), CONNECTED) is not None
    assert found_insulation(_counting(kept, now + 1), CONNECTED) is None
    assert "rested-voltage" in _counting(kept, now + 1)


def test_older_readings_of_steps_that_are_gone_are_named_and_ignored(store):
    with Ledger.open(store) as ledger:
        session = ledger.begin("orchard machine", GOOD.read_text(encoding="utf-8"), 0)
        ledger.add(session, LedgerEntry(1, "first-power polarity", 53.2, "V", "meter"))
        ledger.add(session, LedgerEntry(2, "first-power old-step", 1.0, "", "answer"))
    told = run(store, (*BEFORE_POWER, "later"))
    assert told.returncode == 0
    assert "Ignored, because the list no longer has these steps: old-step." in told.stdout
    assert "Step 9 of 31" not in told.stdout
    assert "Step 10 of 31" in told.stdout


def pack_file(folder, cells, more=""):
    path = folder / "mower.toml"
    path.write_text(
        f'[pack]\nchemistry = "lfp"\ncells_in_series = {cells}\ncapacity_ah = 100\n[machine]\nname = "m"\n{more}'
    )
    return path


@pytest.mark.parametrize(("cells", "words"), [(15, ""), (22, "can kill"), (36, "licensed work")])
def test_the_shock_caution_is_that_of_the_voltage(store, tmp_path, cells, words):
    """15 cells reach 55 V, 22 reach 80 V, 36 reach 131 V: the bounds are 60 and 120 V DC."""
    machine = pack_file(tmp_path, cells)
    for more in ((), ("--print",)):
        told = run(store, ("later",), *more, machine=machine)
        flat = " ".join(told.stdout.split())
        assert ("Above 60 V DC a touch can kill" in flat) == bool(words)
        assert words in flat
        assert max(len(line) for line in told.stdout.splitlines() if "  shakedown" not in line) <= 80


def test_above_120_volts_nobody_is_led_through_live_measurements(store, tmp_path):
    machine = pack_file(tmp_path, 36)
    told = run(store, (*MOTOR_ASKED, "yes"), machine=machine)
    assert told.returncode == 1
    assert "[V]" not in told.stdout
    assert "A licensed person has to do the rest before power" in told.stdout
    assert told.stdout.count("LICENSED WORK") >= 18
    sheet = run(store, (), "--print", machine=machine).stdout
    assert "Red lead" not in sheet
    assert "Clip R0" not in sheet


def test_what_the_file_states_is_not_asked_and_a_frame_return_has_no_insulation_steps(store, tmp_path):
    more = 'main_switch = "key"\nframe_is_return = true\nmotor_type = "dc"\n'
    machine = pack_file(tmp_path, 16, more)
    told = run(store, (*BEFORE_POWER[2:], "53.2", "53.2", "later"), machine=machine)
    assert told.returncode == 0
    assert "What closes the main switch? [" not in told.stdout
    assert "Step 16 of 31" in told.stdout
    assert "Key switch" not in told.stdout
    assert "Leave it off" in told.stdout
    sheet = run(store, (), "--print", machine=machine).stdout
    assert sheet.count("Does not apply: the frame is the return conductor") == 10


def test_a_wrong_count_put_right_in_the_file_lets_the_reading_stand(store, tmp_path):
    text = GOOD.read_text(encoding="utf-8")
    machine = pack_file(tmp_path, 15)
    assert "cells_in_series = 16" in text
    assert run(store, (*MOTOR_ASKED, "53.2", "53.2"), machine=machine).returncode == 1
    machine.write_text(machine.read_text().replace("15", "16"))
    later = run(store, ("later",), machine=machine)
    assert "has changed" in later.stdout
    assert "Step 11 of 31" in later.stdout


def test_a_typing_error_is_explained_and_help_is_given(store):
    told = run(store, (*BEFORE_POWER, "about fifty", "53 A", "?", "53.2", "later"))
    assert "is not a reading in V" in told.stdout
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
        give_up = time.monotonic() + BUSY_S
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
        until(b"the main switch? [")
        os.write(terminal, b"contactor\n")
        until(b"Step 2 of 31")
        until(b"by design? [")
        os.write(terminal, b"\x03")
        until(b"Go on with", again=b"\x03")  # one that comes just before the wait for input is not seen
        assert child.wait(BUSY_S) == 130
    finally:
        child.kill()
        child.wait()
        os.close(terminal)
    assert b"Go on with:" in seen
    assert "Step 2 of 31" in run(store, ("later",)).stdout


def test_the_sheet_holds_every_step_its_cautions_and_what_a_wrong_reading_means(store):
    sheet = run(store, (), "--print")
    assert sheet.returncode == 0
    assert not store.exists()
    assert sheet.stdout.count("  Reading  ____") == 30, "all but the motor, which the file states"
    assert sheet.stdout.count("  If not ") >= 20
    assert max(map(len, sheet.stdout.splitlines())) <= 80


def test_last_means_the_last_drive_and_not_the_bench(store, capsys):
    run(store, ANSWERS)
    assert main(["report", "last", "--store", str(store)]) == 2
    assert "no drive with values yet" in capsys.readouterr().err


def test_a_bad_machine_file_is_told_before_anything_is_asked(store, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("[pack]\n")
    told = run(store, (), machine=bad)
    assert told.returncode == 2
    assert "chemistry" in told.stderr
    assert not store.exists()


def test_a_build_that_fit_stops_is_not_powered_up(store):
    bad = GOOD.with_name("four-mistakes.toml")
    done = run(store, ANSWERS, machine=bad)
    assert (done.returncode, "Step 1" in done.stdout, store.exists()) == (2, False, False)
    assert "fit says stop (charger-voltage, hill, conductor-ampacity, fuse-size, fuse-voltage)" in done.stderr


def test_who_skips_what_comes_before_power_is_told_to_do_it_before_power(store):
    done = run(store, (*BEFORE_POWER, "skip", "later"))
    assert "Do it before the main switch closes; type back to do it now." in " ".join(done.stdout.split())


def test_all_but_the_joints_after_the_first_hour_is_ready_for_a_drive(store):
    run(store, (*ANSWERS[:-2], "later"))
    assert not progress(load_machine(GOOD), store).is_ready
    run(store, (ANSWERS[-2], "later"))
    come = progress(load_machine(GOOD), store)
    assert (come.is_ready, come.title) == (True, "Joints torqued again after the first hour")


def test_the_resistor_is_never_rated_below_what_it_may_take(store):
    # 53.2 V over 8.2 kohm: 0.345 W
    done = run(store, (*BEFORE_POWER, "53.2", "53.2", "12", "3.1", "8.2k", "later"))
    assert "rated for 0.4 W or more" in done.stdout
