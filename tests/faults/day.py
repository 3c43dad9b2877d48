"""A day recorded at the speed of the computer, and the memory it takes: ``python -m tests.faults.day HOURS STORE``.

The whole way of the program, from a simulated machine with its machine file to store, snapshot, the past that the
traces draw, and printer; the screen's modules are loaded. Time is turned on by hand, two seconds at a time; the
machine makes the same drive of ten minutes again and again.
"""

from __future__ import annotations

import asyncio
import importlib
import io
import json
import os
import random
import subprocess
import sys
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path
from typing import ClassVar, Literal

import numpy as np

from drivers.simulated.machine import SimulatedMachine
from drivers.simulated.machine_files import machine_file
from telemetry.machine.limits import limits_for
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, merged
from telemetry.model.clock import ManualClock
from telemetry.pipeline.gather import Gather
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.live_past import LivePast
from telemetry.pipeline.plan import Inbox
from telemetry.pipeline.run import Run, standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.supervisor import Supervisor
from telemetry.report.printer import Printer
from telemetry.store.writer import StoreWriter
from tests.faults.fault import Fault, Outcome, register
from tests.faults.program import environment
from tests.faults.stored import check_sound, count_values

STEP_US = 2_000_000
DRIVE_US = 600_000_000
HOUR_US = 3_600_000_000
START = 1_790_000_000_000_000
FULL_AFTER_H = 12
"""By then the past of the traces holds all that it may, its oldest rows as the extremes of their minutes."""
GROWTH_AT_MOST_MB = 5.0
AT_MOST_MB = 120.0
RATE_HZ = 10.0
TRACES = ("pack_voltage", "pack_current", "cell_min_voltage", "pack_power")
ZOOM_US, COLUMNS = 432_000_000, 200


class SameDrive:
    """A source that plays a few minutes of a simulated machine again and again, as time goes on."""

    kind: ClassVar[Literal["wired", "radio", "plan"]] = "wired"
    silence_s: float | None = 600.0

    def __init__(self, clock: ManualClock, drive: list[Batch], end: int) -> None:
        self._clock, self._drive, self._end = clock, drive, end

    async def open(self) -> None:
        """Nothing to open."""

    async def readings(self) -> AsyncIterator[Batch]:
        """Yield what each step of time brings."""
        while (now := self._clock.now()) < self._end:
            shift = (now - START) // DRIVE_US * DRIVE_US
            for batch in self._drive:
                first, last = np.searchsorted(batch.t + shift, [now - STEP_US, now], side="right")
                if last > first:
                    yield Batch(batch.group, batch.t[first:last] + shift, batch.values[first:last])
            await self._clock.sleep_until(now + STEP_US)

    async def close(self) -> None:
        """Nothing to let go of."""


def drive() -> list[Batch]:
    """Return a drive of the simulated machine, one batch a group."""
    machine = SimulatedMachine("orchard", 1, START, "machine", RATE_HZ)
    found: dict[tuple[str, str], list[Batch]] = {}
    for batch in machine.advance_to(START + DRIVE_US):
        found.setdefault(batch.group.key, []).append(batch)
    return [merged(batches) for batches in found.values()]


class Nowhere(io.StringIO):
    """Takes lines and keeps none."""

    def write(self, text: str) -> int:
        """Throw ``text`` away."""
        return len(text)


class HandPacer:
    """Ends a span each step, and turns time on: as fast as the computer goes."""

    def __init__(self, clock: ManualClock, past: LivePast, sizes_mb: list[float]) -> None:
        self._clock, self._past, self.sizes_mb = clock, past, sizes_mb

    async def next_end(self, inbox: Inbox) -> int:
        """Turn time on and return it; each hour draw the traces of the whole day, and note the memory."""
        await self._clock.advance_to(self._clock.now() + STEP_US)
        if (self._clock.now() - START) // HOUR_US > len(self.sizes_mb) - 1:
            for signal in TRACES:
                self._past.columns(signal, ZOOM_US, 0, COLUMNS)
            self.sizes_mb.append(resident_mb())
        return self._clock.now() - 1


def resident_mb() -> float:
    """Return the memory that this process has in use, MB of 10^6 bytes."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


async def record(hours: float, store: Path) -> dict[str, object]:
    """Record so many hours, and return what became of them."""
    machine, _ = parse_machine(machine_file("orchard", 0), "orchard.toml")
    assert machine is not None
    clock, past, sizes_mb = ManualClock(START), LivePast(START), [resident_mb()]
    played = drive()
    sizes_mb[0] = resident_mb()
    end = START + round(hours * HOUR_US)
    run = Run(
        clock,
        HandPacer(clock, past, sizes_mb),
        standard_stages(judge_for(machine), machine),
        Gather(),
        waits=True,
        for_s=hours * 3600.0,
    )
    importlib.import_module("telemetry.screen.terminal")
    importlib.import_module("telemetry.screen.dashboard")
    snapshot = Snapshot({limit.name: limit for limit in limits_for(machine)}, START)
    with StoreWriter.open(store) as writer:
        writer.begin_session("laboratory", machine.text, "replay", "absolute", START, START)
        run.bus.attach(snapshot.take)
        run.bus.attach(past.take)
        run.bus.attach(Printer(START, True, Nowhere(), run.stop).take)
        run.bus.subscribe("store", writer)
        await run.run([Supervisor("machine", lambda: SameDrive(clock, played, end), clock, run.gather.post)])
        counts = await asyncio.to_thread(writer.end_session, clock.now())
    told = {"published": run.bus.published, "stored": counts.stored, "refused": counts.refused}
    return {"sizes_mb": sizes_mb, "in_store": count_values(store, 1), **told}


def day(hours: float, rng: random.Random, folder: Path) -> Outcome:
    """Record so long in a process of its own, and hold its memory and its counts against what is promised."""
    store = folder / "sessions.sqlite3"
    command = [sys.executable, "-m", "tests.faults.day", str(hours), str(store)]
    found = subprocess.run(command, capture_output=True, text=True, env=environment(), check=False)
    assert found.returncode == 0, found.stderr[-1000:]
    told = json.loads(found.stdout)
    sizes = told["sizes_mb"]
    check_sound(store)
    ledger = "" if told["published"] == told["stored"] + told["refused"] else f"it does not add up: {told}"
    assert told["stored"] > 0
    assert not told["refused"]
    assert told["in_store"] >= told["stored"]
    grown = max(sizes[FULL_AFTER_H:]) - sizes[FULL_AFTER_H]
    assert grown <= GROWTH_AT_MOST_MB, f"memory grew by {grown:.1f} MB after hour {FULL_AFTER_H}: {sizes}"
    assert max(sizes) <= AT_MOST_MB, f"it took {max(sizes):.0f} MB: {sizes}"
    settled = sizes[FULL_AFTER_H]
    note = f"{hours:g} h, {told['stored']} values, {settled:.0f} MB after {FULL_AFTER_H} hours, {grown:+.1f} then"
    return Outcome(ledger=ledger, note=note)


register(
    Fault(
        "day",
        "24 hours are recorded, at the speed of the computer",
        f"at most {AT_MOST_MB:g} MB, and at most {GROWTH_AT_MOST_MB:g} more than after {FULL_AFTER_H} hours",
        0,
        1,
        partial(day, 24.0),
        alone=True,
    )
)

if __name__ == "__main__":
    sys.stdout.write(json.dumps(asyncio.run(record(float(sys.argv[1]), Path(sys.argv[2])))) + "\n")
