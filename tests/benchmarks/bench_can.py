"""How fast CAN frames are decoded, against cantools' own rate; and what 4,000 frames a second cost on a live bus.

``python tests/benchmarks/bench_can.py``
"""

from __future__ import annotations

import asyncio
import resource
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import cantools.database  # noqa: E402

from drivers.can_messages import CanMessagesDriver, messages_of  # noqa: E402
from drivers.decode.can_batches import CanBatches  # noqa: E402
from drivers.decode.can_frames import CanFrame  # noqa: E402
from drivers.links.can_bus import FarEndBus  # noqa: E402
from drivers.simulated.can_far_end import catalogue_text  # noqa: E402
from telemetry.driver import DriverContext  # noqa: E402
from telemetry.model.clock import SystemClock  # noqa: E402

CELLS = [f"cell_{n:02d}_voltage" for n in range(1, 17)]
OTHERS = ["pack_voltage", "pack_current", "soc_reported", "vehicle_speed"]
FRAMES_A_SECOND = 4000
MULTICAST = "239.74.163.91"


def catalogue(folder: str) -> Path:
    path = Path(folder) / "bench.dbc"
    path.write_text(catalogue_text([CELLS, OTHERS]), encoding="utf-8")
    return path


def frames(count: int) -> list[CanFrame]:
    """Frames of five messages in turn, four signals each."""
    data = [bytes((n * 7 + k) % 120 for k in range(8)) for n in range(16)]
    return [CanFrame(n * 250, 0x300 + n % 5, data[n % 16]) for n in range(count)]


def decoding(count: int = 100_000) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = catalogue(folder)
        settings = {"catalogue": str(path)}
        taken = frames(count)
        reference = cantools.database.load_file(path)
        best_theirs = best_ours = best_batches = 0.0
        for _ in range(3):
            start = time.perf_counter()
            for frame in taken:
                reference.decode_message(frame.key, frame.data, decode_choices=False)
            best_theirs = max(best_theirs, count / (time.perf_counter() - start))
            start = time.perf_counter()
            batches = CanBatches("bench", messages_of(settings), 250_000)
            batches.feed(taken)
            best_ours = max(best_ours, count / (time.perf_counter() - start))
            start = time.perf_counter()
            batches = CanBatches("bench", messages_of(settings), 250_000)
            for first in range(0, count, 20):  # about what one read brings at 4,000 frames a second
                batches.feed(taken[first : first + 20])
                batches.taken()
            best_batches = max(best_batches, count / (time.perf_counter() - start))
    print(f"cantools decode_message       {best_theirs:10,.0f} frames/s")
    print(f"ours, decoded and grouped     {best_ours:10,.0f} frames/s  {best_ours / best_theirs:5.2f} of cantools")
    print(
        f"ours, in batches of 20 frames {best_batches:10,.0f} frames/s  {best_batches / best_theirs:5.2f} of cantools"
    )


def send(seconds: float) -> int:
    """Send at the stated rate; another process, so that its cost is not ours."""
    bus = FarEndBus("udp_multicast", MULTICAST, hop_limit=0)
    start, sent = time.perf_counter(), 0
    data = bytes(range(8))
    while (passed := time.perf_counter() - start) < seconds:
        while sent < passed * FRAMES_A_SECOND:
            bus.send(0x300 + sent % 5, data)
            sent += 1
        time.sleep(0.001)
    bus.close()
    return sent


async def live(seconds: float = 10.0) -> None:
    with tempfile.TemporaryDirectory() as folder:
        settings = {"interface": "udp_multicast", "channel": MULTICAST, "catalogue": str(catalogue(folder))}
        driver = CanMessagesDriver(DriverContext("bench", settings, SystemClock()))
        await driver.open()
        rows = 0

        async def read() -> None:
            nonlocal rows
            async for batch in driver.readings():
                rows += len(batch)

        reading = asyncio.create_task(read())
        sender = await asyncio.create_subprocess_exec(
            sys.executable, __file__, "send", str(seconds), stdout=asyncio.subprocess.PIPE
        )
        await asyncio.sleep(1.0)
        before, start = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter()
        await asyncio.sleep(seconds - 2.0)
        after, passed = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter() - start
        sent = int((await sender.communicate())[0])
        await asyncio.sleep(0.3)
        figures = driver.figures
        reading.cancel()
        await asyncio.wait([reading])
        await driver.close()
    used = (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / passed
    print(f"live at {sent / seconds:,.0f} frames/s: {sent} sent, {figures.frames.frames} decoded, {rows} rows, ")
    print(f"  {100 * used:.1f} % of one core, queue at most {figures.queue.fullest} of {figures.queue.limit}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["send"]:
        print(send(float(sys.argv[2])))
    else:
        decoding()
        asyncio.run(live())
