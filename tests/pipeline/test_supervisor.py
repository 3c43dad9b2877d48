"""A supervisor with a driver that does as it is told, and time turned by hand."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import ClassVar

import pytest

from telemetry.driver import Asleep
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import ManualClock, settle
from telemetry.model.errors import LinkLost, LinkUnavailable, RecordingError
from telemetry.model.events import LinkChange
from telemetry.pipeline.supervisor import Supervisor

GROUP = Group("pack", "pack", ("pack_voltage",))


class Scripted:
    """A driver by the contract: yields, raises or waits for what its script holds; None waits for ever."""

    kind: ClassVar = "wired"
    open_now: ClassVar[list] = []

    def __init__(self, clock: ManualClock, script: list, silence_s: float | None = 5.0) -> None:
        self.clock, self.script, self.silence_s = clock, script, silence_s

    async def open(self) -> None:
        if self.script and isinstance(self.script[0], LinkUnavailable):
            raise self.script.pop(0)
        self.open_now.append(self)

    async def readings(self) -> AsyncIterator:
        while self.script:
            item = self.script.pop(0)
            if isinstance(item, Exception):
                raise item
            if item is None:
                await asyncio.Event().wait()
            if isinstance(item, int):
                await self.clock.sleep_until(item * 1_000_000)
                continue
            yield Batch.of_rows(GROUP, [self.clock.now()], [[50.0]]) if item == "row" else item

    async def close(self) -> None:
        if self in self.open_now:
            self.open_now.remove(self)


async def supervised(clock: ManualClock, scripts: list[list], kind: str = "wired"):
    got: list = []
    cls = type("Of" + kind, (Scripted,), {"kind": kind})
    supervisor = Supervisor("pack", lambda: cls(clock, scripts.pop(0) if scripts else [None]), clock, got.append)
    task = asyncio.create_task(supervisor.run())
    await settle()
    return got, task


def states(got: list) -> list[str]:
    return [e.state for e in got if isinstance(e, LinkChange)]


async def test_opens_reads_and_ends() -> None:
    got, task = await supervised(ManualClock(), [["row", "row"]])
    await task
    assert states(got) == ["opening", "live", "ended"]
    assert sum(isinstance(x, Batch) for x in got) == 2
    assert Scripted.open_now == []


@pytest.mark.parametrize(("kind", "cap"), [("wired", 1.0), ("radio", 5.0)])
async def test_the_delay_doubles_to_its_cap_and_starts_over_on_success(kind, cap) -> None:
    clock = ManualClock()
    failing = [[LinkUnavailable(f"no port, try {n}")] for n in range(7)]
    got, task = await supervised(clock, [*failing, ["row", LinkLost("pulled")], [None]], kind)
    for _ in range(160):
        await clock.advance(0.25)
    waits = [(e.retry_at - e.t) / 1e6 for e in got if isinstance(e, LinkChange) and e.retry_at]
    assert waits[:8] == [*(min(0.25 * 2**n, cap) for n in range(7)), 0.25]
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_the_same_failure_is_told_once_with_the_time_it_began() -> None:
    clock = ManualClock()
    got, task = await supervised(clock, [[LinkUnavailable("no such port")] for _ in range(100)])
    await clock.advance(30)
    assert states(got) == ["opening", "lost"]
    assert got[-1].t == 0
    assert got[-1].why == "no such port"
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_link_that_waits_for_its_next_try_can_be_tried_at_once() -> None:
    clock, got = ManualClock(), []
    scripts = [[LinkUnavailable("no port")], [LinkUnavailable("no port")], ["row", None]]
    supervisor = Supervisor("pack", lambda: Scripted(clock, scripts.pop(0)), clock, got.append)
    assert not supervisor.try_now(), "it does not run yet"
    task = asyncio.create_task(supervisor.run())
    for _ in range(2):
        await settle()
        assert states(got)[-1] == "lost"
        assert supervisor.try_now()
    await settle()
    assert clock.now() == 0, "nobody waited"
    assert states(got)[-1] == "live"
    assert not supervisor.try_now(), "a link that is live waits for no try"
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_silence_is_a_failed_link() -> None:
    clock = ManualClock()
    got, task = await supervised(clock, [["row", None], ["row", None]])
    await clock.advance(4.9)
    assert states(got) == ["opening", "live"]
    await clock.advance(0.1)
    assert states(got)[-1] == "silent"
    assert "5 s" in got[-1].why
    await clock.advance(0.25)
    assert states(got)[-1] == "live"
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert Scripted.open_now == []


async def test_after_a_suspend_what_the_link_still_holds_is_read_before_it_counts_as_silent() -> None:
    clock = ManualClock()
    got, task = await supervised(clock, [["row", 10, "row", None], ["row", None]])
    clock.suspend(20)
    await clock.advance(4.9)
    assert states(got) == ["opening", "live"]
    assert sum(isinstance(x, Batch) for x in got) == 2
    await clock.advance(0.1)
    assert states(got)[-1] == "silent"
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_link_that_says_nothing_after_a_suspend_is_silent_a_second_later() -> None:
    clock = ManualClock()
    got, task = await supervised(clock, [["row", None], [None]])
    clock.suspend(20)
    await clock.advance(0.9)
    assert states(got) == ["opening", "live"]
    await clock.advance(0.1)
    assert states(got)[-1] == "silent"
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_pack_that_sleeps_by_design_may_be_silent() -> None:
    clock = ManualClock()
    got, task = await supervised(clock, [["row", Asleep("key off"), None]])
    await clock.advance(600)
    assert states(got) == ["opening", "live", "asleep"]
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_bad_input_is_not_tried_again() -> None:
    _, task = await supervised(ManualClock(), [["row", RecordingError("mow.csv, line 7: cut")]])
    with pytest.raises(RecordingError, match="line 7"):
        await task
    assert Scripted.open_now == []


@pytest.mark.mistakes
async def test_a_mistake_in_a_driver_is_a_failed_link_and_logged_once(caplog: pytest.LogCaptureFixture) -> None:
    clock = ManualClock()
    got, task = await supervised(clock, [["row", KeyError("oops")], ["row", KeyError("oops")], ["row", None]])
    await clock.advance(2)
    assert states(got) == ["opening", "live", "lost", "live", "lost", "live"]
    why = next(e.why for e in got if isinstance(e, LinkChange) and e.state == "lost")
    assert why.startswith("internal error in the driver of pack (KeyError); it is reopened")
    told = [each for each in caplog.records if each.name.startswith("telemetry")]  # asyncio says where it was slow
    assert [record.exc_info is not None for record in told] == [True]
    assert sum(isinstance(x, Batch) for x in got) == 3
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_mistake_in_a_replay_ends_it() -> None:
    _, task = await supervised(ManualClock(), [["row", KeyError("oops")]], "plan")
    with pytest.raises(KeyError):
        await task


async def test_silence_says_once_what_was_heard_and_not_read():
    clock, counts = ManualClock(), iter(range(9))

    class Hearing(Scripted):
        def advice(self) -> str:
            return f"none of {next(counts)} lines could be read"

    got: list = []
    supervisor = Supervisor("board", lambda: Hearing(clock, [None]), clock, got.append)
    task = asyncio.create_task(supervisor.run())
    await settle()
    await clock.advance(30)
    task.cancel()
    said = [change.why for change in got if change.state == "silent"]
    assert said == ["board is open but has sent nothing readable for 5 s; none of 0 lines could be read"]


class Mapped(Scripted):
    """A driver whose map names more than the device sends."""

    def mapped(self) -> tuple[str, ...]:
        return ("pack_voltage", "pack_current")

    def seen(self) -> str:
        return "state (12), shorter than its fields (12)"


async def test_what_a_map_names_and_never_comes_is_said_once_and_taken_back_when_it_comes() -> None:
    clock, got = ManualClock(), []
    late = Batch.of_rows(Group("pack", "more", ("pack_current",)), [0], [[20.0]])
    unknown = Batch.of_rows(Group("pack", "more", ("pack_current",)), [0], [[float("nan")]])
    script = ["row", unknown, 4, "row", 8, "row", 11, unknown, 12, "row", 13, late, "row", None]
    supervisor = Supervisor("pack", lambda: Mapped(clock, script), clock, got.append)
    task = asyncio.create_task(supervisor.run())
    for _ in range(56):
        await settle()
        await clock.advance(0.25)
    changes = [(e.t // 1_000_000, e.state, e.why) for e in got if isinstance(e, LinkChange)]
    said = "mapped but not received in 10 s: pack_current; received: state (12), shorter than its fields (12)"
    assert [each for each in changes if each[1] == "live"] == [(0, "live", ""), (11, "live", said), (13, "live", "")]
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_nothing_is_said_of_a_map_whose_last_signal_came_late_but_before_anything_was_said() -> None:
    clock, got = ManualClock(), []
    both = Batch.of_rows(Group("pack", "all", ("pack_voltage", "pack_current")), [0], [[50.0, 20.0]])
    supervisor = Supervisor("pack", lambda: Mapped(clock, [12, both, "row", None], None), clock, got.append)
    task = asyncio.create_task(supervisor.run())
    for _ in range(56):
        await settle()
        await clock.advance(0.25)
    assert [e.why for e in got if isinstance(e, LinkChange) and e.state == "live"] == [""]
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
