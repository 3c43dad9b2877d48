"""The replay driver and its plan: absolute pace, change of speed, halt, and the same rows at every slicing."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.replay import ReplayDriver
from telemetry.driver import Driver, DriverContext
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.clock import ManualClock, settle
from telemetry.model.errors import LinkUnavailable, RecordingError
from telemetry.model.events import Acknowledge, AlarmChange, Event, Mark
from telemetry.pipeline.plan import ReplayPlan

FAST = Group("bms", "pack", ("pack_current", "pack_voltage"))
SLOW = Group("box", "place", ("vehicle_speed",))
WALL = 1_780_000_000_000_000


@dataclass
class Feed:
    spans: Iterator[Span]
    plan: ReplayPlan


class Listener:
    """A peer for the driver: plays supervisor and run, and notes at which wall time it was handed what."""

    def __init__(self, spans: Iterable[Span], clock: ManualClock, speed: float | None, start: int = 0) -> None:
        self.clock = clock
        self.plan = ReplayPlan(clock, start, speed)
        self.driver = ReplayDriver(DriverContext("replay", {}, clock, Feed(iter(spans), self.plan)))
        self.items: list[tuple[int, Batch | Event]] = []
        self.ends: list[int] = []
        self.handed_at_end: list[int] = []
        self.over = False

    async def supervise(self) -> None:
        await self.driver.open()
        try:
            async for item in self.driver.readings():
                self.items.append((self.clock.now(), item))
        finally:
            await self.driver.close()
            self.over = True

    async def run(self) -> None:
        while True:
            self.ends.append(await self.plan.next_end())
            self.handed_at_end.append(len(self.items))

    @property
    def batches(self) -> list[Batch]:
        return [item for _, item in self.items if isinstance(item, Batch)]

    def rows_of(self, group: Group) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        mine = [batch for batch in self.batches if batch.group == group]
        return np.concatenate([b.t for b in mine]), np.concatenate([b.values for b in mine])

    async def play(self, hours: float = 100) -> None:
        """Play to the end, moving wall time on as fast as what waits for it allows."""
        tasks = self.begin()
        await self.clock.advance(hours * 3600)
        assert self.over
        await end(tasks)

    def begin(self) -> list[asyncio.Task[None]]:
        return [asyncio.create_task(self.run()), asyncio.create_task(self.supervise())]


async def end(tasks: Sequence[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    for outcome in await asyncio.gather(*tasks, return_exceptions=True):
        if isinstance(outcome, Exception):
            raise outcome


def cut(batches: Iterable[Batch], ends: Iterable[int], events: Sequence[Event] = ()) -> list[Span]:
    """Cut whole batches into spans at ``ends``."""
    spans, last = [], -(2**62)
    batches = list(batches)
    for bound in ends:
        parts = [
            b.rows(int(np.searchsorted(b.t, last, "right")), int(np.searchsorted(b.t, bound, "right")))
            for b in batches
        ]
        here = tuple(e for e in events if last < e.t <= bound)
        spans.append(Span(bound, tuple(p for p in parts if len(p)), here))
        last = bound
    return spans


def pack_rows(t: Sequence[int] | np.ndarray[Any, Any], seed: int = 1) -> Batch:
    times = np.asarray(t, dtype=np.int64)
    return Batch(FAST, times, np.random.default_rng(seed).normal(50, 9, (len(times), 2)))


def irregular(seconds: float, seed: int = 7) -> np.ndarray[Any, Any]:
    """About two rows a second at uneven times."""
    steps = np.random.default_rng(seed).integers(1_000, 999_000, int(seconds * 2.2))
    t = np.cumsum(steps)
    return t[t <= seconds * 1e6]


def test_it_is_a_driver_of_the_kind_that_is_not_tried_again() -> None:
    driver = ReplayDriver(DriverContext("replay", {}, ManualClock()))
    assert isinstance(driver, Driver)
    assert driver.kind == "plan"
    assert driver.silence_s is None


async def test_named_in_a_machine_file_it_says_what_to_use_instead() -> None:
    driver = ReplayDriver(DriverContext("replay", {}, ManualClock()))
    with pytest.raises(LinkUnavailable, match="shakedown replay RECORDING"):
        await driver.open()
    await driver.close()
    await driver.close()


class LeapingClock(ManualClock):
    """Moves on to whatever is waited for, and wakes a little late each time, as a busy computer does."""

    def __init__(self, now: int, late_us: int) -> None:
        super().__init__(now)
        self._late = np.random.default_rng(3).integers(0, late_us + 1, 200_000).tolist()

    async def sleep_until(self, t: int) -> None:
        self._now = max(self._now, t + self._late.pop())
        await asyncio.sleep(0)


@pytest.mark.parametrize(("speed", "late_us", "seconds"), [(1.0, 0, 900), (4.0, 20_000, 3600)])
def test_irregular_rows_do_not_drift_in_an_hour(speed: float, late_us: int, seconds: float) -> None:
    t = irregular(seconds)
    ends = sorted({*t[999::1000].tolist(), int(t[-1])})

    async def play() -> Listener:
        listener = Listener(cut([pack_rows(t)], ends), LeapingClock(WALL, late_us), speed)
        tasks = listener.begin()
        await tasks[1]
        await end(tasks)
        return listener

    listener = asyncio.run(play(), debug=False)
    for wall, item in listener.items[:: len(listener.items) // 200]:
        assert isinstance(item, Batch)
        late = wall - (WALL + item.t / speed)
        assert np.all(late >= -1)  # never early
        assert np.all(late <= 50_000 + late_us + 1)  # at most the one slice of 50 ms, and how late the computer is
    wall, last = listener.items[-1]
    assert isinstance(last, Batch)
    error = wall - (WALL + int(last.t[-1]) / speed)
    assert -1 <= error < 1_000 + late_us  # summed sleeps would be minutes late
    assert listener.plan.now() == int(t[-1])


async def test_change_of_speed_goes_on_from_where_play_stands() -> None:
    t = np.arange(1, 601) * 100_000
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows(t)], [int(t[-1])]), clock, 1.0)
    tasks = listener.begin()
    await clock.advance(10.02)  # between two slices
    listener.plan.set_speed(4.0)
    await clock.advance(5.0)
    assert listener.plan.now() == pytest.approx(30_020_000, abs=200_000)
    listener.plan.set_speed(0.5)
    await clock.advance(10.0)
    assert listener.plan.now() == pytest.approx(35_020_000, abs=25_000)
    listener.plan.set_speed(None)
    await settle(200)
    assert listener.over
    assert listener.plan.now() == 60_000_000
    assert clock.now() == WALL + 25_020_000
    await end(tasks)
    assert np.array_equal(listener.rows_of(FAST)[0], t)


async def test_from_a_thousand_times_to_real_time_takes_effect_at_once() -> None:
    """A slice cut at high speed must not be waited for at the low one."""
    t = np.arange(1, 100_001) * 100_000
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows(t)], [int(t[-1])]), clock, 1000.0)
    tasks = listener.begin()
    await clock.advance(1.01)
    listener.plan.set_speed(1.0)
    await clock.advance(1.0)
    assert listener.plan.now() == pytest.approx(1_011_000_000, abs=60_000)
    await end(tasks)


@pytest.mark.parametrize("is_paused", [False, True])
async def test_going_on_to_a_moment_takes_no_time_leaves_nothing_out_and_then_is_as_before(is_paused: bool) -> None:
    t = np.arange(1, 20_001) * 50_000
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows(t)], [*t[2999::3000].tolist(), int(t[-1])]), clock, 1.0)
    tasks = listener.begin()
    await clock.advance(2.03)
    if is_paused:
        listener.plan.pause()
    assert listener.plan.go_on_to(700_010_000)
    assert listener.plan.going_to == 700_010_000
    await settle(400)
    assert listener.plan.going_to is None
    assert clock.now() == WALL + 2_030_000
    assert listener.plan.now() == 700_010_000
    assert np.array_equal(listener.rows_of(FAST)[0], t[t <= 700_010_000])
    assert (listener.plan.paused, listener.plan.speed) == (is_paused, 1.0)
    assert not listener.plan.go_on_to(700_000_000), "it was there already"
    await clock.advance(3.0)
    assert listener.plan.now() == pytest.approx(700_010_000 + (0 if is_paused else 3_000_000), abs=60_000)
    await end(tasks)


@given(st.lists(st.integers(1, 99_000_000), max_size=4), st.sampled_from([None, 20.0, 300.0]), st.booleans())
@settings(max_examples=25, deadline=None)
def test_the_rows_are_the_same_wherever_it_goes_on_to(targets: list[int], speed: float | None, halts: bool) -> None:
    t = irregular(90)
    spans = cut([pack_rows(t)], [30_000_000, 60_000_000, int(t[-1])])

    async def play() -> Listener:
        listener = Listener(spans, ManualClock(WALL), speed)
        tasks = listener.begin()
        for target in targets:
            listener.plan.go_on_to(target)
            await settle(3)
            if halts:
                listener.plan.pause()
                await settle(3)
                listener.plan.resume()
        await listener.clock.advance(8)
        assert listener.over
        await end(tasks)
        return listener

    times, values = asyncio.run(play(), debug=False).rows_of(FAST)
    assert np.array_equal(times, t)
    assert np.array_equal(values, pack_rows(t).values)


async def test_a_moment_past_the_end_ends_the_replay_and_a_halt_on_the_way_holds() -> None:
    t = np.arange(1, 20_001) * 50_000
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows(t)], t[99::100].tolist()), clock, 1.0)
    tasks = listener.begin()
    listener.plan.go_on_to(2**50)
    await settle(10)
    listener.plan.pause()
    await settle(100)
    reached = listener.plan.now()
    assert 0 < reached < int(t[-1])
    assert listener.plan.going_to is None
    await clock.advance(60.0)
    assert listener.plan.now() <= reached + 5_000_000  # what had been asked for already
    listener.plan.resume()
    assert listener.plan.go_on_to(2**50)
    await settle(2000)
    assert listener.over
    await end(tasks)


async def test_halt_and_go_on() -> None:
    t = np.arange(1, 201) * 50_000
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows(t)], [int(t[-1])]), clock, 1.0)
    tasks = listener.begin()
    await clock.advance(2.03)
    listener.plan.pause()
    await clock.advance(100.0)
    assert listener.plan.paused
    assert listener.plan.now() == 2_030_000
    assert sum(len(b) for b in listener.batches) == 40
    listener.plan.resume()
    await clock.advance(1.0)
    assert listener.plan.now() == pytest.approx(3_030_000, abs=50_000)
    assert listener.plan.speed == 1.0
    await clock.advance(7.0)
    assert listener.over
    await end(tasks)


async def test_halted_before_the_first_row_nothing_is_given_out() -> None:
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows([1, 2, 3])], [3]), clock, None)
    listener.plan.pause()
    tasks = listener.begin()
    await clock.advance(5.0)
    assert listener.items == []
    listener.plan.resume()
    await settle(50)
    assert listener.over
    assert listener.plan.now() == 3
    await end(tasks)


async def test_at_max_whole_spans_pass_and_no_time_is_waited() -> None:
    t = np.arange(50_000) * 50_000
    ends = [*t[8191::8192].tolist(), int(t[-1])]
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows(t)], ends), clock, None)
    tasks = listener.begin()
    await settle(500)
    assert listener.over
    await end(tasks)
    assert clock.now() == WALL
    assert listener.ends == ends
    assert max(len(b) for b in listener.batches) == 8192
    # hand-shake: at each end exactly what belongs to it had come, never a span ahead of the run
    assert listener.handed_at_end == list(range(1, len(ends) + 1))


async def test_a_run_that_stalls_holds_the_driver_back() -> None:
    """Nothing piles up where the store or the judging is slower than the plan."""
    t = np.arange(1, 10_001) * 1_000
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows(t)], t[99::100].tolist()), clock, 1000.0)
    supervising = asyncio.create_task(listener.supervise())
    await clock.advance(60.0)
    assert len(listener.items) == 1
    assert await listener.plan.next_end() == 100_000
    await clock.advance(60.0)
    assert len(listener.items) == 2
    await end([supervising])


async def test_time_moves_on_through_a_gap_in_the_recording() -> None:
    """Silence must be noticed and delays run out while nothing is recorded: an empty span every 200 ms."""
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows([0, 10_000_000])], [10_000_000]), clock, 1.0)
    await listener.play()
    assert len(listener.ends) == 51
    assert np.max(np.diff(listener.ends)) == 200_000


async def test_a_recording_that_begins_late_is_not_waited_for() -> None:
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows([3_600_000_000, 3_601_000_000])], [3_601_000_000]), clock, 1.0)
    tasks = listener.begin()
    await clock.advance(3.1)
    assert listener.over
    await end(tasks)


async def test_sleeping_by_the_plan_wakes_when_it_has_got_there() -> None:
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows([0, 5_000_000])], [5_000_000]), clock, 2.0)
    sleeper = asyncio.create_task(listener.plan.sleep_until(4_000_000))
    tasks = listener.begin()
    await clock.advance(1.9)
    assert not sleeper.done()
    await clock.advance(0.2)
    assert sleeper.done()
    await end(tasks)
    await asyncio.wait_for(listener.plan.sleep_until(0), 1)


async def test_what_the_operator_did_is_given_out_in_its_place_and_findings_are_not() -> None:
    seen = Acknowledge(1_500_000)
    mark = Mark(2_000_000, "gate")
    found = AlarmChange(1_200_000, "current-high", "pack_current", "warn", "raised", 90.0, 80.0)
    derived = Batch.of_rows(Group("derived", "power", ("pack_power",), "derived"), [1_000_000], [[5.0]])
    rows = pack_rows([1_000_000, 2_000_000, 3_000_000])
    spans = [s.adding([derived]) for s in cut([rows], [3_000_000], [mark, seen, found])]
    for speed in (None, 1.0):
        listener = Listener(spans, ManualClock(WALL), speed)
        await listener.play()
        assert [item for _, item in listener.items if isinstance(item, Event)] == [seen, mark]
        assert {b.group.key for b in listener.batches} == {FAST.key}
    # paced: the row of the same instant first, then the event
    kinds = [item.t if isinstance(item, Event) else int(item.t[0]) for _, item in listener.items]
    assert kinds == [1_000_000, 1_500_000, 2_000_000, 2_000_000, 3_000_000]
    assert isinstance(listener.items[2][1], Batch)


async def test_a_mistake_far_down_in_the_file_comes_through_after_what_came_before() -> None:
    def spans() -> Iterator[Span]:
        yield from cut([pack_rows([1, 2])], [2])
        raise RecordingError("mow.csv, line 9: broken")

    listener = Listener(spans(), ManualClock(WALL), None)
    tasks = listener.begin()
    await settle(50)
    assert sum(len(b) for b in listener.batches) == 2
    with pytest.raises(RecordingError, match="line 9"):
        await end(tasks)


async def test_closing_lets_go_of_the_recording() -> None:
    let_go = []

    def spans() -> Iterator[Span]:
        try:
            yield from cut([pack_rows([1, 2])], [1, 2])
        finally:
            let_go.append(True)

    clock = ManualClock(WALL)
    source = spans()
    driver = ReplayDriver(DriverContext("replay", {}, clock, Feed(source, ReplayPlan(clock, 0, None))))
    await driver.open()
    readings = driver.readings()
    await anext(readings)
    await readings.aclose()  # type: ignore[attr-defined]
    await driver.close()
    await driver.close()
    assert let_go == [True]


async def test_it_can_be_cancelled_while_it_waits() -> None:
    clock = ManualClock(WALL)
    listener = Listener(cut([pack_rows([0, 3_600_000_000])], [3_600_000_000]), clock, 1.0)
    tasks = listener.begin()
    await clock.advance(1.0)
    await end(tasks)
    assert listener.over


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_a_speed_that_is_none_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="greater than 0"):
        ReplayPlan(ManualClock(), 0, speed)
    plan = ReplayPlan(ManualClock(), 0, 1.0)
    with pytest.raises(ValueError, match="greater than 0"):
        plan.set_speed(speed)
    assert plan.speed == 1.0


@settings(max_examples=40, deadline=None)
@given(
    fast=st.lists(st.integers(0, 5_000_000), min_size=1, max_size=60).map(sorted),
    slow=st.lists(st.integers(0, 5_000_000), max_size=10).map(sorted),
    cuts=st.sets(st.integers(0, 5_000_000), max_size=6),
    speeds=st.lists(st.sampled_from([None, 0.3, 1.0, 7.0, 1000.0]), min_size=1, max_size=4),
)
def test_order_and_values_are_the_same_at_every_speed_and_slicing(
    fast: list[int], slow: list[int], cuts: set[int], speeds: list[float | None]
) -> None:
    pack = pack_rows(fast)
    place = Batch.of_rows(SLOW, slow, [[float(i)] for i in range(len(slow))])
    spans = cut([pack, place], sorted(cuts | {5_000_000}))

    async def play() -> Listener:
        clock = ManualClock(WALL)
        listener = Listener(spans, clock, speeds[0])
        tasks = listener.begin()
        for speed in speeds[1:]:
            await clock.advance(0.7)
            listener.plan.set_speed(speed)
        await clock.advance(30.0)
        assert listener.over
        await end(tasks)
        return listener

    listener = asyncio.run(play())
    for whole in (pack, place):
        if len(whole):
            t, values = listener.rows_of(whole.group)
            assert t.tobytes() == whole.t.tobytes()
            assert values.tobytes() == whole.values.tobytes()
    assert listener.ends == sorted(set(listener.ends))
    # every row came before its span's end was given to the run, and none of a later span
    for place_of_end, bound in enumerate(listener.ends):
        seen = [item for _, item in listener.items[: listener.handed_at_end[place_of_end]] if isinstance(item, Batch)]
        assert max(int(b.t[-1]) for b in seen) <= bound if seen else True
