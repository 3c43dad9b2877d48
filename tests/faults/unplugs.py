"""Each kind of link unplugged in the middle of a frame; then it, noise or another device is plugged in."""

from __future__ import annotations

import asyncio
import inspect
import random
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from telemetry.model.clock import SystemClock
from tests.faults.fault import Fault, NotTried, Outcome, register
from tests.faults.link_kinds import KINDS, Kind
from tests.faults.machines import Numbered
from tests.faults.recorder import Recorder, recording
from tests.faults.stored import check_sound, count_values, measured_rows

UNPLUGS = 5
"""In one run of the program; a try."""
BACK_WITHIN_S = {"wired": 5.0, "radio": 20.0}
SETTLE_US = 400_000
"""Rows of this long after a link is back may belong to a header not yet seen, or to garbage."""


def unplug(kind: Kind, rng: random.Random, folder: Path) -> Outcome:
    """Unplug one link again and again in one run, then hold the store against what the device sent."""
    if kind.lacks:
        raise NotTried(kind.lacks)
    with kind.turn:
        return asyncio.run(Trial(kind, rng, folder / "sessions.sqlite3").outcome())


class Trial:
    """One run. ``live`` are the stretches, int microseconds, in which every row must have arrived."""

    def __init__(self, kind: Kind, rng: random.Random, store: Path) -> None:
        self.kind, self.rng, self.store = kind, rng, store
        self.live: list[tuple[int, int]] = []
        self.told_us: list[int] = []
        self.back_us: list[int] = []
        self.came_back: dict[str, int] = {}

    async def outcome(self) -> Outcome:
        """Run, and judge."""
        clock = SystemClock()
        start = clock.now()
        machine = Numbered(start, self.kind.number, wrap=self.kind.wrap)
        async with (
            self.kind.device(machine, clock) as device,
            recording(self.kind.driver, device.settings, self.store) as recorder,
        ):
            await recorder.wait_for("live")
            for _ in range(UNPLUGS):
                await self.unplug(device, recorder)
            device.be_silent()  # what is read in the very moment of the end nobody asks for
            await asyncio.sleep(0.3)
        return self.judged(machine, start, recorder)

    async def unplug(self, device: Any, recorder: Recorder) -> None:
        """Pull the plug in the middle of a frame, plug something in, and wait until the first device is back."""
        clock, rng = recorder.clock, self.rng
        since, dropped = clock.now(), dropped_by(device)
        await asyncio.sleep(rng.uniform(0.3, 0.8))
        known = len(recorder.changes)
        device.cut_mid_line()
        cut = clock.now()
        if dropped_by(device) == dropped:  # else nobody read for a while, and the line was full
            self.live.append((since + SETTLE_US, cut))
        lost = await recorder.wait_for("lost", "silent", since=known)
        self.told_us.append(lost.t - cut)
        what = rng.choice(("itself", "garbage") + (("another",) if self.kind.other else ()))
        if what == "another":
            await self.be_another(device)
        await asyncio.sleep(rng.uniform(0.0, 0.3))
        known = len(recorder.changes)
        await plug_in(device)
        back = clock.now()
        if what == "garbage":
            device.print_garbage(0.2)
            back += 200_000
        if self.kind.say is not None:
            self.kind.say(device, self.kind.tail)
        live = await self.is_live(device, recorder, known)
        self.back_us.append(live - back)
        self.came_back[what] = self.came_back.get(what, 0) + 1

    async def is_live(self, device: Any, recorder: Recorder, known: int) -> int:
        """Wait until rows of the first device come again, and return when, int microseconds."""
        since, changes = recorder.clock.now(), recorder.changes
        readings, number = recorder.snapshot.readings, self.kind.number

        def is_back() -> bool:
            # the link first: rows of before the plug was pulled may be dated a little ahead
            return len(changes) > known and changes[-1].state == "live" and readings[number].t >= since

        await recorder.until(is_back)
        return readings[number].t

    async def be_another(self, device: Any) -> None:
        """Let another device speak on the same port for a while, and be unplugged too."""
        assert self.kind.other is not None
        assert self.kind.say is not None
        device.be_silent()
        await plug_in(device)
        for _, piece in zip(range(25), self.kind.other(self.rng), strict=False):
            self.kind.say(device, piece)
            await asyncio.sleep(0.02)
        device.disconnect()
        device.be_silent(False)

    def judged(self, machine: Numbered, start: int, recorder: Recorder) -> Outcome:
        """Hold the store against what was sent."""
        check_sound(self.store)
        rows = measured_rows(self.store)
        strange = [row for row in rows if not machine.owns(row) and not self.kind.owns_other(row)]
        # a poll that was answered in part gives a row with what is known only
        strange = [row for row in strange if set(row) - {"t", "pack_voltage"}] if not self.kind.every_row else strange
        assert not strange, f"{len(strange)} rows that no device sent, such as {strange[0]}"
        limit = BACK_WITHIN_S[self.kind.driver.kind] * 1e6
        assert max(self.back_us) < limit, f"it came back after {max(self.back_us) / 1e6:.1f} s"
        back = ", ".join(f"{what} {count}" for what, count in sorted(self.came_back.items()))
        return Outcome(
            self.lost_s(machine, start, rows),
            announced_s=max(self.told_us) / 1e6,
            counted=None,
            ledger=self.ledger(recorder, rows),
            cases=UNPLUGS,
            note=f"back within {max(self.back_us) / 1e6:.1f} s after {back}",
        )

    def lost_s(self, machine: Numbered, start: int, rows: Sequence[dict[str, float]]) -> float:
        """Return the age, when the plug was pulled, of the oldest row that had arrived and is not stored, s."""
        ours = [row for row in rows if machine.owns(row)]
        if not self.kind.every_row:
            times = [row["t"] for row in ours]
            newest = [max((t for t in times if t <= cut), default=0.0) for _, cut in self.live]
            return max(((cut - t) / 1e6 for (_, cut), t in zip(self.live, newest, strict=True)), default=0.0)
        assert machine.newest < machine.wrap, "the count started over; give the trial less time"
        stored = {round(row[machine.number]) for row in ours}
        oldest = 0.0
        for since, cut in self.live:
            first, last = ((t - start) // machine.period_us + 1 for t in (since, cut))
            missing = [n for n in range(first, last) if n not in stored]
            if missing:
                oldest = max(oldest, (cut - start - missing[0] * machine.period_us) / 1e6)
        return oldest

    def ledger(self, recorder: Recorder, rows: Sequence[dict[str, float]]) -> str:
        """Return what does not add up."""
        counts, published = recorder.counts, recorder.run.bus.published
        if published != counts.stored + counts.refused:
            return f"{published} values were published, {counts.stored} stored and {counts.refused} refused"
        there = count_values(self.store, 1)
        # a group that the other device has widened counts its earlier rows as wider than they came
        if there != counts.stored and not any(self.kind.owns_other(row) for row in rows):
            return f"{counts.stored} values count as stored, the store holds {there}"
        return self.kind.adds_up([driver.figures for driver in recorder.drivers], len(rows), recorder.bytes_read)


def dropped_by(device: Any) -> int:
    """Return how many pieces the device threw away since its line was full."""
    line = getattr(getattr(device, "adapter", device), "line", None)
    return 0 if line is None else int(line.dropped)


async def plug_in(device: Any) -> None:
    """Plug a simulated device in; one that listens on a network has to begin to."""
    begun = device.connect()
    if inspect.isawaitable(begun):
        await begun


for each in KINDS:
    register(
        Fault(
            f"unplug-{each.name}",
            f"A {each.name.replace('-', ' ')} link is unplugged in the middle of a frame, and"
            " itself, garbage or another device plugged in",
            "it comes back each time; no half frame becomes a value, no value of another device is taken for its own",
            1,
            40,
            partial(unplug, each),
        )
    )
