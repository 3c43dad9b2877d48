"""A BMS that repeats its last values while the machine drives on: found, said, and recorded all the same."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np

from drivers.simulated.machine import SimulatedMachine
from drivers.simulated.machine_files import machine_file
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import MICROSECONDS, Batch, Span
from telemetry.model.events import AlarmChange
from telemetry.pipeline.judge import judge_for
from telemetry.pipeline.run import standard_stages
from telemetry.store.writer import StoreWriter
from tests.faults.fault import Fault, Outcome, register
from tests.faults.stored import check_sound, count_values

START = 1_790_000_000_000_000
FROM_S, TO_S, END_S = 120, 240, 260
FOUND_WITHIN_S = 54.0
"""The slowest that docs/figures.md gives for finding it."""
FREEZES = ("pack", "cells")
"""Groups of the simulated machine that its BMS sends."""


def frozen(rng: random.Random, folder: Path) -> Outcome:
    """Freeze the BMS of a simulated drive for two minutes, by the data's own time."""
    store = folder / "sessions.sqlite3"
    machine, _ = parse_machine(machine_file("orchard", 1), "orchard.toml")
    assert machine is not None
    stages = standard_stages(judge_for(machine), machine)
    simulated = SimulatedMachine("orchard", rng.randrange(10_000), START, "machine", rng.choice((2.0, 5.0)))
    published, changes, latest = 0, [], dict[str, list[float]]()
    with StoreWriter.open(store) as writer:
        writer.begin_session("laboratory", machine.text, "replay", "absolute", START, START)
        for second in range(1, END_S + 1):
            end = START + second * MICROSECONDS
            given = simulated.advance_to(end)
            batches = [_held(batch, latest) if FROM_S < second <= TO_S else _noted(batch, latest) for batch in given]
            span = stages.advance(Span(end).adding([batch for batch in batches if len(batch)]))
            changes += [event for event in span.events if isinstance(event, AlarmChange)]
            published += span.value_count
            assert not writer.offer(span)
        counts = writer.end_session(START + END_S * MICROSECONDS)
    check_sound(store)
    told = {change.state: (change.t - START) / MICROSECONDS for change in changes if change.limit == "source-frozen"}
    assert {"raised", "cleared"} <= told.keys(), f"the frozen BMS was not found, or its return not: {told}"
    assert FROM_S <= told["raised"] <= FROM_S + FOUND_WITHIN_S, told
    assert TO_S <= told["cleared"] <= TO_S + 5, told
    adds_up = published == counts.stored == count_values(store, 1)
    return Outcome(
        ledger="" if adds_up else f"{published} published, {counts.stored} stored",
        note=f"found after {math.ceil(told['raised'] - FROM_S)} s",
    )


def _noted(batch: Batch, latest: dict[str, list[float]]) -> Batch:
    """Remember the newest row of each group of the BMS."""
    if batch.group.name in FREEZES and len(batch):
        latest[batch.group.name] = batch.values[-1].tolist()
    return batch


def _held(batch: Batch, latest: dict[str, list[float]]) -> Batch:
    """Put the row remembered in place of every row of the BMS."""
    if batch.group.name not in FREEZES:
        return batch
    return Batch(batch.group, batch.t, np.tile(latest[batch.group.name], (len(batch), 1)))


register(
    Fault(
        "frozen",
        "A BMS repeats its last values while the machine drives on",
        f"an alarm says so within {FOUND_WITHIN_S:.0f} s of driving, and clears when the values move again",
        1,
        20,
        frozen,
    )
)
