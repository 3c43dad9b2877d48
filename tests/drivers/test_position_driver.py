from __future__ import annotations

import asyncio
import itertools
import math

import pytest

from drivers.satellite_position import SatellitePositionDriver
from drivers.simulated.position_peer import CENTRE, RADIUS_M, PositionPeer
from telemetry.driver import Driver, DriverContext
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import SystemClock
from tests.drivers.declared import problems_of


class Rolling:
    """A machine that rolls at 36 km/h, ten rows a second."""

    GROUP = Group("machine", "wheels", ("vehicle_speed",))

    def __init__(self, start):
        self._start, self._count = start, 0

    def advance_to(self, t):
        first, self._count = self._count, max(self._count, (t - self._start) // 100_000)
        times = [self._start + n * 100_000 for n in range(first, self._count)]
        return [Batch.of_rows(self.GROUP, times, [(36.0,)] * len(times))] if times else []


def driver_at(settings):
    assert problems_of(SatellitePositionDriver, settings) == []
    return SatellitePositionDriver(DriverContext("receiver", settings, SystemClock()))


async def rows_of(driver, count):
    rows, times = [], []
    async with asyncio.timeout(10):
        async for batch in driver.readings():
            rows += [dict(zip(batch.group.signals, row, strict=True)) for row in batch.values.tolist()]
            times += batch.t.tolist()
            if len(rows) >= count:
                break
    return rows, times


async def test_a_receiver_on_a_pseudo_terminal_gives_where_the_machine_is_and_how_fast():
    clock = SystemClock()
    async with PositionPeer(Rolling(clock.now()), clock, interval_us=100_000) as receiver:
        driver = driver_at(receiver.settings)
        assert isinstance(driver, Driver)
        await driver.open()
        try:
            rows, times = await rows_of(driver, 12)
        finally:
            await driver.close()
    assert all(row["vehicle_speed"] == pytest.approx(36.0, abs=0.001) for row in rows)
    assert {(row["extra_fix_quality"], row["extra_satellites"]) for row in rows} == {(1, 9)}
    for row in rows:
        north = (row["latitude"] - CENTRE[0]) * 111_320
        east = (row["longitude"] - CENTRE[1]) * 111_320 * math.cos(math.radians(CENTRE[0]))
        assert math.hypot(north, east) == pytest.approx(RADIUS_M, abs=0.05)
    # The device's own time is carried along; the rows bear ours.
    stamps = [row["extra_device_time"] for row in rows]
    assert all(b - a == pytest.approx(0.1, abs=0.011) for a, b in itertools.pairwise(stamps))
    assert all(abs(t / 1e6 - stamp) < 2 for t, stamp in zip(times, stamps, strict=True))


async def test_when_the_fix_is_lost_the_place_is_unknown_and_comes_back():
    clock = SystemClock()
    async with PositionPeer(Rolling(clock.now()), clock, interval_us=100_000) as receiver:
        driver = driver_at(receiver.settings)
        await driver.open()
        try:
            seen = []
            for has_fix in (True, False, True):
                receiver.has_fix = has_fix
                rows, _ = await rows_of(driver, 6)
                seen.append(rows[-1])
        finally:
            await driver.close()
    assert [math.isnan(row["latitude"]) for row in seen] == [False, True, False]
    assert [math.isnan(row["vehicle_speed"]) for row in seen] == [False, True, False]
    assert seen[1]["extra_fix_quality"] == 0


async def test_the_simulated_machine_behind_a_link_is_reached_by_the_settings_it_gives():
    async with SatellitePositionDriver.peer({"scenario": "orchard", "seed": 3}) as settings:
        driver = driver_at(settings)
        await driver.open()
        try:
            rows, _ = await rows_of(driver, 4)
        finally:
            await driver.close()
    assert all(abs(row["latitude"] - CENTRE[0]) < 0.01 for row in rows)


async def test_a_wrong_baud_rate_is_told(line):
    driver = driver_at({"port": line.port})
    await driver.open()
    reading = asyncio.create_task(rows_of(driver, 1))
    for _ in range(30):
        line.send(bytes(range(128, 228)) + b"\n")
        await asyncio.sleep(0.01)
    await asyncio.sleep(0.2)
    reading.cancel()
    await asyncio.wait([reading])
    await driver.close()
    assert "check baud_rate" in driver.advice()


def test_every_problem_of_the_settings_is_found_at_once():
    problems = problems_of(SatellitePositionDriver, {"baud_rat": 4800, "parity": "some", "silence_s": 0})
    assert {problem.where for problem in problems} == {"port", "baud_rat", "parity", "silence_s"}
    assert "did you mean baud_rate" in str(problems[0])
    assert problems_of(SatellitePositionDriver, {"port": "COM4", "baud_rate": 4800}) == []
