"""The screen stands before what a run needs is loaded; a mistake in the machine file is told before any screen."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from telemetry.model.events import Mark
from telemetry.runs.found_good import FoundGood, digest_of, file_digest
from telemetry.store.reader import StoreReader
from tests.faults.program import BUSY_S, environment

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 8\ncapacity_ah = 100\n'
SOURCE = '[[source]]\ndriver = "simulated-machine"\nname = "bench"\n'
ALTERNATE = b"\x1b[?1049h"
"""What a screen of its own begins with; xterm's control sequences."""
GOOD = "machines-found-good.txt"
_STYLES = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")


class OnTerminal:
    """``shakedown watch`` on a terminal of 120 by 40."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.store, self.written = folder / "store.sqlite3", b""
        self._ours, its = os.openpty()
        termios.tcsetwinsize(its, (40, 120))
        command = [sys.executable, "-m", "telemetry.cli", "watch", *words, "--silent", "--store", str(self.store)]
        home = {"XDG_DATA_HOME": str(folder), "XDG_STATE_HOME": str(folder), "HOME": str(folder)}
        self.process = subprocess.Popen(
            command, stdin=its, stdout=its, stderr=its, env=environment(TERM="xterm-256color", **home)
        )
        os.close(its)

    def drawn(self) -> bytes:
        return _STYLES.sub(b"", self.written)

    def read_until(self, done: Callable[[], object]) -> None:
        give_up = time.monotonic() + BUSY_S
        while not done():
            assert time.monotonic() < give_up, self.drawn()[-800:]
            if select.select([self._ours], [], [], 0.1)[0]:
                try:
                    self.written += os.read(self._ours, 65536)
                except OSError:
                    return

    def press(self, keys: bytes) -> None:
        os.write(self._ours, keys)

    def ended(self) -> int:
        self.read_until(lambda: self.process.poll() is not None)
        self.read_until(lambda: not select.select([self._ours], [], [], 0.1)[0])
        return self.process.wait(BUSY_S)


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., OnTerminal]]:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    started: list[OnTerminal] = []

    def begin(*words: str) -> OnTerminal:
        started.append(OnTerminal(tmp_path, *words))
        return started[-1]

    yield begin
    for each in started:
        each.process.kill()
        each.process.wait()


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    path = tmp_path / "cart.toml"
    path.write_text(PACK + SOURCE, "utf-8")
    return path


@pytest.mark.parametrize("was_good", [False, True])
def test_a_mistake_in_the_machine_file_is_one_sentence_and_no_screen(
    start: Callable[..., OnTerminal], machine: Path, was_good: bool
) -> None:
    if was_good:
        run = start(str(machine))
        run.read_until(lambda: b"V left" in run.drawn() or b"recording 0:00:0" in run.drawn())
        run.process.terminate()
        run.ended()
    for wrong in (PACK + SOURCE + "rate_hz = 0\n", PACK.replace("8", "0") + SOURCE, PACK, "[pack"):
        machine.write_text(wrong, "utf-8")
        run = start(str(machine))
        assert run.ended() == 2, wrong
        assert ALTERNATE not in run.written, wrong
        assert run.written.startswith(b"shakedown: "), wrong
        assert b"cart.toml has 1 problem:" in run.written.splitlines()[0], wrong
        assert len(run.written.splitlines()) == 2, wrong


def test_what_has_become_wrong_behind_the_screen_is_told_once_it_is_gone_and_first_the_next_time(
    start: Callable[..., OnTerminal], machine: Path
) -> None:
    machine.write_text(PACK + SOURCE.replace("simulated-machine", "uninstalled"), "utf-8")
    FoundGood(GOOD).add(file_digest(machine), "old cart")
    run = start(str(machine))
    assert run.ended() == 2
    assert ALTERNATE in run.written
    assert b"old cart" in run.drawn()
    said = run.written.rpartition(b"\x1b[?1049l")[2]
    assert b"cart.toml has 1 problem:" in said
    assert b"uninstalled" in said
    again = start(str(machine))
    assert again.ended() == 2
    assert ALTERNATE not in again.written


def test_keys_pressed_as_soon_as_it_is_there_leave_or_are_kept(
    start: Callable[..., OnTerminal], machine: Path
) -> None:
    FoundGood(GOOD).add(file_digest(machine), "cart")
    run = start(str(machine))
    run.read_until(lambda: b"LOWEST CELL" in run.drawn())
    run.press(b"qq")
    assert run.ended() in (0, 3)  # before the run was there, or before a value came
    assert b"internal error" not in run.written
    run = start(str(machine))
    run.read_until(lambda: b"LOWEST CELL" in run.drawn())
    run.press(b" ")
    run.read_until(lambda: b"kW" in run.drawn() and b"recording" in run.drawn() and b"V left" in run.drawn())
    run.press(b"\r")
    run.press(b"q")
    run.read_until(lambda: b"q again" in run.drawn())
    run.press(b"q")
    assert run.ended() == 0
    with StoreReader.open(run.store) as reader:
        marks = [event for event in reader.events("last") if isinstance(event, Mark)]
    assert len(marks) == 1


def test_the_demo_is_known_by_its_name_from_the_second_time_on(start: Callable[..., OnTerminal]) -> None:
    digest = digest_of("demo", repr([("scenario", "orchard"), ("seed", 1)]))
    run = start("--demo", "--for", "2")
    assert run.ended() == 0
    assert FoundGood(GOOD).name_of(digest) == "orchard mower"


# What stands for a file


def test_a_digest_follows_the_file_and_what_its_sources_name(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    path.write_text(PACK + SOURCE + 'frames = "pack.map"\n', "utf-8")
    found = [file_digest(path)]
    (tmp_path / "pack.map").write_text("one", "utf-8")
    found.append(file_digest(path))
    (tmp_path / "pack.map").write_text("other", "utf-8")
    found.append(file_digest(path))
    path.write_text(path.read_text("utf-8") + "# and a word\n", "utf-8")
    found.append(file_digest(path))
    assert len(set(found)) == 4
    assert all(found)
    assert found[-1] == file_digest(path)


@pytest.mark.parametrize("content", [None, b"\xff\xfe", b"[pack", b"x" * 2_000_000, b"source = 3\n"])
def test_what_cannot_be_read_as_a_machine_file_stands_for_nothing_that_is_known(
    tmp_path: Path, content: bytes | None
) -> None:
    path = tmp_path / "cart.toml"
    if content is not None:
        path.write_bytes(content)
    assert file_digest(path) == ""
    assert FoundGood(GOOD).name_of("") is None


def test_what_was_found_good_is_remembered_until_it_no_longer_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    good = FoundGood(GOOD)
    for number in range(210):
        good.add(digest_of(str(number)), f"cart {number}")
    assert good.name_of(digest_of("209")) == "cart 209"
    assert good.name_of(digest_of("3")) is None, "the oldest go"
    good.discard(digest_of("209"))
    assert FoundGood(GOOD).name_of(digest_of("209")) is None
    (tmp_path / "shakedown" / GOOD).write_bytes(b"\xff\xff")
    assert good.name_of(digest_of("208")) is None


def test_a_folder_that_cannot_be_written_remembers_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    FoundGood(GOOD).add("a", "cart")
    assert FoundGood(GOOD).name_of("a") is None
