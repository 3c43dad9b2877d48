"""A screen with everything real behind it but the device: gather, stages, snapshot, operator; time turned by hand."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import ManualClock
from telemetry.model.events import Event
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.plan import ReplayPlan
from telemetry.pipeline.run import Operator, Run, standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.runs.program import PROGRAM, program_version
from telemetry.screen.dashboard import Dashboard
from telemetry.screen.panel import Panel
from telemetry.screen.session_list import SessionList
from telemetry.screen.terminal import TerminalScreen
from telemetry.screen.traces import Traces
from tests.made_once import made_once
from tests.screen.quiet_loop import keys_until_quiet
from tests.screen.session_store import make_store

START = 1_700_000_000_000_000
SECOND = 1_000_000
CELLS = 8


def _limit(name: str, signal: str, side: str, warn: float, trip: float, raise_s: float = 2.0) -> Limit:
    return Limit(name, signal, side, warn, trip, 0.05, raise_s, 10.0, "a bound for this test")  # type: ignore[arg-type]


LIMITS = (
    _limit("pack-voltage-low", "pack_voltage", "low", 22.0, 20.0),
    _limit("pack-voltage-high", "pack_voltage", "high", 28.8, 29.2),
    _limit("cell-voltage-low", "cell_min_voltage", "low", 2.8, 2.5),
    _limit("cell-spread", "cell_spread", "high", 0.1, 0.3, 10.0),
    _limit("discharge-current", "pack_current", "high", 90.0, 100.0),
    _limit("charge-current", "pack_current", "low", -45.0, -50.0),
    _limit("pack-temperature-high", "pack_temperature_*", "high", 45.0, 60.0, 10.0),
)
PACK = Group("pack", "pack", ("pack_voltage", "pack_current", "soc_reported", "pack_temperature_1"))
CELL_GROUP = Group("pack", "cells", tuple(f"cell_{n:02d}_voltage" for n in range(1, CELLS + 1)))


class Rig:
    """What stands behind the screen, and the screen."""

    def __init__(self, limits: Iterable[Limit] = LIMITS, replay: bool = False, **options: object) -> None:
        self.clock, self.wall = ManualClock(START), ManualClock(0)
        limits = tuple(limits)
        self.snapshot = Snapshot({limit.name: limit for limit in limits}, START)
        self.gather = Gather()
        self.stages = standard_stages(Judge(limits))
        self.plan = ReplayPlan(self.clock, START, 1.0) if replay else None
        self.run = Run(self.clock, LivePacer(self.clock), self.stages, self.gather, waits=False)
        self.past = LivePast(START)
        self.traces = Traces(self.past, self.snapshot.limits, title=str(options.pop("title", "")))
        machine_name = str(options.pop("machine_name", "test cart"))
        why_no_marks = str(options.pop("why_no_marks", ""))
        store = options.pop("store", None)
        options = {"colours": "full", "test_sound": False} | options
        self.dashboard = Dashboard(
            self.snapshot,
            Operator(self.run, self.plan, why_no_marks=why_no_marks),
            self.clock,
            machine_name,
            self.traces,
            wall=self.wall,
            sessions=SessionList(store, program_version()),  # type: ignore[arg-type]
            program=PROGRAM,
            **options,  # type: ignore[arg-type]
        )
        self.screen = TerminalScreen(self.dashboard, options["colours"])  # type: ignore[arg-type]

    @property
    def now(self) -> int:
        return self.clock.now()

    async def after(self, seconds: float, *events: Event, **values: float) -> None:
        """Move both clocks on, hand in one row of what ``values`` says (cells by ``lowest``), and close the span."""
        await self.clock.advance(seconds)
        await self.wall.advance(seconds)
        lowest = values.pop("lowest", None)
        if values:
            row = [values.get(name, float("nan")) for name in PACK.signals]
            self.gather.post(Batch.of_rows(PACK, [self.now], [row]))
        if lowest is not None:
            self.gather.post(Batch.of_rows(CELL_GROUP, [self.now], [[lowest + 0.02, *[lowest + 0.04] * 6, lowest]]))
        for event in events:
            self.gather.post(event)
        self.close()

    async def drive(self, seconds: int, **values: float) -> None:
        """The same once a second for so long."""
        for _ in range(seconds):
            await self.after(1.0, **values)

    def close(self) -> None:
        """End the span here."""
        span = self.stages.advance(self.gather.close(self.now))
        self.snapshot.take(span)
        self.past.take(span)

    def rows(self) -> list[str]:
        """Paint, and return what stands on the terminal, row by row."""
        self.screen.paint()
        return ["".join(text for text, _ in line) for line in self.screen.query_one(Panel).drawn]

    def text(self) -> str:
        return "\n".join(self.rows())


@pytest.fixture
def make_rig() -> Callable[..., Rig]:
    return Rig


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def session_store(tmp_path: Path) -> Iterator[Path]:
    """A store with the sessions of :mod:`tests.screen.session_store`, where local time is UTC."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        path = tmp_path / "store.sqlite3"
        path.write_bytes(_made_store())
        yield path
    time.tzset()


@made_once
def _made_store() -> bytes:
    with TemporaryDirectory() as folder:
        return make_store(Path(folder) / "store.sqlite3").read_bytes()


@pytest.fixture(autouse=True)
def _quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    keys_until_quiet(monkeypatch)
