"""A mark set while a stored session is replayed is kept with it, in its time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import StoreError
from telemetry.model.events import Mark
from telemetry.store.later_marks import keep_mark
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000


def test_it_comes_back_in_its_time_after_those_set_live(store: Path, begin: Callable[..., int]) -> None:
    row = Batch.of_rows(Group("pack", "pack", ("pack_voltage",)), [START + 5], [[52.0]])
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(START + 9, (row,), (Mark(START + 4, "gate"), Mark(START + 9, "home"))))
        writer.end_session(START + 10)
    keep_mark(store, 1, Mark(START + 4, "stone"))
    keep_mark(store, 1, Mark(START + 6, "hill"))
    with StoreReader.open(store) as reader:
        (span,) = reader.recording("last").spans()
        assert [(event.t - START, event.text) for event in span.events if isinstance(event, Mark)] == [
            (4, "gate"),
            (4, "stone"),
            (6, "hill"),
            (9, "home"),
        ]
        assert reader.session(1).ended == START + 10


def test_it_can_be_added_to_a_session_that_is_being_recorded(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        keep_mark(store, 1, Mark(START + 1, "early"))
        writer.offer(Span(START + 2, events=(Mark(START + 2, "late"),)))
        writer.end_session(START + 3)
    with StoreReader.open(store) as reader:
        assert [event.text for event in reader.events(1) if isinstance(event, Mark)] == ["early", "late"]


def test_a_store_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    folder = tmp_path / "sessions.sqlite3"
    folder.mkdir()
    with pytest.raises(StoreError, match="is a folder, not a store"):
        keep_mark(folder, 1, Mark(START, "gate"))
