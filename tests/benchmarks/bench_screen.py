"""What the dashboard costs: share of a core while painting.

Run it on a quiet machine: ``python tests/benchmarks/bench_screen.py [seconds]``. Each measurement is a process
of its own on a real pseudo-terminal of 120 by 40, whose output is read and thrown away. The same rows are fed without
a screen first; the difference is what the screen costs.
"""

from __future__ import annotations

import asyncio
import math
import os
import pty
import select
import subprocess
import sys
import tempfile
import termios
import time

COLUMNS, ROWS = 120, 40
START = 1_700_000_000_000_000
CELLS = 24
TIMES = 3
"""Each is measured so often and the least taken: a neighbour on the machine can only add."""
MOST_OF_A_CORE = 0.025
_COMPILED = tempfile.mkdtemp(prefix="compiled-")
"""An installed program is compiled once: the first of the runs fills this, and the least is taken."""


async def feed(snapshot, clock, *more) -> None:
    """Give all listeners 24 cells, pack, power and totals ten times a second, all of them changing."""
    import numpy as np

    from telemetry.model.batch import Batch, Group, Span
    from telemetry.model.signals import cell_name

    cells = Group("pack", "cells", tuple(cell_name(n + 1) for n in range(CELLS)))
    pack = Group("pack", "pack", ("pack_voltage", "pack_current", "soc_reported", "pack_temperature_1"))
    lowest = Group("pack", "cells_cells", ("cell_spread", "cell_min_voltage", "cell_min_number"), "derived")
    derived = Group("derived", "power", ("pack_power", "charge_out", "energy_out"), "derived")
    wall = clock.now()
    for n in range(10_000_000):
        t = np.array([clock.now()], dtype=np.int64)
        current = 60 + 50 * math.sin(n / 31) + 20 * math.sin(n * 1.3)
        volts = 79.2 - 0.03 * current
        each = volts / CELLS + 0.01 * np.sin(np.arange(CELLS) * 1.7 + n / 50)
        rows = (
            (pack, [volts, current, 78 - n / 600, 24 + n / 900]),
            (cells, each),
            (lowest, [np.ptp(each), each.min(), float(each.argmin() + 1)]),
            (derived, [volts * current, n / 500, n / 6]),
        )
        batches = tuple(Batch(group, t, np.asarray(row, dtype=np.float64).reshape(1, -1)) for group, row in rows)
        span = Span(int(t[0]), batches)
        snapshot.take(span)
        for listener in more:
            listener.take(span)
        await clock.sleep_until(wall + (n + 1) * 100_000)


async def child(mode: str, seconds: float) -> float:
    from telemetry.model.clock import SystemClock

    clock = SystemClock()
    from telemetry.machine.limits import Limit
    from telemetry.pipeline.snapshot import Snapshot

    origin = "a bound for measuring by"
    limits = (
        Limit("pack-voltage-low", "pack_voltage", "low", 70.0, 60.0, 0.5, 2.0, 10.0, origin),
        Limit("cell-voltage-low", "cell_min_voltage", "low", 2.8, 2.5, 0.05, 2.0, 10.0, origin),
        Limit("discharge-current", "pack_current", "high", 150.0, 160.0, 5.0, 2.0, 10.0, origin),
    )
    snapshot = Snapshot({limit.name: limit for limit in limits}, clock.now())
    if mode == "feed":
        return await cost(feed(snapshot, clock), seconds)
    from telemetry.pipeline.gather import Gather
    from telemetry.pipeline.judge import Judge
    from telemetry.pipeline.live_pacer import LivePacer
    from telemetry.pipeline.live_past import LivePast
    from telemetry.pipeline.run import Operator, Run, standard_stages
    from telemetry.screen.dashboard import Dashboard
    from telemetry.screen.terminal import TerminalScreen
    from telemetry.screen.traces import Traces

    past = LivePast(clock.now())
    traces = Traces(past, snapshot.limits)
    operator = Operator(Run(clock, LivePacer(clock), standard_stages(Judge(limits)), Gather(), waits=False))
    dashboard = Dashboard(snapshot, operator, clock, "measured machine", traces, colours="full")
    if mode == "traces":
        dashboard.start_view("3")
        traces.window.lanes = ("pack_voltage", "pack_current", "cell_min_voltage", "pack_power")
    screen = TerminalScreen(dashboard, "full")
    running = asyncio.create_task(screen.run_async(mouse=False))
    await asyncio.sleep(3.0)
    used = await cost(feed(snapshot, clock, past), seconds)
    screen.exit()
    await running
    return used


async def cost(work, seconds: float) -> float:
    """Return processor seconds for each second of ``work``, once it has run for two."""
    task = asyncio.create_task(work)
    await asyncio.sleep(2.0)
    before, began = time.process_time(), time.monotonic()
    await asyncio.sleep(seconds)
    used = (time.process_time() - before) / (time.monotonic() - began)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return used


def measured(mode: str, seconds: float) -> float:
    """Run a child on a pseudo-terminal and return what it says through a pipe."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (ROWS, COLUMNS))
    told, tells = os.pipe()
    environment = os.environ | {"TERM": "xterm-256color", "COLORTERM": "truecolor", "PYTHONPYCACHEPREFIX": _COMPILED}
    for name in ("NO_COLOR", "PYTHONDONTWRITEBYTECODE"):
        environment.pop(name, None)
    process = subprocess.Popen(
        [sys.executable, __file__, "--child", mode, str(seconds), str(tells)],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        pass_fds=(tells,),
        env=environment,
        start_new_session=True,
    )
    os.close(slave)
    os.close(tells)
    drawn = 0
    while process.poll() is None:
        if select.select([master], [], [], 0.1)[0]:
            try:
                drawn += len(os.read(master, 65536))
            except OSError:
                break
    process.wait()
    answer = os.read(told, 100).decode()
    os.close(master)
    os.close(told)
    print(f"  {mode:6} {float(answer):.4f}   {drawn / 1000:.0f} kB written to the terminal")
    return float(answer)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    print(f"share of a core over {seconds:g} s at {COLUMNS}x{ROWS}, values at 10 Hz, paint at 5 Hz")
    feed_alone = min(measured("feed", seconds) for _ in range(TIMES))
    screen = min(measured("screen", seconds) for _ in range(TIMES)) - feed_alone
    print(f"screen alone: {100 * screen:.2f} % of a core (at most {100 * MOST_OF_A_CORE:g} %)")
    print(f"load of the machine meanwhile: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def traces_cost(seconds: float = 20.0) -> float:
    """Return what the traces live with four lanes take, in per cent of a core."""
    alone = min(measured("feed", seconds) for _ in range(TIMES))
    return 100 * (min(measured("traces", seconds) for _ in range(TIMES)) - alone)


if __name__ == "__main__":
    if len(sys.argv) > 1 and sys.argv[1] == "--child":
        answer = asyncio.run(child(sys.argv[2], float(sys.argv[3])))
        os.write(int(sys.argv[4]), f"{answer:.6f}".encode())
    else:
        main()
