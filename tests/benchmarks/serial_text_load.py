"""Share of one core that the serial-text driver takes for what a baud rate carries, and lines lost: run as a script.

    python tests/benchmarks/serial_text_load.py [SECONDS [BAUD]]

A second process plays the board: it prints lines of eight values on a pseudo-terminal, as many bytes a second as BAUD
carries (ten bits a byte; 1,000,000 baud where none is named). The figure is this process's own processor time over
real time, start-up left out, beside that of an idle port.
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
import tty

import numpy as np

from drivers.serial_text import SerialTextDriver
from telemetry.driver import DriverContext
from telemetry.model.clock import SystemClock

BITS_A_BYTE = 10
BOARD = """
import os, sys, time
fd, rate, start, n, sent = int(sys.argv[1]), float(sys.argv[2]), time.monotonic(), 0, 0
os.set_blocking(fd, False)
while True:
    while sent < (time.monotonic() - start) * rate:
        line = b"%d,%.3f,%.2f,%.3f,%d,%.1f,%d,%d\\n" % (n, 52.1 + n % 7, n % 90, 1.2, n, 40.5, n % 5, n % 3)
        if n % 1000 == 0:
            line = b"ms,pack_voltage,pack_current,throttle_voltage,extra_n,motor_temperature,a,b\\n" + line
        sent += os.write(fd, line)  # fails where nobody reads in time
        n += 1
    time.sleep(0.001)
"""


async def measure(seconds: float, baud: float) -> tuple[float, int, int, int, int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = {"port": os.ttyname(slave), "time_column": "ms", "silence_s": 5.0, "baud_rate": 115200}
    driver = SerialTextDriver(DriverContext("board", settings, SystemClock()))
    board = None
    if baud:
        board = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", BOARD, str(master), str(baud / BITS_A_BYTE)), pass_fds=[master]
        )
    batches = rows = lost = 0
    before: float | None = None

    async def count() -> None:
        nonlocal batches, rows, lost, before
        async for batch in driver.readings():
            batches += 1
            rows += len(batch)
            numbers = batch.column("extra_n")
            assert numbers is not None
            lost += int(np.sum(np.diff(numbers, prepend=numbers[0] - 1 if before is None else before) - 1))
            before = numbers[-1]

    await driver.open()
    reading = asyncio.create_task(count())
    await asyncio.sleep(1.5)
    unusable = sum(driver.figures.decoded.bad.values())  # those before the first line of names
    cpu, wall, batches, rows, lost = time.process_time(), time.monotonic(), 0, 0, 0
    await asyncio.sleep(seconds)
    share = (time.process_time() - cpu) / (time.monotonic() - wall)
    reading.cancel()
    await asyncio.wait([reading])
    await driver.close()
    if board is not None:
        board.kill()
        await board.wait()
    os.close(master)
    os.close(slave)
    return share, rows, batches, lost, sum(driver.figures.decoded.bad.values()) - unusable


def main() -> None:
    given = [float(each) for each in sys.argv[1:]]
    seconds, baud = given[0] if given else 10.0, given[1] if len(given) > 1 else 1e6
    idle, *_ = asyncio.run(measure(min(seconds, 3.0), 0))
    share, rows, batches, lost, bad = asyncio.run(measure(seconds, baud))
    rates = f"{rows / seconds:.0f} lines/s in {batches / seconds:.0f} batches/s"
    print(f"idle {idle:.2%} of one core; {rates}: {share:.2%}")
    print(f"lines lost: {lost}; lines that could not be used: {bad}")


if __name__ == "__main__":
    main()
