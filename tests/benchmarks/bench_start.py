"""How soon `shakedown watch` shows something: its first paint against a bare Textual app, and its first value.

Run: ``python -m tests.benchmarks.bench_start``; needs Linux. First paint is the first frame that shows the machine's
name and its drive view with places and labels, all that comes before included: the interpreter, the command line,
the machine file. The real command runs on a pseudo-terminal of 120 by 40 and is watched from outside: once the words
are there, the processor time of all its threads is read. That is a little late, never early. A bare app says by
itself when its first frame is drawn. Another pseudo-terminal is the device, which prints ten lines a second.
"""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import tempfile
import termios
import threading
import time
import tty
from contextlib import suppress
from pathlib import Path

COLUMNS, ROWS = 120, 40
TIMES = 5
"""Each is measured so often and the least taken: a neighbour on the machine can only add."""
MOST_OF_A_BARE_APP = 1.3
MACHINE = """
[machine]
name = "measured machine"

[pack]
chemistry = "lfp"
cells_in_series = 8
capacity_ah = 100
continuous_discharge_a = 150
continuous_charge_a = 100

[[source]]
driver = "serial-text"
name = "board"
port = "{port}"
format = "csv"
"""
BARE = """
import os, sys, time
from textual.app import App
class Bare(App):
    def on_mount(self):
        self.call_after_refresh(self.drawn)
    def drawn(self):
        os.write(int(sys.argv[1]), str(time.process_time()).encode())
        self.exit()
Bare().run()
"""
PAINTED = (rb"measured machine", rb"LOWEST CELL", rb"SPEED km/h")
VALUE = (rb"\d V left",)
_ESCAPE = re.compile(rb"\x1b\[[0-9;?<>=]*[A-Za-z~]")
_COMPILED = tempfile.mkdtemp(prefix="compiled-")
"""An installed program is compiled once: the first of the runs fills this, and the least is taken."""


def environment(folder: Path) -> dict[str, str]:
    """Return what the program starts with: full colours, and a home of its own."""
    said = {"TERM": "xterm-256color", "COLORTERM": "truecolor", "PYTHONPYCACHEPREFIX": _COMPILED}
    said |= {"HOME": str(folder), "XDG_DATA_HOME": str(folder), "XDG_STATE_HOME": str(folder)}
    unset = ("NO_COLOR", "PYTHONDONTWRITEBYTECODE", "SHAKEDOWN_STORE")
    return {key: value for key, value in os.environ.items() if key not in unset} | said


def on_terminal(words: list[str], folder: Path, pipe: int | None = None) -> tuple[subprocess.Popen[bytes], int]:
    """Start a command on a pseudo-terminal of its own; return it and the end that its output is read from."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (ROWS, COLUMNS))
    process = subprocess.Popen(
        ["nice", "-n", "5", *words],  # so that whoever watches is not kept waiting by it
        stdin=slave,
        stdout=slave,
        stderr=slave,
        pass_fds=() if pipe is None else (pipe,),
        env=environment(folder),
        start_new_session=True,
    )
    os.close(slave)
    return process, master


def processor_s(pid: int) -> float:
    """Return the processor seconds that all threads of a process have used."""
    used = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        with suppress(OSError):
            used += int((thread / "schedstat").read_text().split()[0])
    return used / 1e9


def bare_s(folder: Path) -> float:
    """Return the processor seconds of a bare app up to its first frame."""
    told, tells = os.pipe()
    process, master = on_terminal([sys.executable, "-c", BARE, str(tells)], folder, tells)
    os.close(tells)
    _read_until_over(process, master)
    answer = float(os.read(told, 100))
    os.close(told)
    return answer


def shakedown_s(machine: Path, folder: Path) -> tuple[float, float, float]:
    """Return processor seconds to the first paint and to the first value, and wall seconds to the first value."""
    words = [sys.executable, "-m", "telemetry.cli", "watch", str(machine), "--silent"]
    begun = time.monotonic()
    process, master = on_terminal([*words, "--store", str(folder / "store.sqlite3")], folder)
    drawn = b""
    found: list[tuple[float, float]] = []
    for wanted in (PAINTED, VALUE):
        while not all(re.search(each, _ESCAPE.sub(b" ", drawn)) for each in wanted):
            drawn += os.read(master, 65536)
        found.append((processor_s(process.pid), time.monotonic() - begun))
    process.terminate()
    _read_until_over(process, master)
    return found[0][0], found[1][0], found[1][1]


def _read_until_over(process: subprocess.Popen[bytes], master: int) -> None:
    """Read and throw away what a process writes until it has ended."""
    while process.poll() is None:
        if select.select([master], [], [], 0.05)[0]:
            with suppress(OSError):
                os.read(master, 65536)
    os.close(master)


def print_board(master: int, over: threading.Event) -> None:
    """Print a line of a machine at rest every 100 ms, now and then the names above; what nobody reads is lost."""
    os.set_blocking(master, False)
    row = 0
    while not over.wait(0.1):
        with suppress(BlockingIOError):
            head = b"pack_voltage,pack_current,vehicle_speed\n" if row % 5 == 0 else b""
            os.write(master, head + b"26.41,12.5,3.2\n")
        row += 1


def measure(folder: Path) -> tuple[float, float, float, float, float]:
    """Return processor seconds of a bare app, of our first paint, of that with a file never seen, of the first value.

    The last is wall seconds to the first value.
    """
    far, near = os.openpty()
    tty.setraw(near)
    machine = folder / "machine.toml"
    machine.write_text(MACHINE.format(port=os.ttyname(near)), encoding="utf-8")
    over = threading.Event()
    printing = threading.Thread(target=print_board, args=(far, over))
    printing.start()
    try:
        shakedown_s(machine, folder)
        bare, seen, unseen = [], [], []
        for _ in range(TIMES):
            bare.append(bare_s(folder))
            seen.append(shakedown_s(machine, folder))
            machine.write_text(machine.read_text(encoding="utf-8") + "# another line\n", encoding="utf-8")
            unseen.append(shakedown_s(machine, folder)[0])
        paint, value, wall = (min(column) for column in zip(*seen, strict=True))
        return min(bare), paint, min(unseen), value, wall
    finally:
        over.set()
        printing.join()
        os.close(far)
        os.close(near)


def paint_ratio(folder: Path) -> float:
    """Return the processor time to the first paint over that of a bare Textual app; print the rest."""
    bare, paint, unseen, value, wall = measure(folder)
    print("processor seconds from the start of the process")
    print(f"  first frame of a bare Textual app  {bare:.3f}")
    print(f"  first paint                        {paint:.3f}, {paint / bare:.2f} of a bare app")
    print(f"  with a machine file never checked  {unseen:.3f}, {unseen / bare:.2f} of a bare app")
    print(
        f"  first value                        {value:.3f}, {value / bare:.2f} of a bare app, {wall:.2f} s by clock"
    )
    return paint / bare


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        print(f"first paint: {paint_ratio(Path(name)):.2f} of a bare app (at most {MOST_OF_A_BARE_APP:g})")
