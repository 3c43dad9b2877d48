"""Records read from the pages themselves are what SQLite, which wrote them, says they are."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from telemetry.store.leaf_pages import leaf_records
from telemetry.store.readable_rows import ReadableRows

PAGE = 4096
# The sizes at which a whole number takes another form: https://www.sqlite.org/fileformat2.html, section 2.1.
EDGES = [sign * 2**bits + more for bits in (0, 7, 15, 23, 31, 47, 62) for sign in (1, -1) for more in (-1, 0, 1)]
EDGES += [2**63 - 1, -(2**63)]
whole = st.sampled_from(EDGES) | st.integers(-(2**63), 2**63 - 1)
field = st.none() | whole | st.floats(allow_nan=False) | st.text(max_size=30) | st.binary(max_size=30)


def made(path: Path, rows: Sequence[tuple[int, Sequence[Any]]], columns: int) -> None:
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for setting in ("synchronous", "journal_mode"):
            db.execute(f"PRAGMA {setting} = OFF")
        db.execute(f"PRAGMA page_size = {PAGE}")
        db.execute(f"CREATE TABLE kept (number INTEGER PRIMARY KEY, {', '.join(f'c{i}' for i in range(columns))})")
        marks = ", ".join("?" * (columns + 1))
        db.execute("BEGIN")
        db.executemany(f"INSERT OR REPLACE INTO kept VALUES ({marks})", [(number, *row) for number, row in rows])
        db.execute("COMMIT")


def records(path: Path) -> dict[int, list[Any]]:
    found = list(leaf_records(path, PAGE))
    assert all(fields[0] is None for _, fields in found), "SQLite keeps the row's number elsewhere"
    return {row: fields[1:] for row, fields in found}


def typed(fields: Sequence[Any]) -> list[tuple[type, Any]]:
    return [(type(each), each) for each in fields]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])  # each example makes the file anew
@given(rows=st.lists(st.tuples(whole, st.tuples(field, field, field)), max_size=60))
def test_every_row_comes_back_whatever_it_holds(rows: list[tuple[int, tuple[Any, ...]]], tmp_path: Path) -> None:
    path = tmp_path / "some.sqlite3"
    made(path, rows, 3)
    found = {number: typed(fields) for number, fields in records(path).items()}
    with closing(sqlite3.connect(path)) as db:
        assert found == {number: typed(fields) for number, *fields in db.execute("SELECT * FROM kept")}


def test_a_record_that_goes_on_in_another_page_is_left_out_and_the_longest_that_does_not_is_there(
    tmp_path: Path,
) -> None:
    # A record of up to (page size - 35) bytes stays whole: the same page, section 1.6. Its head takes 4 here.
    longest = b"x" * (PAGE - 35 - 4)
    made(tmp_path / "long.sqlite3", [(1, (longest,))], 1)
    assert records(tmp_path / "long.sqlite3") == {1: [longest]}
    made(tmp_path / "longer.sqlite3", [(1, (longest + b"x",)), (2, (b"short",))], 1)
    assert records(tmp_path / "longer.sqlite3") == {2: [b"short"]}


@pytest.mark.parametrize(
    ("head", "body", "fields"),
    [
        (b"\x00\x01", b"\x07", [None, 7]),
        (b"\x00\x0f", b"a", [None, "a"]),
        (b"\x00\x0a", b"", None),  # 10 and 11 are reserved
        (b"\x00\x0b", b"", None),
        (b"\x00\x02", b"\x07", None),  # cut short
        (b"\x00\x10", b"ab", [None, b"ab"]),
        (b"\x00\x12", b"ab", None),
        (b"\x00\x01", b"\x07\x07", None),  # something behind the last field
    ],
)
def test_a_record_whose_head_does_not_fit_it_is_none(
    head: bytes, body: bytes, fields: list[Any] | None, tmp_path: Path
) -> None:
    record = bytes([1 + len(head)]) + head + body
    cell = bytes([len(record), 5]) + record
    page = b"\x0d\x00\x00\x00\x01\x00\x00\x00" + (PAGE - len(cell)).to_bytes(2, "big")
    path = tmp_path / "page"
    path.write_bytes(page.ljust(PAGE - len(cell), b"\0") + cell)
    assert list(leaf_records(path, PAGE)) == ([] if fields is None else [(5, fields)])


def test_a_page_of_noise_or_cut_short_gives_what_can_be_told(tmp_path: Path) -> None:
    path = tmp_path / "some.sqlite3"
    made(path, [(number, (float(number),)) for number in range(2000)], 1)
    content = path.read_bytes()
    whole_count = len(records(path))
    assert whole_count == 2000
    path.write_bytes(content[:-100])
    assert 1500 < len(records(path)) < 2000, "the last page is no page"
    for noise in (b"\x0d" * PAGE, b"\x0d\0\0\xff\xff" + b"\xff" * (PAGE - 5), b"\x0d" + b"\0\0\0\x10" * (PAGE // 4)):
        path.write_bytes(content + noise[:PAGE])
        assert len(records(path)) >= 2000


def test_rows_behind_a_damaged_page_are_read_and_those_on_it_counted(tmp_path: Path) -> None:
    path = tmp_path / "some.sqlite3"
    made(path, [(number, ("x" * 50,)) for number in range(1, 3001)], 1)
    with closing(sqlite3.connect(path)) as db:
        pages = db.execute("PRAGMA page_count").fetchone()[0]
    content = bytearray(path.read_bytes())
    for page in (pages // 3, 2 * pages // 3):
        content[page * PAGE : (page + 1) * PAGE] = b"\x5a" * PAGE
    path.write_bytes(content)
    with closing(sqlite3.connect(path)) as db:
        rows = ReadableRows(db, "kept", ["c0"])
        found = [row for row, _ in rows]
    assert rows.broken
    assert found == sorted(set(found))
    assert len(found) + rows.lost == 3000
    assert 80 < rows.lost < 200, "two pages of about 65 rows"
    assert found[-1] == 3000


def test_a_sound_table_is_read_whole_and_one_that_is_not_there_is_broken(tmp_path: Path) -> None:
    path = tmp_path / "some.sqlite3"
    made(path, [(number, (number,)) for number in (3, 8, 9)], 1)
    with closing(sqlite3.connect(path)) as db:
        rows = ReadableRows(db, "kept", [])
        assert list(rows) == [(3, 3, 3), (8, 8, 8), (9, 9, 9)]
        assert (rows.lost, rows.broken) == (0, False)
        none = ReadableRows(db, "nothing", ["c0"])
        assert list(none) == []
        assert (none.lost, none.broken) == (0, True)
