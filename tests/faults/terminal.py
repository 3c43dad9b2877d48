"""What the program writes to: the terminal closed, output closed or full."""

from __future__ import annotations

import os
import random
import select
import subprocess
import sys
import termios
import time
from pathlib import Path

from tests.faults.checks import listed
from tests.faults.device import NumberedBoard
from tests.faults.fault import Fault, NotTried, Outcome, register
from tests.faults.program import BUSY_S, Watch, environment
from tests.faults.stored import check_sound, has_rows, lost_s, numbers_in

# A terminal closes on the processes that it controls only.
CONTROLLED = """
import fcntl, signal, sys, termios
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # whoever runs the laboratory may have told it to outlive its terminal
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
from telemetry.cli import main
sys.exit(main())
"""


def terminal_closed(rng: random.Random, folder: Path) -> Outcome:
    """Close the terminal, with the screen on it, at a random moment."""
    store = folder / "sessions.sqlite3"
    ours, its = os.openpty()
    termios.tcsetwinsize(its, (24, 80))
    with NumberedBoard(folder) as board:
        words = ["watch", str(board.machine_file), "--yes", "--silent", "--store", str(store)]
        process = subprocess.Popen(
            [sys.executable, "-c", CONTROLLED, *words],
            stdin=its,
            stdout=its,
            stderr=its,
            start_new_session=True,
            env=environment(TERM="xterm-256color", XDG_STATE_HOME=str(folder)),
        )
        os.close(its)
        try:
            shown, give_up = b"", time.monotonic() + BUSY_S
            while b"recording" not in shown:
                assert time.monotonic() < give_up, shown[-300:]
                if select.select([ours], [], [], 0.1)[0]:
                    shown += os.read(ours, 65536)
            since, leave = time.time() + 1.0, time.monotonic() + 1.0 + rng.uniform(0.0, 2.0)
            while time.monotonic() < leave:
                if select.select([ours], [], [], 0.1)[0]:
                    os.read(ours, 65536)
            struck = time.time()
            os.close(ours)
            status = process.wait(BUSY_S)
        finally:
            process.kill()
            process.wait()
    assert status == 0, f"exit status {status}"
    check_sound(store)
    (session,) = listed(store)
    assert session["ended_how"] == "normal", session
    return Outcome(lost_s(board.sent, numbers_in(store), since, struck))


def output_gone(rng: random.Random, folder: Path) -> Outcome:
    """Close standard output or error, or let them lead to a full disk; the run goes on for seconds."""
    store = folder / "sessions.sqlite3"
    how = rng.choice(["closed", "full"])
    if how == "full" and not Path("/dev/full").exists():
        raise NotTried("no /dev/full on this system")
    with NumberedBoard(folder) as board:
        if how == "full":
            with Path("/dev/full").open("w") as full:
                watch = Watch(board.machine_file, store, stdout=full, stderr=full)
        else:
            reading, writing = os.pipe()
            watch = Watch(board.machine_file, store, stdout=writing, stderr=writing)
            os.close(writing)
            os.read(reading, 10)
            time.sleep(rng.uniform(0.0, 1.0))
            os.close(reading)
        with watch:
            watch.wait_for(lambda: has_rows(store), "rows")
            since = time.time()
            time.sleep(rng.uniform(1.0, 3.0))
            board.stop()
            struck = time.time()
            time.sleep(0.3)
            watch.process.terminate()
            status = watch.process.wait(BUSY_S)
    assert status == (3 if how == "full" else 0), f"exit status {status}, {how}"
    (session,) = listed(store)
    assert session["ended_how"] == "normal", session
    return Outcome(lost_s(board.sent, numbers_in(store), since, struck), note=how)


_ENDS = "the run ends by itself, saved to its end"
register(Fault("terminal-closed", "The terminal is closed on the screen", _ENDS, 1, 100, terminal_closed))
_ON = "recording goes on; nothing is lost"
register(Fault("output-gone", "Standard output and error are closed or full", _ON, 1, 100, output_gone))
