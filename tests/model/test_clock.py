"""Time: the manual clock wakes in order, the system's never steps back."""

from __future__ import annotations

import asyncio
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.clock import ManualClock, SystemClock, settle


async def test_sleepers_wake_in_the_order_of_their_deadlines_and_see_them():
    clock, woken = ManualClock(100), []

    async def sleeper(name, t):
        await clock.sleep_until(t)
        woken.append((name, clock.now()))

    async with asyncio.TaskGroup() as group:
        for name, t in (("c", 300), ("a", 150), ("b", 200), ("b too", 200)):
            group.create_task(sleeper(name, t))
        await clock.advance_to(250)
        assert woken == [("a", 150), ("b", 200), ("b too", 200)]
        assert clock.now() == 250
        await clock.advance_to(300)
    assert woken[-1] == ("c", 300)


async def test_a_sleeper_that_sleeps_again_is_woken_again_within_one_advance():
    clock, ticks = ManualClock(), []

    async def ticker():
        for deadline in range(50_000, 250_001, 50_000):
            await clock.sleep_until(deadline)
            ticks.append(clock.now())

    task = asyncio.create_task(ticker())
    await clock.advance(0.2)
    assert ticks == [50_000, 100_000, 150_000, 200_000]
    await clock.advance(0.05)
    await task
    assert ticks[-1] == 250_000


async def test_time_that_has_passed_waits_for_nothing_but_gives_others_a_turn():
    clock, ran = ManualClock(100), []
    asyncio.get_running_loop().call_soon(ran.append, True)
    await clock.sleep_until(100)
    assert ran == [True]


async def test_a_cancelled_sleeper_is_left_alone():
    clock = ManualClock()
    cancelled = asyncio.create_task(clock.sleep_until(10))
    other = asyncio.create_task(clock.sleep_until(20))
    await settle()
    cancelled.cancel()
    await clock.advance_to(30)
    await other
    assert cancelled.cancelled()
    assert clock.now() == 30


async def test_a_manual_clock_does_not_go_back():
    clock = ManualClock(100)
    await clock.advance_to(50)
    assert clock.now() == 100


@given(st.lists(st.integers(0, 1000), min_size=1, max_size=20), st.lists(st.integers(0, 1200), max_size=8))
def test_nothing_wakes_early_or_is_forgotten_however_time_is_moved(deadlines, stops):
    async def run():
        clock, woken = ManualClock(), []

        async def sleeper(t):
            await clock.sleep_until(t)
            woken.append((t, clock.now()))

        async with asyncio.TaskGroup() as group:
            for t in deadlines:
                group.create_task(sleeper(t))
            for stop in [*sorted(stops), 1200]:
                await clock.advance_to(stop)
                assert sorted(t for t in deadlines if t <= stop) == [t for t, _ in woken]
        assert all(t == seen for t, seen in woken)

    asyncio.run(run())


@pytest.mark.parametrize("jump_s", [-86_400 * 365, -3600, -0.001, 3600])
def test_setting_the_computers_clock_does_not_move_ours(monkeypatch, jump_s):
    clock, wall_ns = SystemClock(), time.time_ns
    began, before = time.perf_counter_ns(), clock.now()
    monkeypatch.setattr(time, "time", lambda: wall_ns() / 1e9 + jump_s)
    monkeypatch.setattr(time, "time_ns", lambda: wall_ns() + round(jump_s * 1e9))
    after, passed_us = clock.now(), (time.perf_counter_ns() - began) / 1000
    assert 0 <= after - before <= passed_us + 1


def test_a_clock_starts_at_wall_time():
    assert abs(SystemClock().now() - time.time_ns() // 1000) < 1_000_000


def test_a_system_clock_never_steps_back():
    clock = SystemClock()
    times = [clock.now() for _ in range(10_000)]
    assert times == sorted(times)


async def test_the_system_clock_sleeps_to_its_deadline_and_not_short_of_it():
    clock = SystemClock()
    deadline = clock.now() + 20_000
    await clock.sleep_until(deadline)
    assert clock.now() >= deadline
    await asyncio.wait_for(clock.sleep_until(deadline), 1)


async def test_a_system_clocks_sleep_can_be_cancelled():
    clock = SystemClock()
    task = asyncio.create_task(clock.sleep_until(clock.now() + 3_600_000_000))
    await settle()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
