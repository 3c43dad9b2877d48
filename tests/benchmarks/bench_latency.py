"""From bytes written by the device on a pseudo-terminal to the alarm event: time of 200 crossings, whole chain live.

Run: ``python tests/benchmarks/bench_latency.py``.
"""

from __future__ import annotations

import asyncio
import os
import random
import time
import tty

from telemetry.driver import DriverContext
from telemetry.machine.limits import Limit
from telemetry.model.batch import Span
from telemetry.model.clock import SystemClock
from telemetry.model.events import AlarmChange
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.registry import load_driver
from telemetry.pipeline.run import Run, standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.supervisor import Supervisor

LOW = Limit("pack-voltage-low", "pack_voltage", "low", 48.0, None, 0.5, 0.0, 0.0, "benchmark")
CROSSINGS = 200


async def measure() -> list[float]:
    master, slave = os.openpty()
    tty.setraw(slave)
    clock = SystemClock()
    context = DriverContext("board", {"port": os.ttyname(slave), "format": "csv"}, clock)
    run = Run(clock, LivePacer(clock), standard_stages(Judge([LOW])), Gather(), waits=False)
    run.bus.attach(Snapshot().take)
    arrived = asyncio.Event()

    def heard(span: Span) -> None:
        if any(isinstance(event, AlarmChange) for event in span.events):
            arrived.set()

    run.bus.attach(heard)
    driver = load_driver("serial-text")
    task = asyncio.create_task(run.run([Supervisor("board", lambda: driver(context), clock, run.gather.post)]))
    await asyncio.sleep(0.5)
    os.write(master, b"pack_voltage,pack_current\n50.0,1.0\n50.0,1.0\n")
    await asyncio.sleep(0.5)
    times = []
    for crossing in range(CROSSINGS):
        await asyncio.sleep(0.1 + random.random() / 10)
        arrived.clear()
        began = time.perf_counter()
        os.write(master, b"47.0,1.0\n" if crossing % 2 == 0 else b"50.0,1.0\n")
        await asyncio.wait_for(arrived.wait(), 5)
        times.append(1000 * (time.perf_counter() - began))
    run.stop()
    await task
    os.close(master)
    os.close(slave)
    return sorted(times)


def latency() -> float:
    """Return the time from bytes to alarm that 99 of 100 keep, ms."""
    found = asyncio.run(measure())
    share = sum(t <= 100 for t in found) / len(found)
    median, most = found[len(found) // 2], found[int(0.99 * len(found))]
    print(f"  bytes to alarm: median {median:.0f} ms, 99 % {most:.0f} ms, {share:.1%} within 100 ms")
    return most


if __name__ == "__main__":
    latency()
