"""Following a run that another process records: the same alarms, nothing written, keys that touch nothing."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.request import urlopen

import numpy as np
import pytest

from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.clock import ManualClock
from telemetry.model.errors import InputError
from telemetry.model.events import Acknowledge, AlarmChange, LinkChange, Mark, MarkChange
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.run import standard_stages
from telemetry.runs.follow import BEHIND, FollowClock, FollowRun, running_session
from telemetry.runs.serve import host_and_port
from telemetry.store.reader import StoreReader
from telemetry.store.session_tail import SessionTail
from telemetry.store.writer import StoreWriter
from tests.faults.program import BUSY_S, environment, shakedown
from tests.screen.test_real_terminal import Terminal

START = 1_700_000_000_000_000
SECOND = 1_000_000
PACK = Group("pack", "pack", ("pack_voltage", "pack_current"))
MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 8
capacity_ah = 100
continuous_discharge_a = 100
continuous_charge_a = 50
"""


def drive(seconds: int) -> list[Span]:
    """A drive with ten rows a second whose pack falls below its limits for a while, a mark and an acknowledgement."""
    t = START + np.arange(seconds * 10) * (SECOND // 10)
    volts = np.where((t - START) // SECOND % 90 < 45, 25.8, 17.5)
    rows = np.column_stack((volts, np.full(len(t), 60.0)))
    spans = []
    for first in range(0, len(t), 5):
        end = int(t[min(first + 4, len(t) - 1)])
        events = [event for event in EVENTS if spans and spans[-1].end < event.t <= end]
        spans.append(Span(end).adding([Batch(PACK, t[first : first + 5], rows[first : first + 5])], events))
    return spans


EVENTS = (
    LinkChange(START + SECOND, "pack", "live"),
    Mark(START + 20 * SECOND, "gate"),
    Acknowledge(START + 60 * SECOND, None, None),
    MarkChange(START + 70 * SECOND, START + 20 * SECOND, "hill by the gate"),
)


def begin(writer: StoreWriter) -> int:
    return writer.begin_session(
        machine="cart", machine_text=MACHINE, origin="live", time_basis="absolute", started=START, start=START
    )


def alarms_live(spans: list[Span]) -> list[AlarmChange]:
    """The alarm changes of the same spans judged as a live run does."""
    machine, _ = parse_machine(MACHINE, "cart")
    gather, stages, found = Gather(), standard_stages(judge_for(machine), machine), list[AlarmChange]()
    for span in spans:
        for item in (*span.batches, *span.events):
            gather.post(item)
        found += [e for e in stages.advance(gather.close(span.end)).events if isinstance(e, AlarmChange)]
    return found


async def test_a_follower_raises_the_alarms_of_the_recording_and_writes_nothing(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite3"
    spans = drive(200)
    machine, _ = parse_machine(MACHINE, "cart")
    clock = ManualClock(START)
    raised: list[AlarmChange] = []
    rows = 0
    with StoreWriter.open(store) as writer:
        number = begin(writer)
        with SessionTail(store, number) as tail:
            record = running_session(store)
            assert record.id == number
            run = FollowRun(FollowClock(clock, START), machine, tail, store, record)

            def take(span: Span) -> None:
                nonlocal rows
                raised.extend(event for event in span.events if isinstance(event, AlarmChange))
                rows += sum(len(batch) for batch in span.batches if batch.group.key == PACK.key)

            run.bus.attach(take)
            for place, span in enumerate(spans):
                await clock.advance((span.end - clock.now()) / SECOND)
                writer.offer(span)
                if place % 37 == 0:
                    writer.flush()
                    await some(run)
            writer.flush()
            with StoreReader.open(store) as reader:
                before = reader._db.execute("SELECT count(*) FROM sqlite_master").fetchone(), counts(reader)
            await clock.advance(10)
            await some(run)
            with StoreReader.open(store) as reader:
                assert (reader._db.execute("SELECT count(*) FROM sqlite_master").fetchone(), counts(reader)) == before
            writer.end_session(spans[-1].end)
            assert await run.follow() == "the recording has ended"
    expected = alarms_live(spans)
    assert len(expected) >= 4
    key = [(e.limit, e.signal, e.level, e.state) for e in expected]
    assert [(e.limit, e.signal, e.level, e.state) for e in raised][: len(key)] == key
    late = [abs(a.t - b.t) for a, b in zip(raised, expected, strict=False)]
    assert max(late) <= SECOND
    assert rows == sum(len(batch) for span in spans for batch in span.batches)
    assert [mark.text for mark in run.snapshot.marks] == ["hill by the gate"]


async def some(run: FollowRun) -> None:
    """Let it read what there is."""
    run._stopping.clear()
    task = asyncio.ensure_future(run.follow())
    for _ in range(40):
        await asyncio.sleep(0.01)
        if not run.is_catching_up:
            break
    run.stop()
    await task
    run._stopping.clear()


def counts(reader: StoreReader) -> list[int]:
    tables = ("session", "series", "alarm", "mark", "acknowledge", "link_state", "gap", "outcome", "label")
    return [reader._db.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in tables]


def test_a_clock_of_the_recording_that_is_ahead_is_followed() -> None:
    clock = FollowClock(ManualClock(START), START - SECOND)
    assert clock.now() == START - SECOND
    clock.reached = None
    assert clock.now() == START - BEHIND
    clock.set_by(START + 60 * SECOND)
    assert clock.now() == START + 60 * SECOND - BEHIND
    clock.set_by(START)
    assert clock.now() == START + 60 * SECOND - BEHIND


def test_nothing_to_follow_and_words_that_do_not_go_with_it_are_said(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite3"
    with pytest.raises(InputError, match="nothing is being recorded"):
        running_session(store)
    for words, said in {
        ("watch", "--follow", "--store", store): "nothing is being recorded; start with shakedown watch",
        ("watch", "--follow", "cart.toml"): "takes no machine file",
        ("watch", "--follow", "--demo"): "takes no --demo",
        ("watch", "--demo", "--serve"): "add --follow",
        ("watch", "--follow", "--serve", "here:99999"): "no address such as",
    }.items():
        done = shakedown(*words)
        assert done.returncode == 2, done
        assert said in done.stderr


def test_addresses() -> None:
    assert host_and_port("127.0.0.1:8000") == ("127.0.0.1", 8000)
    assert host_and_port("9000") == ("127.0.0.1", 9000)
    assert host_and_port("0.0.0.0") == ("0.0.0.0", 8000)
    assert host_and_port("[::1]:81") == ("::1", 81)
    for wrong in ("x:y", "x:0", "x:65536"):
        with pytest.raises(InputError, match="no address such as"):
            host_and_port(wrong)


@pytest.fixture
def recorded(tmp_path: Path) -> Iterator[tuple[Path, subprocess.Popen[bytes]]]:
    """A store into which a process of its own, which a closed terminal does not end, records the demo."""
    store = tmp_path / "store.sqlite3"
    words = ["watch", "--demo", "--no-screen", "--silent", "--store", str(store)]
    command, away = [sys.executable, "-m", "telemetry.cli", *words], subprocess.DEVNULL
    with subprocess.Popen(command, env=environment(), stdout=away, stderr=away) as process:
        begun = time.monotonic()
        while not rows_in(store):
            assert time.monotonic() < begun + BUSY_S
            time.sleep(0.2)
        yield store, process
        process.send_signal(signal.SIGINT)
        process.wait(BUSY_S)


def rows_in(store: Path) -> int:
    if not store.exists():
        return 0
    try:
        with StoreReader.open(store) as reader:
            return int(reader._db.execute("SELECT count(*) FROM series").fetchone()[0])
    except Exception:  # not a store yet
        return 0


def test_the_real_program_follows_a_real_recording_to_its_end(recorded: tuple[Path, subprocess.Popen[bytes]]) -> None:
    store, process = recorded
    command = [sys.executable, "-m", "telemetry.cli", "watch", "--follow", "--json", "--store", str(store)]
    with subprocess.Popen(
        command, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as follower:
        assert follower.stdout is not None
        assert follower.stderr is not None
        first = json.loads(follower.stdout.readline())
        assert first["kind"] == "link", first
        process.send_signal(signal.SIGINT)
        process.wait(BUSY_S)
        assert follower.wait(BUSY_S) == 0
        assert "the recording has ended" in follower.stderr.read()
    with StoreReader.open(store) as reader:
        assert len(reader.sessions()) == 1


@pytest.mark.skipif(shutil.which("tmux") is None, reason="needs tmux, a terminal that a test can read")
def test_a_second_terminal_shows_the_run_and_cannot_touch_it(
    tmp_path: Path, recorded: tuple[Path, subprocess.Popen[bytes]]
) -> None:
    store, process = recorded
    terminal = Terminal(tmp_path)
    try:
        terminal.start((80, 24), "watch", "--follow", "--store", str(store))
        rows = terminal.wait_until(lambda rows: "following 0:" in rows[0], "the run")
        assert {row[58] for row in rows[1:18]} == {"█"}, "the wall of the drive view"
        terminal.press("Space")
        terminal.wait_until(lambda rows: "this screen only follows" in "\n".join(rows), "no mark")
        terminal.press("q")
        terminal.wait_until(lambda rows: "q again leaves; the recording goes on" in "\n".join(rows), "the question")
        terminal.press("q")
        begun = time.monotonic()
        while terminal.is_there():
            assert time.monotonic() < begun + BUSY_S
            time.sleep(0.1)
    finally:
        terminal.close()
    assert process.poll() is None
    with StoreReader.open(store) as reader:
        assert [record.ended for record in reader.sessions()] == [None]
        assert reader._db.execute("SELECT count(*) FROM mark WHERE set_by = 'operator'").fetchone()[0] == 0


@pytest.mark.skipif(shutil.which("tmux") is None, reason="needs tmux, a terminal that a test can read")
def test_a_recording_whose_terminal_was_lost_is_taken_up_again(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite3"
    first, second = Terminal(tmp_path / "one"), Terminal(tmp_path / "two")
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
    recorder = 0
    try:
        first.start((80, 24), "watch", "--demo", "--silent", "--keep-recording", "--store", str(store))
        first.wait_until(lambda rows: "recording 0:" in rows[0], "the recording")
        recorder = int(first._tmux("display-message", "-p", "-t", "drive", "#{pane_pid}"))
        first.close()
        second.start((80, 24), "watch", "--follow", "--store", str(store))
        second.wait_until(lambda rows: "following 0:" in rows[0], "the run taken up again")
        os.kill(recorder, signal.SIGINT)
        second.wait_until(lambda rows: "the recording has ended" in "".join(rows), "its end")
    finally:
        for terminal in (first, second):
            terminal.close()
    with StoreReader.open(store) as reader:
        assert [record.ended_how for record in reader.sessions()] == ["normal"]


def test_a_page_in_a_browser_shows_it(recorded: tuple[Path, subprocess.Popen[bytes]]) -> None:
    pytest.importorskip("textual_serve")
    store, _ = recorded
    words = ["watch", "--follow", "--serve", "127.0.0.1:8763", "--store", str(store)]
    command = [sys.executable, "-m", "telemetry.cli", *words]
    with subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as server:
        try:
            begun = time.monotonic()
            page = b""
            while not page:
                assert time.monotonic() < begun + BUSY_S
                try:
                    page = urlopen("http://127.0.0.1:8763", timeout=5).read()
                except OSError:
                    time.sleep(0.2)
            assert b"shakedown" in page
        finally:
            server.send_signal(signal.SIGINT)
            server.wait(BUSY_S)
