"""What can be read of a damaged store is saved into a new one; the damaged one stays as it is, to the byte."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import InputError, ShakedownError
from telemetry.model.events import AlarmChange, Mark
from telemetry.model.raw_bytes import RawBytes
from telemetry.store.reader import StoreReader
from telemetry.store.repair import Saved, free_name, repair
from telemetry.store.writer import StoreWriter
from tests.store.test_store_schema import OLD_FILE

START = 1_700_000_000_000_000
ROWS = 1200
GROUP = Group("pack", "pack", ("pack_voltage", "pack_current"))
CELLS = Group("pack", "cells", ("cell_01_voltage", "cell_02_voltage"))
VALUES = 2 * 2 * 2 * ROWS  # sessions, groups, signals


def alarm(t: int) -> AlarmChange:
    return AlarmChange(t, "pack-voltage-low", "pack_voltage", "warn", "raised", 40.0, 41.0, "why")


@pytest.fixture
def recorded(store: Path, begin: Callable[..., int]) -> Path:
    """Two drives of 1200 rows in two groups, with 59 marks and an alarm each."""
    with StoreWriter.open(store) as writer:
        for drive in range(2):
            begin(writer, machine=f"cart {drive}", origin="replay")  # live spans wait 60 s at most
            for second in range(0, ROWS, 20):
                t = START + 1_000_000 * np.arange(second, second + 20)
                values = np.column_stack((np.full(20, 52.0 + drive), 20.0 + np.arange(20)))
                raw = (RawBytes(START, "pack", START, START, 1, b"\0" * 13),) if second == 0 else ()
                writer.offer(
                    Span(
                        int(t[-1]),
                        (Batch(GROUP, t, values), Batch(CELLS, t, values / 16)),
                        (Mark(int(t[-1]), f"gate {second}"),) if second else (alarm(int(t[-1])),),
                    )
                )
                if raw:
                    writer.offer(Span(int(t[-1]), raw=raw))
            writer.end_session(START + ROWS * 1_000_000)
    return store


def root_page(store: Path, table: str) -> int:
    with closing(sqlite3.connect(f"{store.as_uri()}?mode=ro&immutable=1", uri=True)) as db:
        return int(db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", [table]).fetchone()[0])


def damage(store: Path, page: int) -> bytes:
    content = bytearray(store.read_bytes())
    content[(page - 1) * 4096 + (100 if page == 1 else 0) : page * 4096] = b"\x5a" * (3996 if page == 1 else 4096)
    store.write_bytes(content)
    return bytes(content)


def saved(store: Path) -> Saved:
    """Repair, and hold the result to being a sound store that holds what is told."""
    before, out = store.read_bytes(), free_name(store)
    found = repair(store, out)
    assert store.read_bytes() == before
    assert out.stat().st_mode & 0o077 == 0
    assert not [each for each in store.parent.iterdir() if each.name.startswith(".repair")]
    with closing(sqlite3.connect(out)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    with StoreReader.open(out) as reader:
        sessions = reader.sessions()
        assert len(sessions) == found.sessions
        values = events = 0
        for each in sessions:
            assert each.ended is not None
            values += sum(batch.values.size for span in reader.recording(each.id).spans() for batch in span.batches)
            events += len(reader.events(each.id))
        assert (values, events) == (found.values, found.events)
    return found


def test_a_sound_store_is_saved_whole_as_it_is(recorded: Path) -> None:
    assert saved(recorded) == Saved(sessions=2, values=VALUES, events=120, raw_blocks=2)
    with (
        StoreReader.open(recorded) as old,
        StoreReader.open(free_name(recorded).with_name("sessions-repaired.sqlite3")) as new,
    ):
        assert new.sessions() == old.sessions()
        assert repr(new.events(2)) == repr(old.events(2))  # an unknown value, NaN, is equal to nothing
        wanted, got = (each.arrays(2, ["pack_current"])["pack_current"] for each in (old, new))
        assert np.array_equal(wanted[0], got[0])
        assert np.array_equal(wanted[1], got[1])
        assert new._db.execute("SELECT count(*), sum(n) FROM minute").fetchone() == (
            old._db.execute("SELECT count(*), sum(n) FROM minute").fetchone()
        )


@pytest.mark.parametrize(
    ("table", "values", "events"),
    [
        ("group_pack", VALUES, 120),  # its rows are found in the pages below
        ("mark", VALUES, 2),  # the alarms are there
        ("session", VALUES, None),
        ("minute", VALUES, 120),  # made anew
        ("by_time_group_pack", VALUES, 120),
    ],
)
def test_a_root_that_is_damaged_loses_no_row_of_the_drive(
    table: str, values: int, events: int | None, recorded: Path
) -> None:
    damage(recorded, root_page(recorded, table))
    found = saved(recorded)
    assert found.values == values
    assert found.sessions >= 2
    if events is not None:
        assert found.events == events


def test_a_leaf_that_is_damaged_loses_its_own_rows_and_they_are_counted(recorded: Path) -> None:
    page = root_page(recorded, "group_pack") + 20
    damage(recorded, page)
    found = saved(recorded)
    assert VALUES - 2 * 300 <= found.values < VALUES or found.values == VALUES
    assert found.sessions == 2


def test_the_list_of_tables_damaged_leaves_the_rows(recorded: Path) -> None:
    damage(recorded, 1)
    found = saved(recorded)
    assert found.sessions == 2
    assert found.values == VALUES


@pytest.mark.parametrize("head", ["sound", "damaged"])
def test_a_store_of_an_earlier_version_is_brought_up_to_date(head: str, store: Path) -> None:
    with closing(sqlite3.connect(store)) as db:
        db.executescript(OLD_FILE)
    if head == "damaged":
        content = bytearray(store.read_bytes())
        content[:24] = b"\x5a" * 24
        content[40:60] = b"\x5a" * 20
        content[64:72] = b"\x5a" * 8
        store.write_bytes(content)
    assert saved(store) == Saved(sessions=2, values=5, events=1)
    with StoreReader.open(free_name(store).with_name("sessions-repaired.sqlite3")) as reader:
        assert [one.ended_how for one in reader.sessions()] == ["normal", "ended without notice"]
        assert reader.sessions()[0].start == START


@pytest.mark.parametrize(
    ("change", "values", "events", "lost"),
    [
        ("UPDATE mark SET t = 'never' WHERE id = 1", VALUES, 119, 1),
        ("UPDATE mark SET t = 4611686018427387904 WHERE id = 1", VALUES, 119, 1),  # 2^62
        ("UPDATE mark SET text = x'00' WHERE id < 4", VALUES, 117, 3),
        ("UPDATE group_pack SET t = 'late' WHERE row = 7", VALUES - 2, 120, 1),
        ("UPDATE group_pack SET series = 99 WHERE row <= 2", VALUES - 4, 120, 2),
        ("UPDATE group_pack SET series = 'pack' WHERE row = 2", VALUES - 2, 120, 1),
        ("UPDATE raw_bytes SET data = 'text' WHERE id = 1", VALUES, 120, 1),
        ("UPDATE alarm SET value = 'low' WHERE id = 1", VALUES, 119, 1),
        ("UPDATE mark SET session = 99 WHERE id <= 3", VALUES, 117, 3),
        ("UPDATE raw_bytes SET session = 99 WHERE id = 1", VALUES, 120, 1),
        ("UPDATE alarm SET value = 40, worst = NULL", VALUES, 120, 0),
    ],
)
def test_a_row_that_holds_what_no_such_row_can_is_left_out_and_counted(
    change: str, values: int, events: int, lost: int, recorded: Path
) -> None:
    with closing(sqlite3.connect(recorded)) as db, db:
        db.execute(change)
    found = saved(recorded)
    assert (found.sessions, found.values, found.events, found.lost_rows) == (2, values, events, lost)
    assert found.raw_blocks == (1 if "raw_bytes" in change else 2)


@pytest.mark.parametrize(
    "change",
    ["UPDATE series SET signals = 'pack_voltage' WHERE id = 1", "UPDATE series SET group_name = 'a b' WHERE id = 1"],
)
def test_a_series_that_names_no_signals_or_group_loses_its_rows_alone(change: str, recorded: Path) -> None:
    with closing(sqlite3.connect(recorded)) as db, db:
        db.execute(change)
    found = saved(recorded)
    assert (found.sessions, found.values, found.lost_rows) == (2, VALUES - 2 * ROWS, ROWS)


def test_rows_of_sources_whose_entries_are_lost_are_kept_under_a_session_without_a_name(recorded: Path) -> None:
    with closing(sqlite3.connect(recorded)) as db, db:
        db.execute("DELETE FROM source")
    found = saved(recorded)
    assert (found.sessions, found.values, found.unnamed) == (3, VALUES, 1)
    with StoreReader.open(free_name(recorded).with_name("sessions-repaired.sqlite3")) as reader:
        assert [one.machine for one in reader.sessions()] == ["cart 0", "cart 1", "name lost"]
        sources = {batch.group.source for span in reader.recording(3).spans() for batch in span.batches}
        assert sources == {"source 1", "source 2"}


def test_what_only_the_log_beside_the_store_holds_is_saved_too(recorded: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy" / recorded.name
    copy.parent.mkdir()
    with closing(sqlite3.connect(recorded)) as db:
        with db:
            db.execute("UPDATE mark SET text = 'late' WHERE id = 1")
        for end in ("", "-wal"):
            shutil.copyfile(f"{recorded}{end}", f"{copy}{end}")
    assert saved(copy).events == 120
    with StoreReader.open(copy.with_name("sessions-repaired.sqlite3")) as reader:
        assert next(event.text for event in reader.events(1) if isinstance(event, Mark)) == "late"


def test_rows_of_one_signal_are_found_in_the_pages_too(store: Path, begin: Callable[..., int]) -> None:
    group = Group("gauge", "gauge", ("soc_reported",))
    with StoreWriter.open(store) as writer:
        begin(writer, origin="replay")
        t = START + 1_000_000 * np.arange(ROWS)
        kept = np.arange(ROWS, dtype=float)
        kept[::7] = np.nan
        writer.offer(Span(int(t[-1]), (Batch(group, t, kept.reshape(-1, 1)),)))
        writer.end_session(START)
    damage(store, root_page(store, "group_gauge"))
    found = saved(store)
    assert (found.values, found.tables_broken) == (ROWS, 1)
    with StoreReader.open(free_name(store).with_name("sessions-repaired.sqlite3")) as reader:
        times, values = reader.arrays("last", ["soc_reported"])["soc_reported"]
    assert times.tolist() == t.tolist()
    assert np.array_equal(values, kept, equal_nan=True)


def test_entries_are_found_in_the_pages_where_the_tree_above_them_is_damaged(recorded: Path) -> None:
    names = [f"cart {number} {'of a long name ' * 10}" for number in range(100)]
    with closing(sqlite3.connect(recorded)) as db, db:
        started = "INSERT INTO session (machine, started, start, ended, ended_how, origin, time_basis)"
        db.executemany(f"{started} VALUES (?, 0, 0, 1, 'normal', 'live', 'relative')", [(name,) for name in names])
    page = root_page(recorded, "session")
    assert recorded.read_bytes()[(page - 1) * 4096] == 0x05, "an inner page of a tree of tables"
    damage(recorded, page)
    found = saved(recorded)
    assert (found.sessions, found.values, found.events, found.unnamed) == (102, VALUES, 120, 0)
    with StoreReader.open(free_name(recorded).with_name("sessions-repaired.sqlite3")) as reader:
        assert [one.machine for one in reader.sessions()] == ["cart 0", "cart 1", *names]


@pytest.mark.parametrize(
    ("change", "saved_of_it"),
    [
        ("ALTER TABLE mark RENAME COLUMN text TO word", (VALUES, 120, 0)),  # as many columns: known by their places
        ("DROP TABLE mark; CREATE TABLE mark (a); INSERT INTO mark VALUES (1)", (VALUES, 2, 1)),
        ("DROP TABLE mark", (VALUES, 2, 1)),
        ("DROP INDEX series_by_table; ALTER TABLE series DROP COLUMN group_name", (0, 120, 1)),
        ("UPDATE series SET table_name = 'mark' WHERE id = 1", (VALUES, 120, 1)),
        ('ALTER TABLE group_cells ADD COLUMN "a b"', (VALUES, 120, 1)),
    ],
)
def test_a_definition_that_is_not_ours_spoils_no_other(
    change: str, saved_of_it: tuple[int, int, int], recorded: Path
) -> None:
    with closing(sqlite3.connect(recorded)) as db, db:
        db.executescript(f"PRAGMA legacy_alter_table = ON; PRAGMA foreign_keys = OFF; {change}")
    found = saved(recorded)
    assert found.sessions == 2
    assert (found.values, found.events, found.tables_broken) == saved_of_it


@pytest.mark.parametrize("seed", range(6))
def test_flips_and_cuts_never_end_in_more_than_a_sentence(seed: int, recorded: Path) -> None:
    # 200 flips hit every page once; in 2 to 4 of 27 stores tried they hit one without which no row can be placed.
    chance, many = random.Random(seed), seed % 2 == 0
    content = bytearray(recorded.read_bytes())
    for _ in range(200 if many else 20):
        content[chance.randrange(0, len(content))] ^= 1 << chance.randrange(8)
    if seed % 3 == 0:
        content = content[: chance.randrange(len(content) // 2, len(content))]
    recorded.write_bytes(content)
    try:
        found = saved(recorded)
    except ShakedownError:
        assert many or seed % 3 == 0, "only a cut or a flip in every page can leave nothing"
        return
    assert many or found.values > (0 if seed % 3 == 0 else VALUES // 2)


def test_what_is_no_store_or_is_in_the_way_is_one_sentence(recorded: Path, tmp_path: Path) -> None:
    for wrong in (b"", b"nothing of a store\n" * 1000):
        (tmp_path / "odd").write_bytes(wrong)
        with pytest.raises(ShakedownError, match="nothing in"):
            repair(tmp_path / "odd", tmp_path / "new.sqlite3")
    with pytest.raises(InputError, match="exists"):
        repair(recorded, recorded)
    with pytest.raises(InputError, match="there is no such folder; make it first"):
        repair(recorded, tmp_path / "nowhere" / "new.sqlite3")
    with pytest.raises(InputError, match="no store at"):
        repair(tmp_path / "none", tmp_path / "new.sqlite3")


def test_the_command_says_what_was_saved(recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    damage(recorded, root_page(recorded, "mark"))
    assert main(["watch", "--demo", "--no-screen", "--silent", "--for", "1", "--store", str(recorded)]) == 3
    said = capsys.readouterr().err
    assert f"shakedown repair {recorded}" in said
    assert main(["repair", str(recorded)]) == 0
    said = capsys.readouterr().out
    assert "2 sessions" in said
    assert f"{VALUES} values" in said
    assert "sessions-repaired.sqlite3" in said
    assert main(["sessions", "--store", str(recorded.with_name("sessions-repaired.sqlite3"))]) == 0
    assert "cart 1" in capsys.readouterr().out
