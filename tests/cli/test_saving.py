"""A live run whose store cannot be written: it says so at once, goes on, and says in the end what is missing."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from telemetry.store.reader import StoreReader
from tests.faults.program import BUSY_S

if sys.platform == "linux":
    import resource
    import termios

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="limits of another process, files removed while open")
ROOT = Path(__file__).parents[2]
# The program as it is, but a run that cannot save gives up sooner than a driver would want.
PROGRAM = """
import sys
from telemetry import cli
from telemetry.runs import join
join.SAVING_AT_MOST_S = 2.0
sys.exit(cli.main())
"""
# A terminal closes on the processes that it controls only.
CONTROLLED = "import fcntl, termios\nfcntl.ioctl(0, termios.TIOCSCTTY, 0)" + PROGRAM
WATCH = ("watch", "--demo", "--no-screen", "--json", "--silent")


class Watch:
    """``shakedown watch --demo`` in a process of its own."""

    def __init__(self, store: Path, *arguments: str, **options: Any) -> None:
        self.store = store
        self.out = store.with_name("out.txt")
        self.errors = store.with_name("errors.txt")
        with self.out.open("w") as out, self.errors.open("w") as errors:
            self.process = subprocess.Popen(
                [sys.executable, "-c", PROGRAM, *WATCH, "--store", str(store), *arguments],
                stdout=options.pop("stdout", out),
                stderr=options.pop("stderr", errors),
                stdin=subprocess.DEVNULL,
                env=os.environ | {"PYTHONPATH": str(ROOT)},
                **options,
            )

    def told(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.out.read_text().splitlines(keepends=True) if line.endswith("\n")]

    def wait_for(self, condition: Callable[[], object], limit_s: float = BUSY_S) -> None:
        give_up = time.monotonic() + limit_s
        while not condition():
            assert self.process.poll() is None, self.errors.read_text()
            assert time.monotonic() < give_up, self.out.read_text()
            time.sleep(0.05)

    def wait_for_rows(self) -> None:
        log = self.store.with_name(self.store.name + "-wal")
        self.wait_for(lambda: log.exists() and log.stat().st_size > 300_000)

    def end(self) -> tuple[int, dict[str, Any]]:
        """End it as Ctrl-C does; return its status and its summary."""
        self.process.terminate()
        status = self.process.wait(BUSY_S)
        return status, self.told()[-1]

    def alarms(self) -> list[str]:
        return [each["state"] for each in self.told() if each["kind"] == "alarm" and each["limit"] == "recording"]

    def saving(self) -> list[bool]:
        return [each["saving"] for each in self.told() if each["kind"] == "saving"]


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Callable[..., Watch]]:
    started: list[Watch] = []

    def start(*arguments: str, **options: Any) -> Watch:
        started.append(Watch(tmp_path / "sessions.sqlite3", *arguments, **options))
        return started[-1]

    yield start
    for each in started:
        each.process.kill()
        each.process.wait()


def limit_files(watch: Watch, size: int) -> None:
    resource.prlimit(watch.process.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


def test_it_says_that_nothing_is_saved_and_when_it_is_again(watch: Callable[..., Watch]) -> None:
    run = watch()
    run.wait_for_rows()
    limit_files(run, 200_000)
    run.wait_for(lambda: run.saving() == [False])
    run.wait_for(lambda: run.alarms() == ["raised"])
    limit_files(run, -1)
    run.wait_for(lambda: run.saving() == [False, True])
    run.wait_for(lambda: run.alarms() == ["raised", "cleared"])
    status, summary = run.end()
    assert status == 0
    assert summary["values_dropped"] == 0
    assert summary["values_stored"] == summary["values_published"] > 0


def test_a_drive_that_ends_before_it_is_saved_gives_its_summary(watch: Callable[..., Watch]) -> None:
    run = watch()
    run.wait_for_rows()
    limit_files(run, 200_000)
    run.wait_for(lambda: run.saving() == [False])
    status, summary = run.end()
    assert status == 3
    assert summary["kind"] == "summary"
    assert summary["values_dropped"] > 0
    assert summary["values_stored"] + summary["values_dropped"] == summary["values_published"]
    said = run.errors.read_text()
    assert "saving what is not on the disk yet" in said
    assert said.splitlines()[-1].startswith("shakedown: the store ")
    assert "Traceback" not in said


def stored_seconds(watch: Watch) -> float:
    with StoreReader.open(watch.store) as reader:
        (session,) = reader.sessions()
    assert session.ended_how == "normal"
    return session.duration_s


def test_a_reader_of_its_output_that_goes_does_not_end_the_recording(watch: Callable[..., Watch]) -> None:
    reading, writing = os.pipe()
    run = watch(stdout=writing, stderr=writing)
    os.close(writing)
    os.read(reading, 10)
    os.close(reading)
    run.wait_for_rows()
    run.process.terminate()
    assert run.process.wait(BUSY_S) == 0
    assert stored_seconds(run) > 0.1


def test_a_reader_that_is_stuck_does_not_stop_the_recording_nor_its_end(watch: Callable[..., Watch]) -> None:
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writing, b" " * 4096)
    os.set_blocking(writing, True)
    run = watch(stdout=writing, stderr=writing)
    os.close(writing)
    run.wait_for_rows()
    run.process.terminate()
    assert run.process.wait(BUSY_S) == 0
    assert stored_seconds(run) > 0.1
    os.close(reading)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_output_to_a_full_disk_does_not_end_the_recording(watch: Callable[..., Watch]) -> None:
    with Path("/dev/full").open("w") as full:
        run = watch(stdout=full, stderr=full)
    run.wait_for_rows()
    run.process.terminate()
    assert run.process.wait(BUSY_S) == 3, "what it was told to write is not written"
    assert stored_seconds(run) > 0.1


def test_a_run_under_nohup_outlives_its_terminal(watch: Callable[..., Watch]) -> None:
    run = watch(preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN))
    run.wait_for_rows()
    run.process.send_signal(signal.SIGHUP)
    told = len(run.told())
    size = run.store.stat().st_size
    run.wait_for(lambda: run.store.stat().st_size > size)
    assert all(each["kind"] != "summary" for each in run.told()[told:])
    status, _ = run.end()
    assert status == 0


class OnTerminal:
    """``shakedown watch --demo`` with its screen on a terminal of its own."""

    def __init__(self, folder: Path, **options: Any) -> None:
        self.store = folder / "sessions.sqlite3"
        self.ours, its = os.openpty()
        termios.tcsetwinsize(its, (24, 80))
        self.process = subprocess.Popen(
            [sys.executable, "-c", CONTROLLED, "watch", "--demo", "--silent", "--store", str(self.store)],
            stdin=its,
            stdout=its,
            stderr=its,
            start_new_session=True,
            env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color", "XDG_STATE_HOME": str(folder)},
            **options,
        )
        os.close(its)
        self._shown = b""

    def read_until(self, words: bytes) -> None:
        give_up = time.monotonic() + BUSY_S
        while words not in self._shown:
            assert time.monotonic() < give_up, self._shown[-500:]
            if select.select([self.ours], [], [], 0.1)[0]:
                self._shown += os.read(self.ours, 65536)

    def ended_how(self) -> str:
        with StoreReader.open(self.store) as reader:
            (session,) = reader.sessions()
        return session.ended_how


@pytest.fixture
def on_terminal(tmp_path: Path) -> Iterator[Callable[..., OnTerminal]]:
    started: list[OnTerminal] = []

    def start(**options: Any) -> OnTerminal:
        started.append(OnTerminal(tmp_path, **options))
        return started[-1]

    yield start
    for each in started:
        each.process.kill()
        each.process.wait()


@pytest.mark.parametrize("fails", [False, True])
def test_a_terminal_that_is_closed_ends_the_run_and_the_process(
    on_terminal: Callable[..., OnTerminal], fails: bool
) -> None:
    run = on_terminal()
    run.read_until(b"recording")
    if fails:
        resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (100_000, resource.RLIM_INFINITY))
        run.read_until(b"not saving")
        os.write(run.ours, b"q")
        run.read_until(b"q again")
        os.write(run.ours, b"q")
        run.read_until(b"saving what is not on the disk yet")
    os.close(run.ours)
    assert run.process.wait(BUSY_S) == (3 if fails else 0)
    assert run.ended_how() == ("ended without notice" if fails else "normal")


def test_a_run_that_outlives_its_terminal_leaves_the_screen(on_terminal: Callable[..., OnTerminal]) -> None:
    run = on_terminal(preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN))
    threads = Path(f"/proc/{run.process.pid}/task")
    log = run.store.with_name(run.store.name + "-wal")

    def wait_for(condition: Callable[[], object]) -> None:
        give_up = time.monotonic() + BUSY_S
        while not condition():
            assert run.process.poll() is None
            assert time.monotonic() < give_up
            time.sleep(0.05)

    run.read_until(b"recording")
    before = len(list(threads.iterdir()))
    os.close(run.ours)
    wait_for(lambda: len(list(threads.iterdir())) <= before - 2)  # those that read keys and write the screen
    size = log.stat().st_size
    wait_for(lambda: log.stat().st_size > size)
    run.process.terminate()
    assert run.process.wait(BUSY_S) == 0
    assert run.ended_how() == "normal"


@pytest.mark.parametrize("replaced", [False, True])
def test_a_store_that_is_deleted_or_replaced_goes_on_beside_it(watch: Callable[..., Watch], replaced: bool) -> None:
    run = watch()
    run.wait_for_rows()
    if replaced:
        other = run.store.with_name("other")
        other.write_bytes(b"another file")
        other.replace(run.store)
    else:
        run.store.unlink()
    beside = run.store.with_name("sessions-2.sqlite3")
    run.wait_for(lambda: run.saving() == [False, True])
    assert run.alarms()[0] == "raised"
    (why,) = (each["why"] for each in run.told() if each["kind"] == "saving" and not each["saving"])
    assert f"the store {run.store} was deleted, moved or replaced; recording goes on in {beside}" in why
    status, summary = run.end()
    assert status == 0
    assert summary["store"] == str(beside)
    assert summary["values_stored"] == summary["values_published"]
    assert not replaced or run.store.read_bytes() == b"another file"
    with StoreReader.open(beside) as reader:
        session = reader.session(summary["session"])
        assert session.ended_how == "normal"
        held = sum(span.value_count for span in reader.recording(session.id).spans())
    assert held > 0
    assert beside.stat().st_mode & 0o777 == 0o600
