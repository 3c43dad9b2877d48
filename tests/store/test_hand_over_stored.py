"""A session in which one source took over from another: its table, its traces, live and stored."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from telemetry.analysis.columns import Pieces
from telemetry.analysis.series import read_series
from telemetry.model.batch import MICROSECONDS
from telemetry.pipeline.live_past import LivePast
from telemetry.recordings.table import Table
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter
from tests.pipeline.test_turns import played

RUNS = {"pack": [(0.0, 20.0), (40.0, 60.0)], "bus": [(0.0, 60.0)]}
GIVEN = 599 - 8
"""Rows under the signal's own name: all but those before the hand-over was sure."""


@pytest.fixture(scope="module")
def spans():
    return played(RUNS, 60)


@pytest.fixture(scope="module")
def store(spans, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("store") / "s.sqlite3"
    with StoreWriter.open(path) as writer:
        writer.begin_session("laboratory", None, "live", "absolute", 0, 0)
        for span in spans:
            writer.offer(span)
        writer.end_session(60 * MICROSECONDS)
    return path


def volts(blocks) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    parts: list[Pieces] = list(blocks)
    return tuple(np.concatenate([getattr(part, name) for part in parts]) for name in ("first", "low", "joined"))


def check(first: np.ndarray, low: np.ndarray, joined: np.ndarray) -> None:
    assert len(first) == GIVEN
    assert (np.diff(first) > 0).all()
    seconds = first / MICROSECONDS
    assert (low[seconds < 20] == 50.0).all()
    assert (low[(seconds > 21) & (seconds < 44)] == 51.0).all()
    assert joined[1:].all()  # no hole is longer than what is bridged


def test_the_live_traces_go_on_through_it(spans) -> None:
    past = LivePast(0)
    for span in spans:
        past.take(span)
    check(*volts(past.blocks("pack_voltage")[0]))
    assert past.extremes("pack_voltage") == (50.0, 51.0)
    assert past.blocks("pack_voltage") is past.blocks("pack_voltage")


def test_the_stored_rows_are_those_of_both_sources(store: Path) -> None:
    with StoreReader.open(store) as reader:
        carriers = reader.carriers(1)
        t, values = reader.rows(carriers["pack_voltage"], ("pack_voltage",), None, None)
        known = ~np.isnan(values[:, 0])
        assert known.sum() == GIVEN
        assert (np.diff(t) >= 0).all()
        minutes = reader.minutes(carriers["pack_voltage"], "pack_voltage")
        assert (minutes.low.tolist(), minutes.high.tolist(), minutes.n.sum()) == ([50.0], [51.0], GIVEN)
        assert carriers["pack_voltage"] is carriers["pack_current"]
        assert read_series(reader.recording(1)).signals["pack_voltage"].t.shape == (GIVEN,)


def test_an_export_has_one_column_of_it_and_the_others_beside(store: Path) -> None:
    with StoreReader.open(store) as reader:
        recording = reader.recording(1)
        table = Table.of(recording.groups)
        assert table.warnings == ()
        assert table.names.count("pack_voltage") == 1
        assert {"extra_bus_pack_voltage", "extra_pack_pack_voltage"} <= set(table.names)
        column = table.names.index("pack_voltage")
        written = np.concatenate([table.rows(span)[1][:, column] for span in recording.spans()])
    assert (~np.isnan(written)).sum() == GIVEN
