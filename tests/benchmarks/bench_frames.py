"""What frames cost: decoding alone, worst noise, and the serial-frames driver's share of one core.

    python tests/benchmarks/bench_frames.py [SECONDS]

For the driver a second process plays the device on a pseudo-terminal; the figure is this process's own processor time
over real time, start-up left out.
"""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
import time
import tty
from pathlib import Path

from drivers.decode.frame_decoder import FrameDecoder
from drivers.decode.frame_encoder import encode
from drivers.decode.frame_map import load_frame_map
from drivers.serial_frames import SerialFramesDriver
from drivers.simulated.frames_peer import PLAIN_PACK
from telemetry.driver import DriverContext
from telemetry.model.clock import SystemClock

PLAIN = load_frame_map(PLAIN_PACK)
STATE = encode(PLAIN, "state", {"pack_voltage": 51.47, "pack_current": -35.1, "soc_reported": 80})
CELLS = encode(PLAIN, "cells", {f"cell_{n:02}_voltage": 3.2 + n / 1000 for n in range(1, 17)})

DEVICE = """
import os, select, sys, time
fd, state, cells, polled = int(sys.argv[1]), *map(bytes.fromhex, sys.argv[2:4]), sys.argv[4] == "polled"
os.set_blocking(fd, False)
start, n = time.monotonic(), 0
while polled:
    select.select([fd], [], [])
    os.write(fd, state if b"\\xa5\\x5a\\x01" in os.read(fd, 4096) else cells)
while True:
    while n < (time.monotonic() - start) * 1000:
        os.write(fd, state)
        n += 1
    time.sleep(0.001)
"""


def decoding(frames: int = 20_000) -> tuple[float, float, float]:
    """Frames a second of seven bytes and of sixteen cells, and megabytes a second of the worst noise."""
    rates = []
    for frame in (STATE, CELLS):
        decoder, data = FrameDecoder(PLAIN, "pack"), frame * 10
        start = time.process_time()
        for n in range(frames // 10):
            decoder.feed(data, n)
        rates.append(frames / (time.process_time() - start))
        assert decoder.figures.frames.total() == frames
    decoder, noise = FrameDecoder(PLAIN, "pack"), b"\xa5\x5a" * 500
    start = time.process_time()
    for n in range(40):
        decoder.feed(noise, n)
    return rates[0], rates[1], 40 * len(noise) / (time.process_time() - start) / 1e6


async def measure(seconds: float, polled: bool) -> tuple[float, float, int]:
    """Share of a core, rows a second, and how much was bad."""
    text = PLAIN_PACK.read_text("utf-8")
    if polled:
        lines = text.replace(", every = 2", "").splitlines(keepends=True)
        text = "".join(line for line in lines if 'answer = "state"' not in line)
    else:
        before, _, after = text.partition("[poll]")
        text = before + after[after.index("[message.state]") :]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "pack.toml"
        file.write_text(text, "utf-8")
        master, slave = os.openpty()
        tty.setraw(slave)
        settings = {"port": os.ttyname(slave), "map": str(file)}
        driver = SerialFramesDriver(DriverContext("pack", settings, SystemClock()))
        how = "polled" if polled else "by itself"
        device = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", DEVICE, str(master), STATE.hex(), CELLS.hex(), how), pass_fds=[master]
        )
        rows = 0

        async def count() -> None:
            nonlocal rows
            async for batch in driver.readings():
                rows += len(batch)

        await driver.open()
        reading = asyncio.create_task(count())
        await asyncio.sleep(1.5)
        cpu, wall, rows = time.process_time(), time.monotonic(), 0
        await asyncio.sleep(seconds)
        passed = time.monotonic() - wall
        share, rate = (time.process_time() - cpu) / passed, rows / passed
        reading.cancel()
        await asyncio.wait([reading])
        await driver.close()
        device.kill()
        await device.wait()
        os.close(master)
        os.close(slave)
        figures = driver.figures
        return share, rate, figures.decoded.bad.total() + figures.decoded.overdue + figures.queue.drops


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    short, long, noise = decoding()
    print(
        f"decoding: {short:,.0f} frames/s of 5 signals, {long:,.0f} frames/s of 16 cells, {noise:.2f} MB/s of noise"
    )
    share, rate, bad = asyncio.run(measure(seconds, polled=True))
    print(f"polled at 10 Hz for 16 cells: {rate:.1f} rows/s, {share:.2%} of one core, {bad} bad or lost")
    share, rate, bad = asyncio.run(measure(seconds, polled=False))
    print(f"by itself, 1,000 frames/s of 5 signals: {rate:.0f} rows/s, {share:.2%} of one core, {bad} bad or lost")


if __name__ == "__main__":
    main()
