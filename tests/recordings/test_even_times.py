"""Rows that share a written time: parted evenly, however the file is cut; a pause and one instant in rows stay."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.recordings.foreign.even_times import EvenTimes
from telemetry.recordings.foreign.mapped_table import MappedTable
from telemetry.recordings.foreign.propose import proposed

SECOND = 1_000_000


def evened(t: np.ndarray, values: np.ndarray, cuts: list[int] | None = None) -> np.ndarray:
    even = EvenTimes()
    pieces = np.split(np.arange(len(t)), cuts or [])
    found = [even.take(t[each], values[each])[0] for each in pieces]
    return np.concatenate([*found, even.take(t[:0], values[:0], is_last=True)[0]])


@pytest.mark.parametrize(("clock_s", "every_s"), [(60, 1.0), (1, 0.1), (1, 0.25), (60, 7.5)])
@pytest.mark.parametrize("began_s", [0.0, 0.4, 37.0])
def test_rows_come_back_to_within_a_row_of_where_they_were(clock_s: int, every_s: float, began_s: float) -> None:
    true = np.rint((began_s + np.arange(600) * every_s) * SECOND).astype(np.int64)
    written = true // (clock_s * SECOND) * clock_s * SECOND
    found = evened(written, np.ones((600, 1)))
    assert np.abs(found - true).max() <= every_s * SECOND + 1
    assert (np.diff(found) > 0).all()


def test_a_pause_stays_a_pause_and_a_lone_row_where_it_is() -> None:
    t = np.repeat([0, 1, 2, 100, 101], [4, 4, 4, 4, 1]) * SECOND
    found = evened(t, np.ones((len(t), 1)))
    assert found[11] == 2.75 * SECOND
    assert found[12] == 100 * SECOND
    assert found[-1] == 101 * SECOND


def test_a_clock_that_tells_most_rows_is_believed() -> None:
    t = np.sort(np.concatenate([np.arange(30), [7, 7, 19]])) * SECOND
    assert (evened(t, np.ones((33, 1))) == t).all()


def test_one_instant_in_several_rows_stays_one() -> None:
    t = np.repeat(np.arange(20), 2) * SECOND
    values = np.where(np.arange(40)[:, None] % 2 == np.arange(2), 1.0, np.nan)
    assert (evened(t, values) == t).all()


@given(st.lists(st.integers(0, 3), min_size=8, max_size=60), st.lists(st.integers(0, 60), max_size=4))
def test_order_stays_and_no_row_passes_the_next_written_time(steps: list[int], cuts: list[int]) -> None:
    t = np.cumsum(steps) * SECOND
    found = evened(t, np.ones((len(t), 1)), sorted(min(cut, len(t)) for cut in cuts))
    assert len(found) == len(t)
    assert (np.diff(found) >= 0).all()
    assert (found >= t).all()
    assert (found < t + SECOND).all() or len(set(t.tolist())) == 1 or max(np.diff(np.unique(t))) > SECOND


def test_a_table_of_whole_minutes_gives_the_charge_that_flowed(tmp_path: Path) -> None:
    path = tmp_path / "minutes.csv"
    rows = [f"06.05.26 14:{place // 60:02d};{52.0 - place % 7 / 10:.1f};{20 + place % 7}" for place in range(1200)]
    path.write_text(
        "\n".join(["Zeit;Spannung (V);Strom (A)", *rows]).replace(".", ",").replace("06,05,26", "06.05.26")
    )
    table = MappedTable(path, proposed(path).column_map)
    t = np.concatenate([batch.t for span in table.spans() for batch in span.batches])
    assert (np.diff(t) == SECOND).all()
    assert "1180 rows with the same time as the row before, spread evenly" in " ".join(table.warnings)
