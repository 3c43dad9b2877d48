"""The whole program in a real terminal: it starts, is resized, trips, is killed and started again."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from telemetry.runs.subjects import example_text
from telemetry.screen.digits import word_rows
from telemetry.store.reader import StoreReader
from tests.faults.program import BUSY_S, environment
from tests.screen.test_band import stands_whole

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="needs tmux, a terminal that a test can read")
MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 8
capacity_ah = 100
continuous_discharge_a = 100
continuous_charge_a = 50
"""
_TRIPS_AT_S = 25


class Terminal:
    """A tmux of its own, with one window; the program in it is killed with it."""

    def __init__(self, folder: Path) -> None:
        self._socket = folder / "tmux"
        self._folder = folder

    def start(self, size: tuple[int, int], *words: str) -> None:
        """Run ``shakedown`` with these words in a window of ``size``."""
        columns, rows = map(str, size)
        command = ["new-session", "-d", "-s", "drive", "-x", columns, "-y", rows]
        program = [sys.executable, "-m", "telemetry.cli", *words]
        self._tmux(*command, *program, env=environment(TERM="screen-256color", XDG_STATE_HOME=str(self._folder)))
        self._tmux("set-option", "-g", "window-size", "manual")

    def _tmux(self, *words: str, env: dict[str, str] | None = None) -> str:
        command = ["tmux", "-S", str(self._socket), "-f", os.devnull, *words]
        return subprocess.run(command, env=env, capture_output=True, text=True, check=True).stdout

    def resize(self, size: tuple[int, int]) -> None:
        self._tmux("resize-window", "-t", "drive", "-x", str(size[0]), "-y", str(size[1]))

    def press(self, key: str) -> None:
        self._tmux("send-keys", "-t", "drive", key)

    def rows(self) -> list[str]:
        return self._tmux("capture-pane", "-p", "-t", "drive").split("\n")

    def wait_until(self, condition: Callable[[list[str]], object], what: str) -> list[str]:
        """Wait until what is on the terminal fulfils ``condition``, and return it."""
        begun = time.monotonic()
        while not condition(rows := self.rows()):
            assert time.monotonic() < begun + BUSY_S, f"waited in vain for {what}:\n" + "\n".join(rows)
            time.sleep(0.1)
        return rows

    def kill(self) -> None:
        """End the program as a power failure would."""
        os.kill(int(self._tmux("display-message", "-p", "-t", "drive", "#{pane_pid}")), signal.SIGKILL)
        while self.is_there():
            time.sleep(0.05)

    def is_there(self) -> bool:
        command = ["tmux", "-S", str(self._socket), "has-session", "-t", "drive"]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0

    def close(self) -> None:
        subprocess.run(["tmux", "-S", str(self._socket), "kill-server"], capture_output=True, check=False)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    opened = Terminal(tmp_path)
    yield opened
    opened.close()


def recording(folder: Path) -> Path:
    """A drive whose cell 5 falls below 2.5 V and stays there, as CSV. Invented values."""
    names = ["t", "pack_voltage", "pack_current", "vehicle_speed", *(f"cell_{n:02d}_voltage" for n in range(1, 9))]
    lines = [",".join(names)]
    for tick in range(10 * 600):
        second = tick / 10
        weak = 3.1 if second < _TRIPS_AT_S else 2.45
        row = [second, 7 * 3.2 + weak, 60.0, 6.0, *([3.2] * 4), weak, *([3.2] * 3)]
        lines.append(",".join(f"{value:g}" for value in row))
    path = folder / "drive.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def alarms_saved(store: Path) -> int:
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as connection:
        return int(connection.execute("SELECT count(*) FROM alarm").fetchone()[0])


def test_a_drive_in_a_real_terminal(terminal: Terminal, tmp_path: Path) -> None:
    machine, drive, store = tmp_path / "cart.toml", recording(tmp_path), tmp_path / "store.sqlite3"
    machine.write_text(MACHINE, encoding="utf-8")
    words = ["replay", str(drive), "--machine", str(machine), "--record", "--silent", "--store", str(store)]
    terminal.start((80, 24), *words, "--speed", "4")
    rows = terminal.wait_until(lambda rows: "LOWEST CELL 5" in "\n".join(rows), "the lowest cell")
    assert rows[0].rstrip().endswith("DRIVING")
    assert {row[58] for row in rows[1:18]} == {"█"}, "the wall"

    terminal.resize((120, 40))
    rows = terminal.wait_until(lambda rows: len(rows[2]) > 80 and rows[2].rstrip().endswith("km/h"), "the new size")
    assert {row[87] for row in rows[2:31]} == {"█"}
    assert "limit▼" in rows[0]

    stop = word_rows("STOP", 2, lowered=True)
    rows = terminal.wait_until(lambda rows: any(stop[3] in row for row in rows), "the trip")
    assert stands_whole("Release the throttle and stop where it is safe.", rows)
    terminal.press("2")
    small = word_rows("STOP", lowered=True)
    rows = terminal.wait_until(
        lambda rows: "middle cell" in rows[1] and small[2] in rows[37], "the band below view 2"
    )
    assert "Release the throttle and stop where it is safe." in rows[36]
    terminal.press("1")
    terminal.press("Enter")
    terminal.wait_until(lambda rows: "low cell voltage: cell 5, 2.450 V, ack" in "\n".join(rows), "its badge")

    terminal.wait_until(lambda _: alarms_saved(store), "the alarm on the disk")
    terminal.kill()
    terminal.start((60, 17), *words, "--speed", "4")
    rows = terminal.wait_until(lambda rows: "CELL 5" in "\n".join(rows), "the screen after the restart")
    assert {row[44] for row in rows[1:12]} == {"█"}
    terminal.press("q")
    terminal.press("q")
    begun = time.monotonic()
    while terminal.is_there():
        assert time.monotonic() < begun + BUSY_S
        time.sleep(0.1)
    terminal.start((80, 24), "review", "1", "--store", str(store))
    rows = terminal.wait_until(lambda rows: "VOLTAGE V" in "\n".join(rows), "the traces of the session")
    assert rows[0].startswith(" review  session 1, ")
    assert "PAUSED" in rows[0]
    for key in ("a", "Up", "Up", "Up", "Up"):
        terminal.press(key)
    terminal.wait_until(lambda rows: "■ low cell voltage: cell 5" in "\n".join(rows), "the alarm under the cursor")
    terminal.press("1")
    rows = terminal.wait_until(
        lambda rows: any(small[2] in row for row in rows), "what was to be done at that moment"
    )
    assert rows[0].startswith(" cart review paused 0:00:2")
    terminal.press("3")
    terminal.wait_until(
        lambda rows: rows[0].startswith(" review  session 1, cart"), "the traces, with no band on them"
    )
    terminal.press("q")
    begun = time.monotonic()
    while terminal.is_there():
        assert time.monotonic() < begun + BUSY_S
        time.sleep(0.1)
    command = [sys.executable, "-m", "telemetry.cli", "sessions", "--store", str(store)]
    said = subprocess.run(command, env=environment(), capture_output=True, text=True, check=True).stdout
    assert len([line for line in said.splitlines() if "cart" in line or "drive" in line]) >= 2, said


def guided_sessions_saved(store: Path) -> list[tuple[str, set[str], float]]:
    """Return of each session how it ended, its marks, and how long it is, s."""
    with StoreReader.open(store) as reader:
        marks = reader.mark_texts()
        return [(each.ended_how, set(marks.get(each.id, ())), each.duration_s) for each in reader.sessions()]


def test_a_guided_drive_that_is_killed_keeps_its_step_and_goes_on(terminal: Terminal, tmp_path: Path) -> None:
    machine, store = tmp_path / "cart.toml", tmp_path / "store.sqlite3"
    machine.write_text(example_text({}).replace("[machine]", '[machine]\nid = "mower-9"'), encoding="utf-8")
    words = ["drive", str(machine), "--first-power-done", "--silent", "--store", str(store)]

    def led(said: str) -> None:
        terminal.wait_until(lambda rows: said in " ".join("\n".join(rows).split()), said)

    terminal.start((80, 24), *words)
    led("1/13 Zero and rest: Key off for 2 minutes")
    terminal.press("g")
    led("1/13 Zero and rest: 0 of 1 key off")
    step = "guided drive: zero"
    terminal.wait_until(
        lambda _: any(step in marks for _, marks, _ in guided_sessions_saved(store)), "its mark saved"
    )
    terminal.kill()
    ((how, marks, lasted),) = guided_sessions_saved(store)
    assert (how, marks) == ("ended without notice", {step})
    assert lasted > 0.0

    terminal.start((80, 24), *words)
    led("1/13 Zero and rest: Key off for 2 minutes")
    terminal.press("k")
    led("2/13 Wheels off the ground")
    terminal.press("q")
    terminal.press("q")
    ended_by = time.monotonic() + BUSY_S
    while terminal.is_there():
        assert time.monotonic() < ended_by
        time.sleep(0.1)
    first, second = guided_sessions_saved(store)
    assert first == ("ended without notice", {step}, lasted)
    assert (second[0], "guided drive: zero skipped" in second[1]) == ("normal", True)
