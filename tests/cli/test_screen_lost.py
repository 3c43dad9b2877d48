"""A screen that breaks takes no alarm with it: the run goes on, and the store has what came after."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from textual.drivers.headless_driver import HeadlessDriver

from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import ManualClock
from telemetry.model.events import AlarmChange
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.run import Operator, Run, standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.supervisor import Supervisor
from telemetry.runs.begin import OnScreen
from telemetry.runs.with_screen import run_beside
from telemetry.screen.canvas import Line
from telemetry.screen.dashboard import Dashboard
from telemetry.screen.starting import Starting
from telemetry.screen.terminal import TerminalScreen
from telemetry.screen.traces import Traces
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000
LOW = Limit("pack-voltage-low", "pack_voltage", "low", 48.0, 46.0, 0.5, 0.0, 0.0, "test")
GROUP = Group("pack", "pack", ("pack_voltage",))


class Quiet:
    """A source that opens and says nothing of itself."""

    kind = "wired"
    silence_s = None

    async def open(self) -> None:
        return

    async def readings(self):
        await asyncio.Event().wait()
        yield

    async def close(self) -> None:
        return


class Breaking(Dashboard):
    """A dashboard that cannot draw an alarm."""

    def drawn_lines(self, width: int, height: int, wall: int) -> list[Line]:
        if self._snapshot.alarms:
            raise ZeroDivisionError("a mistake in drawing")
        return super().drawn_lines(width, height, wall)


@pytest.mark.parametrize("breaks", [True, False])
async def test_the_store_has_every_alarm_though_the_screen_broke(
    tmp_path: Path, breaks: bool, capfd: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "sessions.sqlite3"
    clock = ManualClock(START)
    run = Run(clock, LivePacer(clock), standard_stages(Judge([LOW])), Gather(), waits=False)
    snapshot = Snapshot({LOW.name: LOW}, START)
    run.bus.attach(snapshot.take)
    lost: list[int] = []
    with StoreWriter.open(store) as writer:
        writer.begin_session("cart", None, "live", "absolute", START, START)
        run.bus.subscribe("store", writer)
        traces = Traces(LivePast(START), snapshot.limits)
        dashboard = (Breaking if breaks else Dashboard)(
            snapshot, Operator(run), clock, "cart", traces, colours="full", test_sound=False
        )
        starting = Starting("cart", "full", "metric", lambda: None)
        screen = TerminalScreen(starting, "full")
        screen.driver_class = HeadlessDriver
        on = OnScreen(screen, starting, asyncio.create_task(screen.run_async()))
        await screen.painted()
        supervisors = [Supervisor("pack", Quiet, clock, run.gather.post)]
        beside = asyncio.create_task(run_beside(on, dashboard, run, supervisors, lambda: lost.append(clock.now())))
        for volts in (52.0, 47.0, 47.0):
            await give(run, clock, volts)
        if breaks:
            while not lost:  # noqa: ASYNC110 - it draws on a timer of its own
                await asyncio.sleep(0.01)
        for volts in (52.0, 45.0, 52.0):
            await give(run, clock, volts)
        assert not beside.done()
        run.stop()
        if not breaks:
            screen.exit()
        await clock.advance(1.0)
        await beside
        writer.end_session(clock.now())
    assert bool(lost) == breaks
    with StoreReader.open(store) as reader:
        changes = [event for event in reader.events("last") if isinstance(event, AlarmChange)]
    assert [(change.state, change.level) for change in changes] == [
        ("raised", "warn"),
        ("cleared", "warn"),
        ("raised", "trip"),
        ("cleared", "trip"),
    ]
    capfd.readouterr()  # what Textual prints of the mistake


async def give(run: Run, clock: ManualClock, volts: float) -> None:
    await clock.advance(0.5)
    run.gather.post(Batch.of_rows(GROUP, [clock.now()], [[volts]]))
    await clock.advance(0.5)
