"""How fast CAN frames are decoded, against cantools' own rate; and what 4,000 frames a second cost on a live bus.

``python tests/benchmarks/bench_can.py``
"""

from __future__ import annotations

import asyncio
import resource
import statistics
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
from drivers.decode.can_standards import DecodingSettings  # noqa: E402
from drivers.links.can_bus import SendingBus  # noqa: E402
from drivers.simulated.can_peer import catalogue_text  # noqa: E402
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


def decoding(count: int = 4_000, rounds: int = 40) -> None:
    """Each round times all three in turn, by processor time, so that a busy computer is the same to all."""
    with tempfile.TemporaryDirectory() as folder:
        path = catalogue(folder)
        taken = frames(count)
        reference = cantools.database.load_file(path)
        assert isinstance(reference, cantools.database.Database)
        messages = messages_of(DecodingSettings(catalogue=str(path)))

        def theirs() -> None:
            for frame in taken:
                reference.decode_message(frame.key, frame.data, decode_choices=False)

        def ours(at_once: int) -> None:
            batches = CanBatches("bench", messages, 250_000)
            for first in range(0, count, at_once):
                batches.feed(taken[first : first + at_once])
                batches.taken()

        ways = {
            "cantools, decode_message": theirs,
            "ours, decoded and grouped": lambda: ours(count),
            "ours, in batches of 20": lambda: ours(20),  # what one read brings at 4,000 frames a second
        }
        times: dict[str, list[float]] = {name: [] for name in ways}
        for _ in range(rounds):
            for name, way in ways.items():
                start = time.process_time()
                way()
                times[name].append(time.process_time() - start)
    middle = {name: count / statistics.median(spent) for name, spent in times.items()}
    first = next(iter(middle.values()))
    for name, rate in middle.items():
        print(f"{name:28} {rate:10,.0f} frames/s  {rate / first:5.2f} of cantools")


def send(seconds: float) -> int:
    """Send at the stated rate; another process, so that its cost is not ours."""
    bus = SendingBus("udp_multicast", MULTICAST, hop_limit=0)
    start, sent = time.perf_counter(), 0
    data = bytes(range(8))
    while (passed := time.perf_counter() - start) < seconds:
        while sent < passed * FRAMES_A_SECOND:
            bus.send(0x300 + sent % 5, data)
            sent += 1
        time.sleep(0.001)
    bus.close()
    return sent


async def live(seconds: float = 10.0) -> float:
    """Return the share of a core, %, that a bus of so many frames takes."""
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
    print(f"live at {sent / seconds:,.0f} frames/s: {sent} sent, {figures.decoded.frames} decoded, {rows} rows, ")
    print(f"  {100 * used:.1f} % of one core, queue at most {figures.queue.fullest} of {figures.queue.limit}")
    return 100 * used


if __name__ == "__main__":
    if sys.argv[1:2] == ["send"]:
        print(send(float(sys.argv[2])))
    else:
        decoding()
        asyncio.run(live())
