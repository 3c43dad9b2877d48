"""A mark set while a stored session is replayed is kept with it, in its time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import StoreError
from telemetry.model.events import Mark, MarkChange
from telemetry.store.connection import connect_for_writing
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


def marks_of(store: Path) -> list[Mark]:
    with StoreReader.open(store) as reader:
        return [event for event in reader.events(1) if isinstance(event, Mark)]


def test_a_mark_gets_its_words_later_and_one_taken_back_stays_as_such(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(START + 2, events=(Mark(START + 1, "mark"), Mark(START + 1, "dropped", "program"))))
        writer.offer(Span(START + 5, events=(MarkChange(START + 4, START + 1, "hill"), Mark(START + 5, "mark"))))
        writer.offer(Span(START + 7, events=(MarkChange(START + 6, START + 5, "mark", taken_back=True),)))
        writer.offer(Span(START + 8, events=(MarkChange(START + 8, START + 99, "of no mark"),)))
        writer.end_session(START + 9)
    assert marks_of(store) == [
        Mark(START + 1, "hill"),
        Mark(START + 1, "dropped", "program"),
        Mark(START + 5, "mark", taken_back=True),
    ]


def test_of_two_marks_at_one_time_the_later_is_changed(store: Path, begin: Callable[..., int]) -> None:
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.end_session(START + 9)
    for change in (Mark(START + 4, "one"), Mark(START + 4, "two"), MarkChange(START + 5, START + 4, "two", True)):
        keep_mark(store, 1, change)
    assert marks_of(store) == [Mark(START + 4, "one"), Mark(START + 4, "two", taken_back=True)]


def test_marks_of_a_store_of_an_earlier_version_are_not_taken_back(store: Path) -> None:
    db = connect_for_writing(store)
    db.conn.execute("PRAGMA user_version = 6")
    db.conn.execute("ALTER TABLE mark DROP COLUMN taken_back")
    db.conn.execute(
        "INSERT INTO session (machine, started, ended, origin, time_basis) VALUES ('cart', ?, ?, 'live', 'absolute')",
        [START, START + 9],
    )
    db.conn.execute(
        "INSERT INTO mark (session, number, t, text, set_by) VALUES (1, 0, ?, 'gate', 'operator')", [START]
    )
    db.close()
    assert marks_of(store) == [Mark(START, "gate")]
