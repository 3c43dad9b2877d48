"""Five devices of five kinds give the same signals; each is killed in turn, then all at once."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.driver import DriverContext
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import MICROSECONDS, Span
from telemetry.model.clock import SystemClock
from telemetry.model.events import Mark
from telemetry.model.toml_text import table_text
from telemetry.pipeline.gather import gather_for
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.live_pacer import LivePacer
from telemetry.pipeline.registry import load_driver
from telemetry.pipeline.run import Run, standard_stages
from telemetry.pipeline.supervisor import Supervisor
from telemetry.pipeline.turns import SILENT_AT_FIRST
from telemetry.store.writer import StoreWriter
from tests.faults.fault import Fault, NotTried, Outcome, register
from tests.faults.link_kinds import KINDS, Kind
from tests.faults.machines import Numbered
from tests.faults.stored import check_sound, rows_of
from tests.faults.unplugs import plug_in

BY_NAME = {kind.name: kind for kind in KINDS}
FIVE = ("serial-frames", "can-messages", "serial-text", "modbus", "bluetooth-le")
SIGNALS = ("pack_voltage", "motor_speed")
BASE_V, APART_V = 40.0, 20.0
"""Each device's voltage lies so much above that of the one before, so that a value tells whose it is."""
PACK = table_text("[pack]", {"chemistry": "lfp", "cells_in_series": 16, "capacity_ah": 100.0})
PATIENCE_S = 60.0
HOLE_AT_MOST_S = SILENT_AT_FIRST / MICROSECONDS + 1.0


class Trial:
    """One run of a machine file with a source a device.

    Args:
        kinds: of the devices, the first choice first.
        store: where it is recorded.

    Attributes:
        giver: number of the device that gave each signal last.
        heard: names of the sources that gave anything.
        turns: how often the giver of the voltage changed.
        marks: all that the program announced.

    """

    def __init__(self, kinds: Sequence[Kind], store: Path) -> None:
        self.kinds, self.store = kinds, store
        self.clock = SystemClock()
        self.devices: list[Any] = []
        self.giver: dict[str, int] = {}
        self.heard: set[str] = set()
        self.turns = 0
        self.marks: list[str] = []
        self._names = [f"device{place}" for place in range(len(kinds))]
        self._taken = asyncio.Event()

    async def run(self, play: Callable[[Trial], Any]) -> None:
        """Record while ``play`` kills and revives."""
        async with AsyncExitStack() as stack:
            text = [PACK]
            for place, kind in enumerate(self.kinds):
                machine = Numbered(self.clock.now(), base=BASE_V + place * APART_V, wrap=997)
                self.devices.append(await stack.enter_async_context(kind.device(machine, self.clock)))
                driver = kind.name.removesuffix("-without-header")
                named = {"driver": driver, "name": self._names[place]}
                text.append(table_text("[[source]]", named | self.devices[-1].settings))
            machine_file, problems = parse_machine("\n".join(text), "five.toml")
            assert machine_file is not None, problems
            gather = gather_for(machine_file.sources)
            stages = standard_stages(judge_for(None))
            run = Run(self.clock, LivePacer(self.clock), stages, gather, waits=False)
            supervisors = [
                Supervisor(
                    source.name,
                    partial(load_driver(source.driver), DriverContext(source.name, source.settings, self.clock)),
                    self.clock,
                    gather.post,
                )
                for source in machine_file.sources
            ]
            writer = stack.enter_context(StoreWriter.open(self.store))
            writer.begin_session("laboratory", None, "live", "absolute", self.clock.now(), self.clock.now())
            run.bus.attach(self.take)
            run.bus.subscribe("store", writer)
            running = asyncio.create_task(run.run(supervisors))
            try:
                await play(self)
            finally:
                run.stop()
                await running
                await asyncio.to_thread(writer.end_session, self.clock.now())

    def take(self, span: Span) -> None:
        """Note who gives what."""
        before = self.giver.get("pack_voltage")
        for signal in SIGNALS:
            for batch, column in span.carrying(signal):
                if batch.group.source in self._names and not np.isnan(column).all():
                    self.giver[signal] = self._names.index(batch.group.source)
        self.heard |= {batch.group.source for batch in span.batches if batch.group.source in self._names}
        self.turns += before is not None and before != self.giver["pack_voltage"]
        self.marks += [event.text for event in span.events if isinstance(event, Mark)]
        self._taken.set()

    async def until(self, condition: Callable[[], bool], else_why: str) -> None:
        """Return once ``condition`` holds, as looked at after each span."""
        try:
            async with asyncio.timeout(PATIENCE_S):
                while not condition():
                    self._taken.clear()
                    await self._taken.wait()
        except TimeoutError:
            why = f"{else_why}; heard {self.heard}, given by {self.giver}, announced {self.marks}"
            raise AssertionError(why) from None

    async def until_given_by(self, place: int) -> None:
        """Return once every signal comes from one device."""
        await self.until(
            lambda: [self.giver.get(signal) for signal in SIGNALS] == [place] * len(SIGNALS),
            f"device {place} does not give {SIGNALS}",
        )

    @property
    def announced(self) -> list[str]:
        """What was said of hand-overs."""
        return [text for text in self.marks if "kept beside" not in text]


async def kill_all(trial: Trial, rng: random.Random) -> None:
    """Kill each in turn, the first choice first, until one is left; revive; then kill all at once."""
    last = len(trial.devices) - 1
    await trial.until_given_by(0)
    await trial.until(lambda: len(trial.heard) == len(trial.devices), "not all devices were heard")
    trial.turns = 0  # until all have spoken, the first to speak may have given way to the first choice
    await asyncio.sleep(rng.uniform(1.0, 2.0))
    for place, device in enumerate(trial.devices[:-1]):
        device.disconnect()
        await trial.until_given_by(place + 1)
    for device in trial.devices[:-1]:
        await plug_in(device)
    await trial.until_given_by(0)
    said = len(trial.announced)
    for device in trial.devices:
        device.disconnect()
    await asyncio.sleep(rng.uniform(2.0, 4.0))
    assert len(trial.announced) == said, f"nobody was left, yet it said {trial.announced[said:]}"
    back = rng.randrange(last + 1)
    await plug_in(trial.devices[back])
    await trial.until_given_by(back)


def hand_over(rng: random.Random, folder: Path) -> Outcome:
    """Play it once and hold the store against it."""
    kinds = [BY_NAME[name] for name in FIVE]
    if lacking := next((kind.lacks for kind in kinds if kind.lacks), ""):
        raise NotTried(lacking)
    store = folder / "sessions.sqlite3"
    trial = Trial(kinds, store)
    with BY_NAME["bluetooth-le"].turn:
        asyncio.run(trial.run(partial(kill_all, rng=rng)))
    return Outcome(counted=None, note=judged(trial), cases=len(kinds) + 1)


def judged(trial: Trial) -> str:
    """Hold the store against what was sent; return the figures."""
    check_sound(trial.store)
    announced = trial.announced
    assert len(announced) == trial.turns, f"{trial.turns} hand-overs, announced as {announced}"
    given = [t for t, _ in rows_of(trial.store, "pack_voltage")]
    asides = (rows_of(trial.store, f"extra_device{place}_pack_voltage") for place in range(len(trial.kinds)))
    merged = sorted([(t, True) for t in given] + [(t, False) for rows in asides for t, _ in rows])
    hole, since = 0.0, None
    for t, is_given in merged:  # a hole is as long as others were heard while nobody gave
        since = None if is_given else since or t
        hole = max(hole, 0.0 if since is None else (t - since) / MICROSECONDS)
    assert hole < HOLE_AT_MOST_S, f"for {hole:.1f} s nobody gave the voltage, though somebody could"
    return f"{trial.turns} hand-overs, longest hole {hole:.1f} s"


register(
    Fault(
        "hand-over",
        "Five devices give the same signals; each is killed in turn, then all at once",
        "every signal that any live source still gives is recorded; one mark announces each hand-over",
        1,
        20,
        hand_over,
    )
)
