"""Reading the store: what sessions there are, and what is in each."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from telemetry.model.batch import Group, Times, Values, in_turn
from telemetry.model.capture import CapturedPiece
from telemetry.model.errors import InputError
from telemetry.model.events import Event
from telemetry.model.raw_bytes import RawMissing, unpacked
from telemetry.model.recording import TimeBasis
from telemetry.store.connection import connect_for_reading
from telemetry.store.event_tables import read_events
from telemetry.store.field_check import checked
from telemetry.store.kept_raw import RawLink, raw_links, raw_missing, read_raw
from telemetry.store.recovery import recover_if_possible, unclosed
from telemetry.store.rows import StoredSeries
from telemetry.store.session_rows import EndedHow, Origin, last_time, stored_series
from telemetry.store.stored_recording import StoredRecording, by_group, read_group
from telemetry.store.trouble import file_text, reading

if TYPE_CHECKING:
    from sqlite_utils import Database


# The minutes hold known values only; those of a session that is being recorded are not all written yet.
_LATEST = """
    SELECT max(session.id) FROM session
    JOIN source ON source.session = session.id
    JOIN series ON series.source = source.id AND series.origin = 'measured'
    WHERE session.origin <> 'bench'
        AND (session.ended IS NULL OR EXISTS (SELECT 1 FROM minute WHERE minute.series = series.id))
"""
_SESSIONS = """
    SELECT session.*, coalesce(label.name, '') AS name, coalesce(label.note, '') AS note
    FROM session LEFT JOIN label ON label.session = session.id
"""
_LOST = "SELECT coalesce(sum(lost_values), 0) FROM loss WHERE session = ?"
_MARKS = "SELECT count(*) FROM mark WHERE session = ? AND set_by = 'operator' AND NOT taken_back"
_MARK_TEXTS = "SELECT session, text FROM mark WHERE set_by = 'operator' AND NOT taken_back ORDER BY session, t"
_STAMP = """
    SELECT (SELECT count(*) || ' ' || coalesce(max(id), 0) || ' ' || count(ended) FROM session),
        (SELECT count(*) || ' ' || total(length(name) * 1000 + length(note)) FROM label),
        (SELECT count(*) || ' ' || total(length(text) * 1000 + taken_back) FROM mark)
"""


@dataclass(frozen=True, slots=True)
class SessionRecord:
    """What is known of a session without reading its rows.

    Attributes:
        id: its number.
        machine: what the machine is called.
        machine_text: the machine file that was in force.
        digest: SHA-256 of ``machine_text``, in hexadecimal.
        origin: ``live``, ``replay``, ``import``, or ``bench`` for what was done without a drive: a part tried with
            the wheels up, or readings entered by hand, which have no rows.
        time_basis: of the rows' times.
        started: int microseconds since the epoch.
        start: where the rows' times count from.
        ended: by the clock of ``started``; None while it is being recorded.
        ended_how: ``normal``, or ``ended without notice`` where the program was killed; None while it is recorded.
        replayed_from: name of what was replayed or imported.
        last: time of its last row or event, by the rows' clock; None where it has neither.
        values_lost: how many values were measured and could not be recorded.
        marks: how many the operator set and did not take back.
        name, note: what the owner calls it and notes about it; empty where nothing.

    """

    id: int
    machine: str
    machine_text: str | None
    digest: str | None
    origin: Origin
    time_basis: TimeBasis
    started: int
    start: int
    ended: int | None
    ended_how: EndedHow | None
    replayed_from: str | None
    last: int | None
    values_lost: int
    marks: int
    name: str = ""
    note: str = ""

    @property
    def duration_s(self) -> float:
        """Seconds from start to end; up to the last row or event while it is being recorded."""
        if self.ended is not None:
            return (self.ended - self.started) / 1e6
        return 0.0 if self.last is None else max(0, self.last - self.start) / 1e6


class MinuteColumns(NamedTuple):
    """Minutes of one signal: number (microseconds // 60 000 000), lowest, highest, how many values."""

    minute: Times
    low: Values
    high: Values
    n: Times


class StoreReader:
    """Reads the store at ``path`` over a connection that cannot write; made by :meth:`open`.

    Every reading method raises :class:`~telemetry.model.errors.StoreError` where the file cannot be read.
    """

    def __init__(self, path: Path, db: Database) -> None:
        self.path = path
        self._db = db

    @classmethod
    def open(cls, path: Path) -> StoreReader:
        """Open the store; sessions that a killed program left open are closed first, where it can be written.

        Raises:
            StoreError: no such file, not a database, another program's, or newer than this program.

        """
        with reading(path):
            db = connect_for_reading(path)
        try:
            with reading(path):
                if unclosed(db):
                    recover_if_possible(path)
        except BaseException:
            db.close()
            raise
        return cls(path, db)

    def close(self) -> None:
        """Close the connection; safe twice."""
        self._db.close()

    def __enter__(self) -> StoreReader:
        return self

    def __exit__(self, *_failure: object) -> None:
        self.close()

    def sessions(self) -> list[SessionRecord]:
        """Return all sessions, oldest first."""
        with reading(self.path):
            return [self._record(row) for row in list(self._db.query(f"{_SESSIONS} ORDER BY id"))]

    def session(self, which: int | Literal["last"]) -> SessionRecord:
        """Return the session of that number, or the latest drive or charge that holds values: none of the bench.

        Raises:
            InputError: there is none such.

        """
        with reading(self.path):
            wanted = self._db.execute(_LATEST).fetchone()[0] if which == "last" else which
            rows = list(self._db.query(f"{_SESSIONS} WHERE id = ?", [wanted]))
            if rows:
                return self._record(rows[0])
            highest = self._db.execute("SELECT max(id) FROM session").fetchone()[0]
        if highest is None:
            raise InputError(f"the store {file_text(self.path)} holds no session yet; record one first")
        if which == "last":
            raise InputError(f"the store {file_text(self.path)} holds no drive with values yet; record one")
        raise InputError(f"there is no session {which} in the store {file_text(self.path)}; the latest is {highest}")

    def stamp(self) -> tuple[object, ...]:
        """Return what differs once the list of sessions, their labels or their marks have changed."""
        with reading(self.path):
            return tuple(self._db.execute(_STAMP).fetchone())

    def mark_texts(self) -> dict[int, list[str]]:
        """Return the words of the operator's marks, by session; none of those taken back."""
        found: dict[int, list[str]] = {}
        with reading(self.path):
            for session, text in self._db.execute(_MARK_TEXTS).fetchall():
                found.setdefault(int(session), []).append(str(text))
        return found

    def recording(self, session: int | Literal["last"]) -> StoredRecording:
        """Return the session as a :class:`~telemetry.model.recording.Recording`."""
        record = self.session(session)
        with reading(self.path):
            series = stored_series(self._db, record.id)
        return StoredRecording(
            self.path,
            record.id,
            record.time_basis,
            record.start,
            record.machine_text,
            series,
            _warnings(record),
            record.start + round(record.duration_s * 1e6),
        )

    def events(self, session: int | Literal["last"]) -> list[Event]:
        """Return all its events, inputs and findings, by time; at equal times in the order in which they came."""
        record = self.session(session)
        with reading(self.path):
            return read_events(self._db, record.id)

    def raw_links(self, session: int | Literal["last"]) -> tuple[list[RawLink], list[RawMissing]]:
        """Return what raw bytes are kept of each link around each high alarm, and what could not be kept."""
        record = self.session(session)
        with reading(self.path):
            return raw_links(self._db, record.id), raw_missing(self._db, record.id)

    def raw_pieces(self, session: int | Literal["last"], sources: Collection[str]) -> Iterator[CapturedPiece]:
        """Give the raw bytes kept of ``sources`` around high alarms, in time order."""
        record = self.session(session)
        with reading(self.path):
            for block in read_raw(self._db, record.id, sources):
                yield from unpacked(block)

    def arrays(self, session: int | Literal["last"], signals: Sequence[str]) -> dict[str, tuple[Times, Values]]:
        """Return the rows of each signal: times, and values with NaN for unknown, both of shape (rows,).

        Where several groups carry a signal, the group that brought it first stands for it, as it does live. A
        signal the session does not have is left out. All of it is in memory at once.
        """
        record = self.session(session)
        with reading(self.path):
            carriers = self.carriers(record.id)
            wanted: dict[int, list[str]] = {}
            for signal in dict.fromkeys(signals):
                if signal in carriers:
                    wanted.setdefault(id(carriers[signal]), []).append(signal)
            found: dict[str, tuple[Times, Values]] = {}
            for names in wanted.values():
                found |= self._columns(carriers[names[0]], tuple(names))
            return {signal: found[signal] for signal in signals if signal in found}

    def series(self, session: int) -> list[StoredSeries]:
        """Return the series of a session in the order in which they began."""
        with reading(self.path):
            return stored_series(self._db, session)

    def carriers(self, session: int) -> dict[str, list[StoredSeries]]:
        """Return where the rows of each signal are: the series of the group that brought it first.

        Of what sources gave in turn they are those of every such group of the same origin.
        """
        with reading(self.path):
            groups = by_group(stored_series(self._db, session))
            begun = {group: self._first_time(parts) for group, parts in groups.items()}
            ordered = sorted(groups, key=lambda group: (begun[group], group.origin, group.key))
            shared = in_turn(ordered)
            carrying: dict[str, list[Group]] = {}
            for group in ordered:
                for signal in group.signals:
                    givers = carrying.setdefault(signal, [group])
                    if signal in shared and group is not givers[0] and group.origin == givers[0].origin:
                        givers.append(group)
            lists = {
                tuple(givers): [part for group in givers for part in groups[group]] for givers in carrying.values()
            }
            return {signal: lists[tuple(givers)] for signal, givers in carrying.items()}

    def summed(self, session: int) -> set[str]:
        """Return the signals of a session that have a minute with a known value."""
        sql = "SELECT DISTINCT signal FROM minute WHERE series = ?"
        with reading(self.path):
            return {name for part in stored_series(self._db, session) for (name,) in self._db.execute(sql, [part.id])}

    def minutes(self, parts: Sequence[StoredSeries], signal: str) -> MinuteColumns:
        """Return lowest and highest of a signal in each minute that is summed up, in time order."""
        sql = "SELECT minute, low, high, n FROM minute WHERE series = ? AND signal = ?"
        with reading(self.path):
            rows = [row for part in parts for row in self._db.conn.execute(sql, [part.id, signal])]
            table = _one_a_minute(np.array(sorted(rows), dtype=np.float64).reshape(-1, 4))
            whole = table[:, [0, 3]].astype(np.int64)
            return MinuteColumns(whole[:, 0], table[:, 1].copy(), table[:, 2].copy(), whole[:, 1])

    def rows(
        self, parts: Sequence[StoredSeries], signals: tuple[str, ...], since: int | None, until: int | None
    ) -> tuple[Times, Values]:
        """Return times, and values of ``signals`` (rows, signals), from ``since`` to ``until``, both included."""
        with reading(self.path):
            by_key: dict[tuple[str, str], list[StoredSeries]] = {}
            for part in parts:
                by_key.setdefault(part.group.key, []).append(part)
            pieces = [
                piece
                for of_one in by_key.values()
                for piece in read_group(self._db.conn, of_one, signals, since, until)
            ]
        t = np.concatenate([piece[0] for piece in pieces]) if pieces else np.empty(0, np.int64)
        values = np.concatenate([piece[1] for piece in pieces]) if pieces else np.empty((0, len(signals)))
        if len(by_key) > 1:
            order = np.argsort(t, kind="stable")
            t, values = t[order], values[order]
        return t, values

    def _columns(self, parts: Sequence[StoredSeries], signals: tuple[str, ...]) -> dict[str, tuple[Times, Values]]:
        t, values = self.rows(parts, signals, None, None)
        return {signal: (t, np.ascontiguousarray(values[:, place])) for place, signal in enumerate(signals)}

    def _first_time(self, parts: Sequence[StoredSeries]) -> float:
        for part in parts:
            first = self._db.execute(f'SELECT min(t) FROM "{part.table}" WHERE series = ?', [part.id]).fetchone()[0]  # noqa: S608
            if first is not None:
                return float(first)
        return float("inf")

    def _record(self, row: dict[str, Any]) -> SessionRecord:
        last = last_time(self._db, row["id"]) if row["ended"] is None else None
        lost, marks = (self._db.execute(query, [row["id"]]).fetchone()[0] for query in (_LOST, _MARKS))
        return checked(SessionRecord(last=last, values_lost=lost, marks=marks, **row))


def _one_a_minute(table: Values) -> Values:
    """Return minute, low, high and count with minutes that two sources shared as one; ascending before and after."""
    minutes, at = np.unique(table[:, 0], return_index=True)
    if len(minutes) == len(table):
        return table
    low, high = np.minimum.reduceat(table[:, 1], at), np.maximum.reduceat(table[:, 2], at)
    return np.column_stack([minutes, low, high, np.add.reduceat(table[:, 3], at)])


def _warnings(record: SessionRecord) -> tuple[str, ...]:
    """Return what whoever reads the session should know of it."""
    told = []
    if record.ended_how == "ended without notice":
        told.append(f"session {record.id} ended without notice: the program or the computer stopped")
    if record.origin == "bench":
        told.append(f"session {record.id} was recorded on the bench, wheels up: it is no drive")
    return tuple(told)
