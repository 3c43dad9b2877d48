"""The program's way from driver to store in this process, to hold what drivers count against the store."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from telemetry.driver import Driver, DriverContext
from telemetry.model.batch import Span
from telemetry.model.capture import CapturedPiece
from telemetry.model.clock import SystemClock
from telemetry.model.events import LinkChange
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.run import Run, standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.supervisor import Supervisor
from telemetry.store.span_queue import Counts
from telemetry.store.writer import StoreWriter

SOURCE = "link"
BUSY_S = 60.0
"""How long to wait for anything; long, for the machine may be busy."""


class Recorder:
    """One source under its supervisor, recorded; made by :func:`recording`.

    Attributes:
        clock: the run's.
        drivers: every driver that was made, the latest last.
        changes: every change of the link.
        snapshot: what the screen would show.
        counts: what the store counted; once the run has ended.

    """

    def __init__(self, make: Callable[[DriverContext], Driver], settings: Mapping[str, Any], store: Path) -> None:
        self.clock = SystemClock()
        self.store = store
        self.drivers: list[Any] = []
        self.changes: list[LinkChange] = []
        self._sizes: list[list[int]] = []
        self.run = Run(self.clock, LivePacer(self.clock), standard_stages(judge_for(None)), Gather(), waits=False)
        self.snapshot = Snapshot(start=self.clock.now())
        self.counts: Counts
        self._taken = asyncio.Event()
        self._make, self._settings = make, settings

    def driver(self) -> Driver:
        """Make the driver of the next opening."""
        sizes: list[int] = []

        def tapped(piece: CapturedPiece) -> None:
            if piece.direction == "in":
                sizes.append(len(piece.data))

        driver = self._make(DriverContext(SOURCE, self._settings, self.clock, capture=tapped))
        self.drivers.append(driver)
        self._sizes.append(sizes)
        return driver

    def take(self, span: Span) -> None:
        """Note the changes of the link."""
        self.changes += [event for event in span.events if isinstance(event, LinkChange)]
        self._taken.set()

    async def until(self, condition: Callable[[], object]) -> None:
        """Return once ``condition`` holds, as looked at after each span."""
        async with asyncio.timeout(BUSY_S):
            while not condition():
                self._taken.clear()
                await self._taken.wait()

    async def wait_for(self, *states: str, since: int = 0) -> LinkChange:
        """Wait for a change to one of ``states`` after the first ``since`` changes, and return it."""

        def found() -> LinkChange | None:
            return next((change for change in self.changes[since:] if change.state in states), None)

        await self.until(found)
        change = found()
        assert change is not None
        return change

    @property
    def bytes_read(self) -> int:
        """Bytes read from the link, by the tap that captures them, less what waited when an opening was given up."""
        total = 0
        for driver, sizes in zip(self.drivers, self._sizes, strict=True):
            left = driver.figures.queue.fill if hasattr(driver.figures, "queue") else 0
            total += sum(sizes[: len(sizes) - left])
        return total


@asynccontextmanager
async def recording(
    make: Callable[[DriverContext], Driver], settings: Mapping[str, Any], store: Path
) -> AsyncIterator[Recorder]:
    """Record a source until the context ends; then its session is ended and counted."""
    recorder = Recorder(make, settings, store)
    run, clock = recorder.run, recorder.clock
    with StoreWriter.open(store) as writer:
        writer.begin_session("laboratory", None, "live", "absolute", clock.now(), clock.now())
        run.bus.attach(recorder.snapshot.take)
        run.bus.attach(recorder.take)
        run.bus.subscribe("store", writer)
        running = asyncio.create_task(run.run([Supervisor(SOURCE, recorder.driver, clock, run.gather.post)]))
        try:
            yield recorder
        finally:
            run.stop()
            await running
            recorder.counts = await asyncio.to_thread(writer.end_session, clock.now())
