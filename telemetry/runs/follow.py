"""Follows a run that another process records: its rows come out of the store, and nothing goes into it.

What follows is a little behind, so that all rows are there before their time comes. Alarms are made anew by the rules
of the recording; what is acknowledged here is acknowledged on this screen alone.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.machine.limits import limits_for
from telemetry.model.batch import MICROSECONDS
from telemetry.model.clock import Clock, SystemClock
from telemetry.model.errors import InputError, StoreError
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.run import Operator, Run, standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.report.printer import Printer, say
from telemetry.runs.begin import OnScreen, begin, end_well_by_signal
from telemetry.runs.earlier_sessions import resistance_history
from telemetry.runs.options import RunOptions
from telemetry.runs.subjects import machine_for
from telemetry.runs.with_screen import dashboard_of
from telemetry.store.reader import StoreReader
from telemetry.store.recovery import recover_if_possible
from telemetry.store.session_tail import SessionTail

if TYPE_CHECKING:
    from telemetry.machine.machine_file import Machine
    from telemetry.store.reader import SessionRecord

BEHIND = 2 * MICROSECONDS
"""A recording commits each half second, and what it holds back it writes within another."""
_STEP = 60 * MICROSECONDS
_EVERY_S = 0.2
_LOOK_AFTER_S = 3.0
NO_MARKS = "no mark set: this screen only follows; set it where the run is recorded"
LEAVING = "leaves; the recording goes on"


class FollowClock:
    """The time of what is followed: a little behind real time, and where it has come to while it catches up."""

    def __init__(self, clock: Clock, start: int) -> None:
        self._clock = clock
        self._ahead = 0
        self.reached: int | None = start

    def horizon(self) -> int:
        """Return the time up to which everything is in the store."""
        return self._clock.now() + self._ahead - BEHIND

    def set_by(self, newest: int | None) -> None:
        """Go by the clock of the recording where that is ahead of ours."""
        if newest is not None:
            self._ahead = max(self._ahead, newest - self._clock.now())

    def now(self) -> int:
        """Return the time of what is shown."""
        return self.horizon() if self.reached is None else self.reached

    async def sleep_until(self, t: int) -> None:
        """Wait until what is shown has come to ``t``."""
        await self._clock.sleep_until(t + BEHIND - self._ahead)


class FollowRun(Run):
    """A run whose rows come out of the store.

    Args:
        clock: the clock of what is followed.
        machine: by which alarms are judged; None for none.
        snapshot: takes every span.
        tail: gives rows and inputs.
        store: where earlier sessions are, and this one.
        record: the session.

    """

    def __init__(
        self,
        clock: FollowClock,
        machine: Machine | None,
        tail: SessionTail,
        store: Path,
        record: SessionRecord,
    ) -> None:
        history = resistance_history(store, record.machine)
        stages = standard_stages(judge_for(machine, history), machine, history)
        super().__init__(clock, LivePacer(clock), stages, Gather(ahead_at_most=None), waits=True)
        limits = limits_for(machine, history) if machine is not None else ()
        self.snapshot = Snapshot({limit.name: limit for limit in limits}, record.start)
        self.bus.attach(self.snapshot.take)
        self.times, self._tail, self._store = clock, tail, store
        self._end = record.start

    @property
    def is_catching_up(self) -> bool:
        """Whether what is shown lies behind the present by more than it should."""
        return self.times.reached is not None

    async def follow(self) -> str:
        """Follow until the recording ends or :meth:`stop` is called; return how it ended.

        Raises:
            StoreError: the store cannot be read any more.

        """
        looked = 0.0
        while not self._stopping.is_set():
            has_ended = await asyncio.to_thread(self._tail.has_ended)
            if has_ended or self.is_catching_up:
                self.times.set_by(await asyncio.to_thread(self._tail.newest))
            horizon = self.times.horizon() + (BEHIND if has_ended else 0)
            end = min(horizon, self._end + _STEP)
            self.times.reached = end if end < horizon or has_ended else None
            for item in await asyncio.to_thread(self._tail.read, end):
                self.gather.post(item)
            await self._advance(max(end, self._end), final=has_ended and end == horizon)
            if has_ended and end == horizon:
                return "the recording has ended"
            if end < horizon:
                await asyncio.sleep(0)
                continue
            looked += _EVERY_S
            if looked >= _LOOK_AFTER_S:  # a killed program closes nothing: whoever looks does
                looked = 0.0
                await asyncio.to_thread(recover_if_possible, self._store)
            with suppress(TimeoutError):
                await asyncio.wait_for(self._stopping.wait(), _EVERY_S)
        return "left; the recording goes on"


def running_session(store: Path) -> SessionRecord:
    """Return the session that is being recorded, the latest where there are several.

    Raises:
        InputError: there is none.
        StoreError: the store cannot be read.

    """
    if store.exists():
        with StoreReader.open(store) as reader:
            running = [record for record in reader.sessions() if record.ended is None and record.origin == "live"]
        if running:
            return running[-1]
    raise InputError("nothing is being recorded; start with shakedown watch MACHINE.toml, then follow it")


def follow(options: RunOptions) -> int:
    """Follow the run that is being recorded in the store of ``options``; return the exit status.

    Raises:
        InputError: nothing is being recorded.
        StoreError: the store cannot be read.

    """
    store = options.sessions
    assert store is not None
    record = running_session(store)
    with StoreReader.open(store) as reader:
        machine = machine_for(reader.recording(record.id), None)
    return begin(record.machine, options, lambda: partial(_follow, store, record, machine, options))


async def _follow(
    store: Path, record: SessionRecord, machine: Machine | None, options: RunOptions, on: OnScreen | None
) -> int:
    with SessionTail(store, record.id) as tail:
        clock = FollowClock(SystemClock(), record.start)
        run = FollowRun(clock, machine, tail, store, record)
        if on is not None:
            await _on_screen(run, record, machine, options, on)
        else:
            run.bus.attach(Printer(record.start, options.as_json, options.out, run.stop).take)
            end_well_by_signal(run.stop)
            say([await _within(run, options.for_s)], options.notes)
    if run.failure is not None:
        raise run.failure
    return 0


async def _within(run: FollowRun, for_s: float | None) -> str:
    """Follow for so many seconds at most."""
    following = asyncio.ensure_future(run.follow())
    if not (await asyncio.wait({following}, timeout=for_s))[0]:
        run.stop()
    return await following


async def _on_screen(
    run: FollowRun, record: SessionRecord, machine: Machine | None, options: RunOptions, on: OnScreen
) -> None:
    past = LivePast(record.start, record.time_basis)
    run.bus.attach(past.take)
    dashboard = dashboard_of(
        run.snapshot,
        Operator(run, why_no_marks=NO_MARKS, leaving=LEAVING),
        run.clock,
        record.machine,
        machine,
        past,
        options,
        () if machine is None else machine.sources,
        run_word=lambda: "catching up" if run.is_catching_up else "following",
    )

    async def beside() -> None:
        try:
            dashboard.run_ended(await _within(run, options.for_s))
        except StoreError as error:
            run.failure = error
            dashboard.run_ended(str(error))

    following = asyncio.create_task(beside(), name="follow")
    on.screen.show(dashboard, on.starting.keys)
    try:
        await on.showing
    finally:
        run.stop()
        await following
