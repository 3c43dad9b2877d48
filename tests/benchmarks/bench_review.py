"""How soon a stored session of ten hours is on the screen, and how soon each key is answered.

The session: 10 Hz of seven signals, 16 cells once a second, an alarm, marks and a gap. What the program takes before
it opens the store (imports, Textual) is left out; what it takes to draw the view is counted.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange, Gap, Mark
from telemetry.runs.review import open_review
from telemetry.screen.review import Review
from telemetry.store.writer import StoreWriter

HOURS = 10
SIZE = (160, 45)
START = 1_790_000_000_000_000
SECOND = 1_000_000
TIMES = 5
MACHINE = """
[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 105
continuous_discharge_a = 140
continuous_charge_a = 60
"""
PACK = Group("pack", "pack", ("pack_voltage", "pack_current", "vehicle_speed", "soc_reported", "motor_temperature"))
POWER = Group("derived", "power", ("pack_power",), "derived")
CELLS = Group("pack", "cells", tuple(f"cell_{n:02d}_voltage" for n in range(1, 17)))
LOWEST = Group("pack", "cells_cells", ("cell_min_voltage",), "derived")
KEYS = (
    *("up", "up", "up", "right", "right", "left", "pagedown", "pagedown", "pageup", "n", "n", "b", "a", "k"),
    *("down", "up", "up", "up", "right", "right", "right", "s", "pagedown", "s", "x", "n", "home", "end"),
    *("f", "right", "f", "t", *["down"] * 9, "right", "right", "up", "up", "up", "up"),
)
"""Every way to move and zoom; four times through."""


def _spans() -> Iterator[Span]:
    rng = np.random.default_rng(1)
    step = 6000
    for first in range(0, HOURS * 36_000, step):
        second = np.arange(first, first + step) / 10
        second = second[(second < 5000) | (second > 5060)]
        if not len(second):
            continue
        amperes = np.where(second % 1800 < 1500, 60 + 50 * np.sin(second / 31) + rng.normal(0, 5, len(second)), 0.3)
        volts = 53.0 - 0.02 * amperes - second / 36_000
        t = START + np.round(second * SECOND).astype(np.int64)
        pack = np.column_stack(
            (volts, amperes, np.where(amperes > 1, 6.0, 0.0), 90 - second / 700, 40 + second / 3600)
        )
        cells = volts[::10, None] / 16 + rng.normal(0, 0.004, (len(volts[::10]), 16))
        yield Span(
            int(t[-1]),
            (
                Batch(PACK, t, pack),
                Batch(POWER, t, (volts * amperes)[:, None]),
                Batch(CELLS, t[::10], cells),
                Batch(LOWEST, t[::10], cells.min(axis=1, keepdims=True)),
            ),
        )


def make(store: Path) -> None:
    """Write the session."""
    low = partial(AlarmChange, limit="pack-voltage-low", signal="pack_voltage", level="trip", bound=40.0)
    events = [
        Mark(START + 600 * SECOND, "hill"),
        Gap(START + 5060 * SECOND, "pack", "pack_current", START + 5000 * SECOND),
        low(t=START + 12_000 * SECOND, state="raised", value=39.0),
        low(t=START + 12_030 * SECOND, state="cleared", value=45.0, stands="normal"),
        Mark(START + 30_000 * SECOND, "gate"),
    ]
    with StoreWriter.open(store) as writer:
        writer.begin_session(
            machine="measured machine",
            machine_text=MACHINE,
            origin="live",
            time_basis="absolute",
            started=START,
            start=START,
        )
        for span in _spans():
            writer.offer(span)
            writer.flush()
        end = START + HOURS * 3600 * SECOND
        writer.offer(Span(end, (), tuple(events)))
        writer.end_session(end)


def opened(store: Path) -> tuple[Review, float]:
    """Return a review drawn once, and the seconds from asking for it until then."""
    began = time.perf_counter()
    review = open_review("last", store)
    review.dashboard.drawn_lines(*SIZE, 0)
    return review, time.perf_counter() - began


def opens(folder: Path) -> float:
    """Return the seconds until the view is drawn, the least of some; the first one imports what all need."""
    store = folder / "sessions.sqlite3"
    make(store)
    took = []
    for _ in range(1 + TIMES):
        review, seconds = opened(store)
        took.append(seconds)
        review.past.close()
    print(f"  opened and drawn in {', '.join(f'{each:.2f}' for each in took)} s, the first with imports")
    return min(took)


def answers(folder: Path) -> float:
    """Return the milliseconds of the screen's thread from a key to the picture, 95 of 100, from the first key on.

    Processor time: on a computer that does nothing else the wall clock says the same, but for what the thread that
    reads rows takes meanwhile.
    """
    store = folder / "sessions.sqlite3"
    make(store)
    took = np.array(asyncio.run(_pressed(opened(store)[0])))
    for name, times in zip(("processor", "wall clock"), took.T, strict=True):
        worst = ", ".join(f"{each:.0f}" for each in np.sort(times)[::-1][:3])
        print(f"  {len(times)} keys, {name}: median {np.median(times):.1f} ms, worst {worst} ms")
    return float(np.quantile(took[:, 0], 0.95))


async def _pressed(review: Review) -> list[tuple[float, float]]:
    took = []
    async with review.screen.run_test(size=SIZE) as pilot:
        for _ in range(4):
            for key in KEYS:
                await pilot.pause(0.05)  # nobody types without a pause, and the rows come meanwhile
                began, wall = time.thread_time(), time.perf_counter()
                review.dashboard._actions.press(key, None)
                review.screen.paint()
                took.append((1000 * (time.thread_time() - began), 1000 * (time.perf_counter() - wall)))
    review.past.close()
    return took


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        figure = answers if "keys" in sys.argv else opens
        print(f"{figure(Path(place)):.3f}")
