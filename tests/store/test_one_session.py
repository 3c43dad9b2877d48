"""One session taken out of a store, or put into a new one, with all that belongs to it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Mark
from telemetry.store.ledger import Ledger, LedgerEntry
from telemetry.store.one_session import all_batches, write_one_session
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000
MEASURED = Group("pack", "pack", ("pack_voltage", "pack_current"))
DERIVED = Group("derived", "power", ("pack_power",), "derived")


def test_it_is_the_same_in_its_new_store(store: Path, tmp_path: Path, begin: Callable[..., int]) -> None:
    t = START + 1_000_000 * np.arange(200)
    with StoreWriter.open(store) as writer:
        begin(writer)
        writer.end_session(START)
        number = begin(writer, machine_text="[pack]", replayed_from="a.csv", origin="replay")
        batches = (Batch(MEASURED, t, np.column_stack((t * 0.5, t * 0.25))), Batch(DERIVED, t, t[:, None] * 2.0))
        writer.offer(Span(int(t[-1]), batches, (Mark(int(t[-1]), "gate"),)))
        writer.end_session(START + 250_000_000)
    new = tmp_path / "new.sqlite3"
    entry = LedgerEntry(START, "wheels up", 1.0, "", "answer")
    with StoreReader.open(store) as reader:
        record = reader.session(number)
        spans = [Span(int(batch.t[-1]), (batch,)) for batch in all_batches(reader, number)]
        assert {span.batches[0].group for span in spans} == {MEASURED, DERIVED}
        spans.append(Span(int(t[-1]), events=tuple(reader.events(number))))
        write_one_session(new, record, {"pack": "serial-text"}, spans, [entry])
        with StoreReader.open(new) as copy:
            assert copy.sessions() == [replace(record, id=1)]
            assert copy.events(1) == reader.events(number)
            for signal in ("pack_voltage", "pack_power"):
                wanted, found = (
                    each.arrays(which, [signal])[signal] for each, which in ((reader, number), (copy, 1))
                )
                assert np.array_equal(wanted[0], found[0])
                assert np.array_equal(wanted[1], found[1])
            counted = "SELECT count(*), sum(n), min(low), max(high) FROM minute"
            assert copy._db.execute(counted).fetchone() == reader._db.execute(counted).fetchone()
            assert copy._db.execute("SELECT name, driver FROM source ORDER BY name").fetchall() == [
                ("derived", None),
                ("pack", "serial-text"),
            ]
    with Ledger.open(new) as ledger:
        assert ledger.entries(1) == [entry]


def test_one_that_was_never_ended_has_no_end_to_say_and_no_log_is_left(
    store: Path, tmp_path: Path, begin: Callable[..., int]
) -> None:
    new = tmp_path / "new.sqlite3"
    with StoreWriter.open(store) as writer:
        begin(writer)
        with StoreReader.open(store) as reader:
            write_one_session(new, reader.session(1), {}, [])
        writer.end_session(START)
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("new")] == ["new.sqlite3"]
    with closing(sqlite3.connect(new)) as db:
        assert db.execute("SELECT started, ended, ended_how FROM session").fetchall() == [(START, START, None)]
