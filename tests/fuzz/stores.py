"""The store: a small one with bits flipped in what it uses, or with values that the program never writes."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing

import numpy as np

from telemetry.analysis.series import read_series
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange, Loss, Mark
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

from .files import put, scratch
from .streams import BEGIN
from .target import Target, check_batches

_PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
_ODD = (
    *("''", "'\x1b[2J'", "x'ff00'", "NULL", "-1", "0", "1e999", "9223372036854775807", "-9223372036854775808", "1.5"),
    *("'{'", "'[\"pack_voltage\", 1]'", "'sqlite_master'", "'group_pack\"; --'", "zeroblob(100000)", "'live'"),
)


def store_examples() -> list[bytes]:
    """Return a store with a drive that ended and one that was left open."""
    path = scratch() / "example.sqlite3"
    group = Group("pack", "pack", ("pack_voltage", "pack_current"))
    for _ in range(2):
        with StoreWriter.open(path) as writer:
            writer.begin_session(
                machine="cart", machine_text=_PACK, origin="live", time_basis="absolute", started=BEGIN, start=BEGIN
            )
            t = BEGIN + 1_000_000 * np.arange(70)
            values = np.column_stack((np.full(70, 52.0), 20.0 + np.arange(70)))
            last = int(t[-1])
            events = (
                Mark(last, "gate"),
                Loss(last, "store", 3, "full"),
                AlarmChange(last, "pack-voltage-low", "pack_voltage", "warn", "raised", 40.0, 41.0, "why"),
            )
            writer.offer(Span(last, (Batch(group, t, values),), events))
            writer.end_session(last + 1)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("UPDATE session SET ended = NULL, ended_how = NULL WHERE id = 2")
        db.commit()
        db.execute("VACUUM")
    return [path.read_bytes()]


def changed_store(rng: random.Random, examples: list[bytes]) -> bytes:
    """Change values by SQL, or bytes that are in use, or the length."""
    data = bytearray(rng.choice(examples))
    if rng.random() < 0.5:
        return _by_sql(rng, bytes(data))
    for _ in range(rng.choice((1, 2, 8, 60))):
        page = 4096 * rng.randrange(len(data) // 4096)
        used = [at for at in range(page, page + 4096) if data[at]] or [page]
        place = used[min(int(rng.expovariate(0.02)), len(used) - 1)]  # the page's head and cell pointers most of all
        data[place] = rng.choice((data[place] ^ 1 << rng.randrange(8), 0, 0xFF, rng.randrange(256)))
    if rng.random() < 0.1:
        del data[rng.randrange(len(data)) :]
    return bytes(data)


def _by_sql(rng: random.Random, data: bytes) -> bytes:
    with closing(sqlite3.connect(":memory:")) as db:
        db.deserialize(data)
        tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        for _ in range(rng.choice((1, 1, 2, 4))):
            table = rng.choice(tables)
            columns = [row[1] for row in db.execute(f'PRAGMA table_info("{table}")')]
            if not columns:  # dropped by an earlier change
                continue
            where = rng.choice(("", "", " WHERE rowid = 1", " WHERE rowid = 2", " WHERE rowid % 2 = 0"))
            change = rng.random()
            try:
                if change < 0.8:
                    db.execute(f'UPDATE "{table}" SET "{rng.choice(columns)}" = {rng.choice(_ODD)}{where}')
                elif change < 0.9:
                    db.execute(f'DELETE FROM "{table}"{where}')
                elif change < 0.95:
                    db.execute(f'ALTER TABLE "{table}" RENAME COLUMN "{rng.choice(columns)}" TO odd')
                else:
                    db.execute(f'DROP TABLE "{table}"')
            except sqlite3.Error:
                continue  # a key, a bound of the schema, or an internal table
        db.commit()
        return db.serialize()


def store(data: bytes) -> None:
    """Read all that the store holds, then record into it."""
    path = put("sessions.sqlite3", data)
    for beside in ("-wal", "-shm", "-journal"):
        path.with_name(path.name + beside).unlink(missing_ok=True)
    with StoreReader.open(path) as reader:
        for record in reader.sessions()[:4]:
            reader.events(record.id)
            reader.arrays(record.id, ("pack_voltage", "pack_current", "soc_reported"))
            recording = reader.recording(record.id)
            for span in recording.spans(50):
                check_batches(span.batches)
            read_series(recording)
    with StoreWriter.open(path) as writer:
        writer.begin_session(
            machine="cart", machine_text=_PACK, origin="live", time_basis="absolute", started=BEGIN, start=BEGIN
        )
        writer.end_session(BEGIN + 1)


TARGETS = (Target("store", "stores", 4, store, store_examples, changed_store, may_refuse=True),)
