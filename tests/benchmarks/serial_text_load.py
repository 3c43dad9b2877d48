"""Share of one core that the serial-text driver takes for 1,000 lines a second: run it as a script.

    python tests/benchmarks/serial_text_load.py [SECONDS]

A second process plays the board: it prints a line of eight values each millisecond on a pseudo-terminal. The figure
is this process's own processor time over real time, start-up left out, beside that of an idle port.
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
import tty

from drivers.serial_text import SerialTextDriver
from telemetry.driver import DriverContext
from telemetry.model.clock import SystemClock

BOARD = """
import os, sys, time
fd, start, n = int(sys.argv[1]), time.monotonic(), 0
os.set_blocking(fd, False)
while True:
    while n < (time.monotonic() - start) * 1000:
        if n % 1000 == 0:
            os.write(fd, b"ms,pack_voltage,pack_current,throttle_voltage,motor_speed,motor_temperature,a,b\\n")
        os.write(fd, b"%d,%.3f,%.2f,%.3f,%d,%.1f,%d,%d\\n" % (n, 52.1 + n % 7, n % 90, 1.2, n, 40.5, n % 5, n % 3))
        n += 1
    time.sleep(0.001)
"""


async def measure(seconds: float, with_board: bool) -> tuple[float, int, int, int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = {"port": os.ttyname(slave), "time_column": "ms", "silence_s": 5.0}
    driver = SerialTextDriver(DriverContext("board", settings, SystemClock()))
    board = None
    if with_board:
        board = await asyncio.create_subprocess_exec(sys.executable, "-c", BOARD, str(master), pass_fds=[master])
    batches = rows = 0

    async def count() -> None:
        nonlocal batches, rows
        async for batch in driver.readings():
            batches += 1
            rows += len(batch)

    await driver.open()
    reading = asyncio.create_task(count())
    await asyncio.sleep(1.5)
    cpu, wall, batches, rows = time.process_time(), time.monotonic(), 0, 0
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
    return share, rows, batches, sum(driver.figures.decoded.bad.values())


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    idle, *_ = asyncio.run(measure(min(seconds, 3.0), with_board=False))
    share, rows, batches, bad = asyncio.run(measure(seconds, with_board=True))
    rate, batch_rate = rows / seconds, batches / seconds
    print(f"idle {idle:.2%} of one core; {rate:.0f} lines/s in {batch_rate:.0f} batches/s: {share:.2%}")
    print(f"lines that could not be used: {bad}")


if __name__ == "__main__":
    main()
