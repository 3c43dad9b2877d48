"""A machine's earlier sessions, read back for the limit on its resistance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from telemetry.machine.limits_frame import NO_HISTORY
from telemetry.model.batch import Batch, Group, Span
from telemetry.runs.earlier_sessions import MOST_A_SESSION, resistance_history
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000
PACK = Group("pack", "pack", ("pack_temperature_1", "pack_temperature_2", "soc_reported"))
RESISTANCE = Group("derived", "resistance", ("pack_resistance", "pack_resistance_10s"), "derived")
BEFORE = Group("derived", "resistance", ("pack_resistance",), "derived")


def record(store: Path, machine: str, ohm: float, rows: int = 3, origin: str = "live", group=RESISTANCE) -> None:
    with StoreWriter.open(store) as writer:
        writer.begin_session(machine, None, origin, "absolute", START, START)
        t = START + np.arange(rows, dtype=np.int64) * 60_000_000
        pack = Batch(PACK, t, np.tile([18.0, 22.0, 64.0], (rows, 1)))
        resistance = Batch(group, t + 1, np.full((rows, len(group.signals)), ohm))
        writer.offer(Span(int(t[-1]) + 2, (pack, resistance)))
        writer.end_session(int(t[-1]) + 2)


def test_live_sessions_of_the_same_machine_count(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    record(store, "mower", 0.020)
    record(store, "cart", 0.500)
    record(store, "mower", 0.900, origin="replay")
    record(store, "mower", 0.700, group=BEFORE)  # from before resistance was the chord at 0.3 C
    record(store, "mower", 0.022)
    history = resistance_history(store, "mower")
    assert sorted(history.ohm) == [0.020] * 3 + [0.022] * 3
    assert set(history.temperature_c) == {20.0}
    assert set(history.charge) == {64.0}
    assert history.sessions == 2
    assert history.like(21.0, 60.0) == pytest.approx(0.021)
    assert history.like(21.0, 20.0) is None


def test_a_long_session_is_thinned(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    record(store, "mower", 0.020, rows=200)
    assert 25 <= len(resistance_history(store, "mower").ohm) <= MOST_A_SESSION


def test_without_a_store_there_is_no_history(tmp_path: Path) -> None:
    assert resistance_history(None, "mower") is NO_HISTORY
    assert resistance_history(tmp_path / "none.sqlite", "mower") is NO_HISTORY
