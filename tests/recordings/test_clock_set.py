"""A logger whose clock was set on the way: no row is lost, and the jump is no time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from telemetry.model.batch import MICROSECONDS, merged
from telemetry.model.events import Mark
from telemetry.recordings.clock_set import ClockSet, with_clock_set
from telemetry.recordings.foreign.column_map import Column, ColumnMap
from telemetry.recordings.foreign.mapped_table import MappedTable
from telemetry.recordings.reading import open_recording

UNSET, SET = 1_000_000_000, 1_777_622_400_000_000
"""A quarter of an hour into 1970, and 2026-05-01."""


def times(*starts: int, rows: int = 50) -> list[int]:
    """Return rows a second apart from each start on."""
    return [start + row * MICROSECONDS for start in starts for row in range(rows)]


def written(folder: Path, t: list[int]) -> Path:
    path = folder / "drive.csv"
    rows = (f"{np.datetime64(each, 'us')}Z,{50 + row / 100}" for row, each in enumerate(t))
    path.write_text("\n".join(["time,pack_voltage", *rows, ""]))
    return path


def rows_and_marks(recording, size: int):
    spans = list(recording.spans(size))
    whole = merged([batch for span in spans for batch in span.batches])
    assert np.all(np.diff([span.end for span in spans]) > 0)
    assert [span.end for span in spans] == [int(span.batches[0].t[-1]) for span in spans]
    return whole, [event for span in spans for event in span.events if isinstance(event, Mark)]


@pytest.mark.parametrize("size", [1, 7, 50, 1000])
def test_what_came_before_is_counted_up_to_the_moment_of_setting(tmp_path, size) -> None:
    recording = with_clock_set(open_recording(written(tmp_path, times(UNSET, SET))))
    whole, marks = rows_and_marks(recording, size)
    assert whole.t.tolist() == times(SET - 50 * MICROSECONDS, rows=100)
    assert whole.values[:, 0].tolist() == [50 + row / 100 for row in range(100)]
    assert recording.start == whole.t[0]
    assert [mark.t for mark in marks] == [SET]
    assert "clock was set here; it had shown 1970-01-01" in marks[0].text
    assert "the rows before it are dated back from then" in recording.warnings[-1]


def test_a_clock_set_in_two_steps_counts_once(tmp_path) -> None:
    recording = with_clock_set(open_recording(written(tmp_path, times(UNSET, 946_684_800_000_000, SET))))
    whole, marks = rows_and_marks(recording, 11)
    assert whole.t.tolist() == times(SET - 100 * MICROSECONDS, rows=150)
    assert [mark.t for mark in marks] == [SET - 50 * MICROSECONDS, SET]


@pytest.mark.parametrize("starts", [(UNSET,), (SET,), (SET, SET + 400 * 86_400 * MICROSECONDS)])
def test_a_clock_that_was_never_set_or_always_right_is_left_alone(tmp_path, starts) -> None:
    recording = open_recording(written(tmp_path, times(*starts)))
    assert with_clock_set(recording) is recording


def test_a_logger_that_starts_again_keeps_its_right_dates(tmp_path) -> None:
    """Two starts in one file, each in 1970 at first: the second setting is no other jump, and gives the day again."""
    later = SET + 86_400 * MICROSECONDS
    path = written(tmp_path, times(UNSET, SET, UNSET, later))
    table = ColumnMap(
        header=("time", "pack_voltage"),
        time=("time",),
        time_is="year first",
        columns={"pack_voltage": Column(signal="pack_voltage")},
    )
    recording = with_clock_set(MappedTable(path, table))
    assert isinstance(recording, ClockSet)
    whole, marks = rows_and_marks(recording, 13)
    t = whole.t.tolist()
    assert t[:100] == times(SET - 50 * MICROSECONDS, rows=100)
    assert t[100:150] == times(t[99], rows=50)
    assert t[150:] == times(later)
    assert [mark.t for mark in marks] == [SET]
