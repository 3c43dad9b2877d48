"""What every driver with a link must do, each against a simulated device that really speaks.

To put another driver under it, add a case: the driver's class and a peer (see ``peers.py``) with ``settings``,
``cut_mid_line()``, ``be_silent()``, ``print_garbage(seconds)`` and ``disconnect()``.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import re
import shutil
import sys
import time
import types
from pathlib import Path

import numpy as np
import pytest

from drivers.bluetooth_le import BluetoothLeDriver
from drivers.can_messages import CanMessagesDriver
from drivers.modbus import ModbusDriver
from drivers.satellite_position import SatellitePositionDriver
from drivers.serial_frames import SerialFramesDriver
from drivers.serial_text import SerialTextDriver
from telemetry.driver import CLOSE_LIMIT_S, OPEN_LIMIT_S, Driver, DriverContext
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import SystemClock
from telemetry.model.errors import LinkLost, LinkUnavailable
from tests.drivers.declared import problems_of
from tests.drivers.peers import OnLine, UnrulyCan, UnrulyFrames, UnrulyModbus, UnrulyPosition, UnrulyText

ROOT = Path(__file__).parents[2]


class Counter:
    """A machine whose motor speed counts its rows, one each 10 ms, so that a lost or altered row shows."""

    GROUP = Group("machine", "count", ("motor_speed", "pack_voltage"))
    groups = (GROUP,)

    def __init__(self, start):
        self._start, self._count = start, 0

    def advance_to(self, t):
        first, self._count = self._count, max(self._count, (t - self._start) // 10_000)
        numbers = range(first, self._count)
        if not numbers:
            return []
        return [Batch.of_rows(self.GROUP, [self._start + n * 10_000 for n in numbers], [(n, 48.5) for n in numbers])]


class SpeedCounter(Counter):
    """The same, on a machine of which a satellite receiver can tell nothing but how fast it is."""

    GROUP = Group("machine", "count", ("vehicle_speed", "pack_voltage"))
    groups = (GROUP,)


def count_of(batch):
    """The count of each row; what the speed over ground is rounded to differs by less than one.

    A poll that was answered in part only, as on a busy computer, gives a row in which the count may be unknown.
    """
    column = next(c for name in ("motor_speed", "vehicle_speed") if (c := batch.column(name)) is not None)
    return [round(n) for n in column if not np.isnan(n)]


def serial_text_board(clock):
    return UnrulyText(Counter(clock.now()), clock)


def can_adapter(clock):
    return UnrulyCan(Counter(clock.now()), clock)


def serial_frames_pack(clock):
    return UnrulyFrames(Counter(clock.now()), clock, Path(__file__).parent / "count_frames.toml")


def bluetooth_pack(clock):
    from tests.drivers.bluetooth_peers import UnrulyBluetooth

    return UnrulyBluetooth(Counter(clock.now()), clock, "frames")


def modbus_pack(clock):
    return UnrulyModbus(Counter(clock.now()), clock, "table", interval_s=0.02, timeout_s=0.2)


def satellite_receiver(clock):
    return UnrulyPosition(SpeedCounter(clock.now()), clock, interval_us=10_000)


def example_of_the_page():
    """The driver and the peer of DEVELOPERS.md, loaded as the files that it tells to write."""
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "DEVELOPERS.md").read_text("utf-8"), re.DOTALL)
    assert sum(len(block.splitlines()) for block in blocks) < 60
    for name, text in zip(("drivers.tachometer", "drivers.simulated.tachometer_peer"), blocks, strict=True):
        module = types.ModuleType(name)
        module.__package__ = name.rpartition(".")[0]
        sys.modules[name] = module
        exec(compile(text, name, "exec"), vars(module))
    return sys.modules["drivers.tachometer"].TachometerDriver


def tachometer(clock):
    class UnrulyTachometer(OnLine, sys.modules["drivers.simulated.tachometer_peer"].TachometerPeer):
        half = b"123"

    return UnrulyTachometer(Counter(clock.now()), clock)


# On a computer of one's own the program may be missing; where tests run unattended that is a failure.
NO_DBUS = sys.platform != "linux" or (shutil.which("dbus-daemon") is None and os.environ.get("CI") != "true")
CASES = [
    pytest.param(example_of_the_page(), tachometer, id="the example of DEVELOPERS.md"),
    pytest.param(ModbusDriver, modbus_pack, id="modbus"),
    pytest.param(SatellitePositionDriver, satellite_receiver, id="satellite-position"),
    pytest.param(
        BluetoothLeDriver,
        bluetooth_pack,
        id="bluetooth-le",
        marks=pytest.mark.skipif(NO_DBUS, reason="the program dbus-daemon is not installed, or this is not Linux"),
    ),
    pytest.param(SerialFramesDriver, serial_frames_pack, id="serial-frames"),
    pytest.param(SerialTextDriver, serial_text_board, id="serial-text"),
    pytest.param(CanMessagesDriver, can_adapter, id="can-messages"),
]
pytestmark = pytest.mark.parametrize(("driver_class", "peer"), CASES)


# A source that holds its newest values and is asked for them: how many rows pass in between is up to the asking, and
# two answers in quick succession, as after a time-out, may well give the same values.
SAMPLED = (ModbusDriver,)
MOST_BETWEEN = 30


def gaps_in(driver_class, numbers):
    """The steps of the count between which rows are missing; none goes back, and none that is sent comes twice."""
    least, most = (0, MOST_BETWEEN) if driver_class in SAMPLED else (1, 1)
    steps = np.diff(numbers)
    assert np.all(steps >= least)
    return steps[steps > most].tolist()


def made(driver_class, settings):
    assert problems_of(driver_class, settings) == []
    return driver_class(DriverContext("peer", settings, SystemClock()))


async def counted(driver, rows, seconds=10.0):
    """The count of each of the next rows, and their times."""
    numbers, times = [], []
    async with asyncio.timeout(seconds):
        async for batch in driver.readings():
            assert batch.group.source == "peer"
            assert np.all(np.diff(batch.t) >= 0)
            numbers += count_of(batch)
            times += batch.t.tolist()
            if len(numbers) >= rows:
                break
    return numbers, times


async def test_it_opens_and_yields_every_row_in_order_with_present_times(driver_class, peer):
    clock = SystemClock()
    async with peer(clock) as board:
        driver = made(driver_class, board.settings)
        assert isinstance(driver, Driver)
        await driver.open()
        before = clock.now()
        numbers, times = await counted(driver, 50)
        assert gaps_in(driver_class, numbers) == []
        assert times == sorted(times)
        assert before - 1_000_000 <= times[0]
        assert times[-1] <= clock.now() + 2_000_000
        await driver.close()


async def test_it_is_cancelled_and_closed_in_half_a_second(driver_class, peer):
    async with peer(SystemClock()) as board:
        for silent in (False, True):
            driver = made(driver_class, board.settings)
            await driver.open()
            board.be_silent(silent)
            reading = asyncio.create_task(counted(driver, 10**9, 60))
            await asyncio.sleep(0.1)
            start = time.monotonic()
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading
            await driver.close()
            assert time.monotonic() - start < 0.5


async def test_a_link_that_breaks_in_mid_line_is_lost_and_the_half_line_gives_nothing(driver_class, peer):
    async with peer(SystemClock()) as board:
        driver = made(driver_class, board.settings)
        await driver.open()
        numbers, _ = await counted(driver, 10)
        board.cut_mid_line()

        async def read_to_the_end():
            async for batch in driver.readings():
                numbers.extend(count_of(batch))

        with pytest.raises(LinkLost):
            await asyncio.wait_for(read_to_the_end(), 2)
        assert gaps_in(driver_class, numbers) == []
        await driver.close()
        with pytest.raises(LinkUnavailable):
            await made(driver_class, board.settings).open()


async def test_a_silent_peer_yields_nothing_and_hangs_nothing(driver_class, peer):
    async with peer(SystemClock()) as board:
        board.be_silent()
        driver = made(driver_class, board.settings)
        async with asyncio.timeout(OPEN_LIMIT_S):
            await driver.open()
        with pytest.raises(TimeoutError):
            await counted(driver, 1, 0.3)
        board.be_silent(False)
        await counted(driver, 1)
        board.be_silent()
        async with asyncio.timeout(CLOSE_LIMIT_S):
            await driver.close()


async def test_after_garbage_no_good_row_is_lost(driver_class, peer):
    async with peer(SystemClock()) as board:
        driver = made(driver_class, board.settings)
        await driver.open()
        before, _ = await counted(driver, 20)
        board.print_garbage(0.5)
        async with lateness() as late_s:
            after, _ = await counted(driver, 60)
        numbers = before + after
        gaps = gaps_in(driver_class, numbers)
        assert len(gaps) == 1, "one gap: the garbage itself"
        most = 65 + 100 * sum(late_s)
        assert 45 <= gaps[0] <= most, "rows of half a second, and at most the line that the garbage runs into"
        await driver.close()


@contextlib.asynccontextmanager
async def lateness():
    """Collect by how many seconds the loop was late at each hundredth of a second: what a busy computer adds."""
    late_s = []

    async def tick():
        while True:
            before = time.monotonic()
            await asyncio.sleep(0.01)
            late_s.append(max(0.0, time.monotonic() - before - 0.012))

    ticking = asyncio.create_task(tick())
    try:
        yield late_s
    finally:
        ticking.cancel()


async def test_closing_is_harmless_in_any_state(driver_class, peer):
    async with peer(SystemClock()) as board:
        never_opened = made(driver_class, board.settings)
        await never_opened.close()
        twice = made(driver_class, board.settings)
        await twice.open()
        await twice.close()
        await twice.close()
        broken = made(driver_class, board.settings)
        await broken.open()
        board.disconnect()
        await broken.close()
        refused = made(driver_class, board.settings)
        with pytest.raises(LinkUnavailable):
            await refused.open()
        await refused.close()


async def test_thirty_openings_leave_nothing_behind(driver_class, peer, held):
    async with peer(SystemClock()) as board:
        first = made(driver_class, board.settings)
        await first.open()
        await first.close()
        files_and_threads, tasks = held(), len(asyncio.all_tasks())
        for turn in itertools.count():
            driver = made(driver_class, board.settings)
            await driver.open()
            if turn % 10 == 0:
                reading = asyncio.create_task(counted(driver, 1))
                await asyncio.sleep(0)
                reading.cancel()
                await asyncio.wait([reading])
            await driver.close()
            if turn == 29:
                break
        assert held() == files_and_threads
        assert len(asyncio.all_tasks()) == tasks
