"""Share of one core that the bluetooth-le driver takes for 1,000 notifications a second: run it as a script.

    python tests/benchmarks/bluetooth_load.py [SECONDS]

A second process plays the pack and the Bluetooth service: each notification is one frame of three values, counted,
so that a lost one shows. The figure is this process's own processor time over real time, start-up left out. Needs
Linux with dbus-daemon.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from pathlib import Path

import numpy as np

from drivers.bluetooth_le import BluetoothLeDriver
from telemetry.driver import DriverContext
from telemetry.model.clock import SystemClock

ROOT = Path(__file__).parents[2]
PACK = """
import asyncio, json
from tests.drivers.bluetooth_peers import UnrulyBluetooth
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import SystemClock

class Count:
    groups = (Group("machine", "count", ("motor_speed", "pack_voltage", "pack_current")),)
    def __init__(self, start): self.start, self.n = start, 0
    def advance_to(self, t):
        first, self.n = self.n, (t - self.start) // 1000
        numbers = range(first, self.n)
        times, rows = [self.start + n * 1000 for n in numbers], [(n, 52.1, n % 90) for n in numbers]
        return [Batch.of_rows(self.groups[0], times, rows)]

async def main():
    clock = SystemClock()
    async with UnrulyBluetooth(Count(clock.now()), clock, "frames") as pack:
        print(json.dumps(pack.settings), flush=True)
        await asyncio.sleep(3600)

asyncio.run(main())
"""


async def measure(seconds: float) -> tuple[float, list[float], int]:
    pack = await asyncio.create_subprocess_exec(sys.executable, "-c", PACK, stdout=asyncio.subprocess.PIPE, cwd=ROOT)
    assert pack.stdout is not None
    settings = json.loads(await pack.stdout.readline())
    driver = BluetoothLeDriver(DriverContext("pack", settings, SystemClock()))
    counts: list[float] = []
    batches = 0

    async def count() -> None:
        nonlocal batches
        async for batch in driver.readings():
            batches += 1
            column = batch.column("motor_speed")
            assert column is not None
            counts.extend(column.tolist())

    await driver.open()
    reading = asyncio.create_task(count())
    await asyncio.sleep(1.5)
    counts.clear()
    cpu, wall, batches = time.process_time(), time.monotonic(), 0
    await asyncio.sleep(seconds)
    share = (time.process_time() - cpu) / (time.monotonic() - wall)
    reading.cancel()
    await asyncio.wait([reading])
    await driver.close()
    pack.terminate()
    await pack.wait()
    return share, counts, batches


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    share, counts, batches = asyncio.run(measure(seconds))
    lost = int(np.sum(np.diff(counts) - 1))
    print(
        f"{len(counts) / seconds:.0f} notifications/s in {batches / seconds:.0f} batches/s: {share:.2%} of one core"
    )
    print(f"lost: {lost}")


if __name__ == "__main__":
    main()
