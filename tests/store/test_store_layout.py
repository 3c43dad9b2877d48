from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from sqlite_utils import Database

from telemetry.model.batch import Batch, Group, Span
from telemetry.store.connection import connect_for_writing
from telemetry.store.layout import MAX_SIGNALS, columns, drop_unused, table_for, widen
from telemetry.store.reader import StoreReader
from telemetry.store.schema import transaction
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000


@pytest.fixture
def db(store: Path) -> Iterator[Database]:
    db = connect_for_writing(store)
    yield db
    db.close()


def names(*numbers: int) -> tuple[str, ...]:
    return tuple(f"extra_{number}" for number in numbers)


def test_the_same_or_nearly_the_same_columns_share_a_table(db: Database) -> None:
    assert table_for(db, "pack", names(1, 2, 3)) == "group_pack"
    assert table_for(db, "pack", names(3, 1, 2)) == "group_pack"
    assert table_for(db, "pack", names(1, 2, 3, 4)) == "group_pack"
    assert columns(db, "group_pack") == [*names(1, 2, 3, 4)]


def test_wholly_different_columns_do_not_pile_up_in_one_table(db: Database) -> None:
    for number in range(20):
        table_for(db, "recording", names(*range(number * 10, number * 10 + 10)))
    widths = [len(columns(db, row["table_name"])) for row in db.query("SELECT table_name FROM layout")]
    assert widths == [10] * 20


def test_a_few_columns_do_not_move_into_a_wide_table(db: Database) -> None:
    wide = table_for(db, "pack", names(*range(40)))
    assert table_for(db, "pack", names(1, 2)) != wide


def test_a_group_named_like_a_numbered_table_gets_its_own(db: Database) -> None:
    first = table_for(db, "pack_2", names(1))
    tables = {
        first,
        table_for(db, "pack", names(1)),
        table_for(db, "pack", names(2)),
        table_for(db, "pack_2", names(1)),
    }
    assert len(tables) == 3
    assert len({row["group_name"] for row in db.query("SELECT group_name FROM layout")}) == 2


def test_no_table_grows_beyond_what_sqlite_takes(db: Database) -> None:
    table = table_for(db, "pack", names(*range(1200)))
    assert table_for(db, "pack", names(*range(100, 2080))) != table
    assert widen(db, table, names(*range(2000))) is False
    assert len(columns(db, table)) == 1200 <= MAX_SIGNALS


def test_very_many_tables_still_have_one_narrow_view(db: Database) -> None:
    # More arms than one SELECT may have: 500, https://www.sqlite.org/limits.html
    with transaction(db):
        for number in range(510):
            table = table_for(db, f"g{number}", ("pack_voltage",))
            if number % 100 == 0:
                db.execute(f"INSERT INTO {table} (series, t, pack_voltage) VALUES (1, ?, 2.5)", [number])
    assert [tuple(row.values()) for row in db.query("SELECT * FROM narrow ORDER BY t")] == [
        (1, t, "pack_voltage", 2.5) for t in range(0, 510, 100)
    ]


def test_a_running_group_whose_table_is_full_goes_on_in_another(store: Path, begin: Callable[..., int]) -> None:
    # The first session takes most columns of the table, the second shares it and then widens past its end.
    shared = Group("pack", "wide", names(*range(1500)))
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.offer(Span(START, (Batch(shared, np.array([START]), np.zeros((1, 1500))),)))
        writer.end_session(START)
        begin(writer)
        narrow = Group("pack", "wide", names(*range(800)))
        wide = narrow.widened(names(*range(3000, 4100)))
        one = Batch(narrow, START + np.array([1, 70_000_000]), np.full((2, 800), 1.0))
        two = Batch(wide, START + np.array([70_000_000, 80_000_000]), np.full((2, 1900), 2.0))
        for batch in (one, two):
            writer.offer(Span(int(batch.t[-1]), (batch,)))
            writer.flush()
        writer.end_session(START + 80_000_000)
    with StoreReader.open(store) as reader:
        assert len({row["table_name"] for row in reader._db.query("SELECT table_name FROM series")}) == 2
        recording = reader.recording("last")
        (span,) = recording.spans()
    assert recording.groups == (wide,)
    assert span.batches[0].t.tolist() == [*one.t, *two.t]
    assert np.array_equal(span.batches[0].values[:2], one.as_wide_as(wide).values, equal_nan=True)
    assert np.array_equal(span.batches[0].values[2:], two.values)


def test_deleting_a_session_takes_its_rows_and_leaves_the_others(store: Path, begin: Callable[..., int]) -> None:
    group = Group("pack", "pack", ("pack_voltage",))
    alone = Group("gauge", "gauge", ("soc_reported",))
    with StoreWriter.open(store) as writer:
        for batches in ((group, alone), (group,)):
            begin(writer)
            made = tuple(Batch.of_rows(g, [START, START + 70_000_000], [[1.0], [2.0]]) for g in batches)
            writer.offer(Span(START + 70_000_000, made))
            writer.end_session(START)
        writer.delete_session(1)
        writer.delete_session(1)
        third = begin(writer)
        writer.end_session(START)
    assert third == 3, "a number is never used twice"
    with StoreReader.open(store) as reader:
        assert [record.id for record in reader.sessions()] == [2, 3]
        assert len(reader.arrays(2, ["pack_voltage"])["pack_voltage"][0]) == 2
        tables = reader._db.table_names()
        assert "group_pack" in tables
        assert "group_gauge" not in tables
        assert reader._db.execute("SELECT count(*) FROM narrow").fetchone() == (2,)
        assert reader._db.execute("SELECT DISTINCT series FROM minute").fetchall() == [(3,)]
        assert reader._db.execute("PRAGMA foreign_key_check").fetchall() == []


def test_where_the_last_table_goes_its_views_go_with_it(db: Database) -> None:
    with transaction(db):
        table_for(db, "pack", names(1))
        drop_unused(db)
    assert db.view_names() == []
    assert not [name for name in db.table_names() if name.startswith("group_")]
