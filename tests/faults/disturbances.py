"""A link that stays open and is of no use: silence, garbage, frozen values."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from telemetry.model.clock import SystemClock
from tests.faults.fault import Fault, NotTried, Outcome, register
from tests.faults.link_kinds import KINDS, Kind
from tests.faults.machines import Numbered
from tests.faults.recorder import Recorder, recording
from tests.faults.stored import check_sound, measured_rows

SILENCE_S = 1.0
"""The limit stated in the machine file."""


def disturb(how: Callable[[Any, bool], None], rng: random.Random, folder: Path) -> Outcome:
    """Disturb a link, drawn by the seed, until it counts as silent; then let the device be itself."""
    kind = rng.choice(KINDS)
    if kind.lacks:
        raise NotTried(kind.lacks)
    with kind.turn:
        return asyncio.run(_disturbed(kind, how, folder / "sessions.sqlite3"))


async def _disturbed(kind: Kind, how: Callable[[Any, bool], None], store: Path) -> Outcome:
    clock = SystemClock()
    machine = Numbered(clock.now(), kind.number, wrap=kind.wrap)
    async with kind.device(machine, clock) as device:
        settings = {**device.settings, "silence_s": SILENCE_S}
        async with recording(kind.driver, settings, store) as recorder:
            await recorder.wait_for("live")
            await asyncio.sleep(0.3)
            began, known = clock.now(), len(recorder.changes)
            how(device, True)
            told = await recorder.wait_for("silent", "lost", since=known)
            how(device, False)
            await _is_back(kind, recorder)
            device.be_silent()
            await asyncio.sleep(0.3)
    check_sound(store)
    rows = measured_rows(store)
    wrong = [row for row in rows if not machine.owns(row) and set(row) - {"t", "pack_voltage"}]
    assert not wrong, f"{kind.name}: {len(wrong)} rows that no device sent, such as {wrong[0]}"
    newest = max(row["t"] for row in rows if row["t"] <= began + 50_000)
    ledger = kind.adds_up([driver.figures for driver in recorder.drivers], len(rows), recorder.bytes_read)
    return Outcome(
        max(0.0, (began - newest) / 1e6),
        announced_s=max(0.0, (told.t - began) / 1e6 - SILENCE_S),
        ledger=ledger and f"{kind.name}: {ledger}",
    )


async def _is_back(kind: Kind, recorder: Recorder) -> None:
    since, readings = recorder.clock.now(), recorder.snapshot.readings
    await recorder.until(lambda: kind.number in readings and readings[kind.number].t > since)


def _silence(device: Any, on: bool) -> None:
    device.be_silent(on)


def _garbage(device: Any, on: bool) -> None:
    device.print_garbage(3600.0 if on else 0.0)


for name, what, how in (
    ("silence", "A link stays open and sends nothing", _silence),
    ("garbage", "A link sends nothing but garbage", _garbage),
):
    register(
        Fault(
            name,
            what,
            "it counts as silent after silence_s, no garbage becomes a value, and the next good row is recorded",
            1,
            100,
            partial(disturb, how),
        )
    )
