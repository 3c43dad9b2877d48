"""What a session writes: its own row, sources and series, rows, minutes and events.

Everything here runs within a transaction of the caller's. What a running session remembers is never changed but
replaced, so that after a failed transaction the state before it still holds.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from telemetry.model.batch import Batch, Group, Span, merged
from telemetry.model.events import Loss
from telemetry.model.recording import TimeBasis
from telemetry.store.event_tables import insert_events, last_event_time, next_number
from telemetry.store.kept_raw import insert_raw
from telemetry.store.layout import check_names, drop_unused, quoted, table_for, widen
from telemetry.store.minutes import MINUTE, MinuteRow, closed_minutes, minute_rows
from telemetry.store.rows import RowInsert, StoredSeries, read_rows
from telemetry.store.session_lock import Unsaved

if TYPE_CHECKING:
    from sqlite_utils import Database

Origin = Literal["live", "replay", "import", "bench"]
EndedHow = Literal["normal", "ended without notice"]


@dataclass(frozen=True)
class OpenSeries:
    """A series being written: where its rows go, and those of the minute not closed yet."""

    stored: StoredSeries
    insert: RowInsert
    open_rows: tuple[Batch, ...] = ()


@dataclass(frozen=True)
class RunningSession:
    """What a session that is being written remembers between transactions."""

    id: int
    drivers: Mapping[str, str]
    sources: Mapping[str, int] = field(default_factory=dict)
    series: Mapping[tuple[str, str], OpenSeries] = field(default_factory=dict)
    next_event: int = 0


@dataclass(frozen=True)
class SessionStart:
    """What is known of a session as it begins; see :meth:`telemetry.store.writer.StoreWriter.begin_session`."""

    machine: str
    machine_text: str | None
    origin: Origin
    time_basis: TimeBasis
    started: int
    start: int
    replayed_from: str | None
    drivers: Mapping[str, str]


def insert_session(db: Database, new: SessionStart, number: int | None = None) -> RunningSession:
    """Write the session's own row, under the next number where none is given."""
    digest = None if new.machine_text is None else hashlib.sha256(new.machine_text.encode()).hexdigest()
    cursor = db.execute(
        "INSERT INTO session (id, machine, machine_text, digest, origin, time_basis, started, start, replayed_from)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            number,
            new.machine,
            new.machine_text,
            digest,
            new.origin,
            new.time_basis,
            int(new.started),
            int(new.start),
            new.replayed_from,
        ],
    )
    assert cursor.lastrowid is not None
    return RunningSession(cursor.lastrowid, dict(new.drivers))


def insert_spans(db: Database, session: RunningSession, spans: Sequence[Span]) -> RunningSession:
    """Write all that ``spans`` hold; return what the session then remembers."""
    by_group: dict[tuple[str, str], list[Batch]] = {}
    for span in spans:
        for batch in span.batches:
            if len(batch):
                by_group.setdefault(batch.group.key, []).append(batch)
    for batches in by_group.values():
        session = _insert_batch(db, session, merged(batches))
    number = session.next_event
    for span in spans:
        number = insert_events(db, session.id, number, span.events)
        insert_raw(db, session.id, session.drivers, span.raw)
    return replace(session, next_event=number)


def close_session(db: Database, session: RunningSession, ended: int, unsaved: Unsaved | None = None) -> None:
    """Write the open minutes, what was lost, and the session's end."""
    for series in session.series.values():
        _insert_minutes(db, series.stored.id, minute_rows(series.open_rows))
    if unsaved is not None:
        _count_losses(db, session.id, unsaved)
    _set_ended(db, session.id, ended, "normal")


def close_left_open(db: Database, session: int, unsaved: Unsaved | None) -> None:
    """Close a session whose program ended without notice, at its last row or event, unless it is closed."""
    found = list(db.query("SELECT started, start FROM session WHERE id = ? AND ended IS NULL", [session]))
    if not found:
        return
    started, start = int(found[0]["started"]), int(found[0]["start"])
    last = last_time(db, session)
    for series in stored_series(db, session):
        rebuild_minutes(db, series)
    if unsaved is not None:
        _count_losses(db, session, unsaved)
    _set_ended(db, session, started + max(0, (last if last is not None else start) - start), "ended without notice")


def delete_rows_of(db: Database, session: int) -> None:
    """Remove a session and everything that belongs to it; tables that nothing uses any more go as well."""
    for series in stored_series(db, session):
        db.execute(f"DELETE FROM {quoted(series.table)} WHERE series = ?", [series.id])  # noqa: S608
    db.execute("DELETE FROM session WHERE id = ?", [session])  # all else goes with it, by its foreign keys
    drop_unused(db)


def stored_series(db: Database, session: int) -> list[StoredSeries]:
    """Return the series of ``session`` in the order in which they began.

    Raises:
        ValueError: a name that this program never writes.

    """
    rows = db.query(
        "SELECT series.id, source.name, group_name, table_name, origin, signals FROM series"
        " JOIN source ON source.id = series.source WHERE source.session = ? ORDER BY series.id",
        [session],
    )
    found = []
    for row in rows:
        group = Group(row["name"], row["group_name"], tuple(json.loads(row["signals"])), row["origin"])
        check_names(group.name, group.signals)
        found.append(StoredSeries(row["id"], row["table_name"], group))
    return found


def last_time(db: Database, session: int) -> int | None:
    """Return the time of the last row or event of ``session``, None where it has neither."""
    times = [last_event_time(db, session)]
    times += [
        db.execute(f"SELECT max(t) FROM {quoted(series.table)} WHERE series = ?", [series.id]).fetchone()[0]  # noqa: S608
        for series in stored_series(db, session)
    ]
    return max((t for t in times if t is not None), default=None)


def _insert_batch(db: Database, session: RunningSession, batch: Batch) -> RunningSession:
    session, series = _series_for(db, session, batch.group)
    batch = batch.as_wide_as(series.stored.group)
    series.insert.run(db.conn, series.stored.id, batch)
    closed, open_rows = closed_minutes(series.open_rows, batch)
    if closed:
        _insert_minutes(db, series.stored.id, closed)
    series = replace(series, open_rows=open_rows)
    return replace(session, series={**session.series, batch.group.key: series})


def _series_for(db: Database, session: RunningSession, group: Group) -> tuple[RunningSession, OpenSeries]:
    """Return the series that rows of ``group`` go to, begun or widened where necessary."""
    series = session.series.get(group.key)
    if series is None:
        session, source = _source(db, session, group.source)
        return session, _begin_series(db, source, group)
    wide = series.stored.group.widened(group.signals)
    if wide is series.stored.group:
        return session, series
    if not widen(db, series.stored.table, wide.signals):
        # Its table is full of other sessions' columns: it goes on as a second series of the same group.
        _insert_minutes(db, series.stored.id, minute_rows(series.open_rows))
        return session, _begin_series(db, session.sources[group.source], wide)
    db.execute("UPDATE series SET signals = ? WHERE id = ?", [json.dumps(wide.signals), series.stored.id])
    stored = replace(series.stored, group=wide)
    return session, OpenSeries(stored, RowInsert(stored.table, wide.signals), series.open_rows)


def _begin_series(db: Database, source: int, group: Group) -> OpenSeries:
    table = table_for(db, group.name, group.signals)
    cursor = db.execute(
        "INSERT INTO series (source, group_name, table_name, origin, signals) VALUES (?, ?, ?, ?, ?)",
        [source, group.name, table, group.origin, json.dumps(group.signals)],
    )
    assert cursor.lastrowid is not None
    return OpenSeries(StoredSeries(cursor.lastrowid, table, group), RowInsert(table, group.signals))


def _source(db: Database, session: RunningSession, name: str) -> tuple[RunningSession, int]:
    if name in session.sources:
        return session, session.sources[name]
    cursor = db.execute(
        "INSERT INTO source (session, name, driver) VALUES (?, ?, ?)", [session.id, name, session.drivers.get(name)]
    )
    assert cursor.lastrowid is not None
    return replace(session, sources={**session.sources, name: cursor.lastrowid}), cursor.lastrowid


def _insert_minutes(db: Database, series: int, rows: Iterable[MinuteRow]) -> None:
    # A minute comes twice only where rows arrive behind their time or a group goes on in another series.
    db.conn.executemany(
        "INSERT INTO minute (series, signal, minute, low, mean, high, n) VALUES (?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT DO UPDATE SET low = min(low, excluded.low), high = max(high, excluded.high),"
        " mean = (mean * n + excluded.mean * excluded.n) / (n + excluded.n), n = n + excluded.n",
        [(series, *row) for row in rows],
    )


def rebuild_minutes(db: Database, series: StoredSeries) -> None:
    """Write the minutes after the last one written: closed minutes were committed together with their rows."""
    last = db.execute("SELECT max(minute) FROM minute WHERE series = ?", [series.id]).fetchone()[0]
    since = None if last is None else (int(last) + 1) * MINUTE
    open_rows: tuple[Batch, ...] = ()
    for t, values in read_rows(db.conn, series, series.group.signals, since):
        closed, open_rows = closed_minutes(open_rows, Batch(series.group, t, values))
        _insert_minutes(db, series.id, closed)
    _insert_minutes(db, series.id, minute_rows(open_rows))


def _count_losses(db: Database, session: int, unsaved: Unsaved) -> None:
    """Write a loss for what is not saved and no loss of the session counts yet: the last ones had no turn."""
    counted = db.execute("SELECT coalesce(sum(lost_values), 0) FROM loss WHERE session = ?", [session]).fetchone()[0]
    if unsaved.values > counted:
        loss = Loss(unsaved.t, "store", unsaved.values - counted, unsaved.why)
        insert_events(db, session, next_number(db, session), [loss])


def _set_ended(db: Database, session: int, ended: int, how: EndedHow) -> None:
    db.execute("UPDATE session SET ended = ?, ended_how = ? WHERE id = ?", [int(ended), how, session])
