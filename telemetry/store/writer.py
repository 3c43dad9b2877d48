"""Recording sessions: hand spans over without ever waiting for the disk."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.model.batch import Group, Span
from telemetry.model.errors import StoreError
from telemetry.model.recording import TimeBasis
from telemetry.store.connection import BUSY_S
from telemetry.store.event_tables import check_event
from telemetry.store.layout import MAX_SIGNALS, check_names
from telemetry.store.schema import transaction
from telemetry.store.session_lock import SessionLock, Unsaved
from telemetry.store.session_rows import (
    Origin,
    RunningSession,
    SessionStart,
    close_session,
    delete_rows_of,
    insert_session,
    insert_spans,
)
from telemetry.store.span_queue import MAX_VALUES, Counts
from telemetry.store.writing_thread import ROOM_S, WritingThread

if TYPE_CHECKING:
    from sqlite_utils import Database

COMMIT_S = 0.5


class StoreWriter:
    """Writes sessions to the store at ``path``, one at a time; made by :meth:`open`.

    Every call may come from any thread; only :meth:`offer` and :meth:`room` belong on an event loop that must not
    wait. Trouble with the disk shows as :attr:`failure`; what is queued is kept and tried again each second, and
    only what then finds no room is refused, and counted.
    """

    def __init__(self, path: Path, commit_s: float, max_values: int, busy_s: float) -> None:
        self._current = _CurrentSession(path)
        self._thread = WritingThread(path, self._current, commit_s, max_values, busy_s)
        self._groups: dict[tuple[str, str], Group] = {}
        self._running = False

    @classmethod
    def open(
        cls, path: Path, *, commit_s: float = COMMIT_S, max_values: int = MAX_VALUES, busy_s: float = BUSY_S
    ) -> StoreWriter:
        """Open or make the store; sessions that a killed program left open are closed first.

        Args:
            path: its file; the folder must exist, unless it is the program's own.
            commit_s: how often to commit, seconds.
            max_values: how many values may wait, see :meth:`offer`.
            busy_s: how long to wait for another program that writes.

        Raises:
            StoreError: folder missing, read-only, disk full, not a database, another program's, or newer.

        """
        writer = cls(path, commit_s, max_values, busy_s)
        writer._thread.start()
        return writer

    def __enter__(self) -> StoreWriter:
        return self

    def __exit__(self, *_failure: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The store's file; another one beside it once the first was deleted, moved or replaced."""
        return self._thread.path

    def held(self) -> tuple[int, str] | None:
        """Return the end of the oldest span that cannot be written now, and why; None while all is well."""
        return self._thread.held()

    @property
    def failure(self) -> StoreError | None:
        """What keeps the store from being written now; None while all is well."""
        return self._thread.failure

    @property
    def why_refused(self) -> str:
        """Why the latest :meth:`offer` refused values; empty where there was no room."""
        return self._thread.why_refused

    @property
    def counts(self) -> Counts:
        """What became of the values of the present session, or of the last one."""
        return self._thread.counts

    def begin_session(
        self,
        machine: str,
        machine_text: str | None,
        origin: Origin,
        time_basis: TimeBasis,
        started: int,
        start: int,
        replayed_from: str | None = None,
        drivers: Mapping[str, str] | None = None,
    ) -> int:
        """Begin a session and return its number; it is locked, so that no recovery takes it for a dead one.

        Args:
            machine: what to call the machine.
            machine_text: the machine file, whole; its SHA-256 is kept beside it.
            origin: ``live``, or ``replay``, ``import`` or ``bench`` (ignored by histories).
            time_basis: of the rows' times.
            started: when the session began, int microseconds since the epoch; :meth:`end_session` is given its end
                by the same clock.
            start: where the rows' times count from; 0 for relative ones.
            replayed_from: name of what is replayed or imported.
            drivers: the driver's name by source, as far as known.

        Raises:
            StoreError: it cannot be written.
            RuntimeError: the last one has not ended, or the store is closed.

        """
        new = SessionStart(
            machine, machine_text, origin, time_basis, started, start, replayed_from, dict(drivers or {})
        )
        if self._running:
            raise RuntimeError("a session is running; end it before the next begins")
        number = self._thread.ask(lambda db: self._current.begin(db, new))
        self._thread.start_counting(live=origin in ("live", "bench"))
        self._groups.clear()
        self._running = True
        return number

    def offer(self, span: Span) -> int:
        """Hand over ``span``; return the number of values refused, 0 normally. Never waits.

        Values are refused where what waits already covers 60 s (live) or fills the memory set aside; the span's
        events are kept even then.

        Raises:
            RuntimeError: no session is running, or the writing thread met a mistake of the program's own.
            StoreError: a group has more signals than a table can have columns.
            ValueError, TypeError: a name that cannot be a column; an event the store has no table for.

        """
        self._check_running()
        for event in span.events:
            check_event(event)
        for batch in span.batches:
            if self._groups.get(batch.group.key) is not batch.group:
                self._note_group(batch.group)
        return self._thread.put(span)

    async def room(self, values: int, limit_s: float = ROOM_S) -> None:
        """Return once a span of so many values would be taken; for a replay, which waits rather than lose.

        Where nothing can be written for ``limit_s`` it returns all the same, and what finds no room is refused.

        Raises:
            RuntimeError: the writing thread met a mistake of the program's own, or the store is closed.

        """
        await self._thread.room(values, limit_s)

    def flush(self, limit_s: float = 30.0) -> None:
        """Wait until everything offered so far is committed.

        Raises:
            StoreError: it was not within ``limit_s``; it is still queued.

        """
        self._thread.ask(_do_nothing, limit_s)

    def end_session(self, ended: int, limit_s: float = 30.0) -> Counts:
        """Write all that waits, then the session's end; return the counts.

        Args:
            ended: by the clock of ``started``, int microseconds.
            limit_s: how long to try; what cannot be written by then is counted as refused.

        Raises:
            StoreError: the end could not be written; the session is closed when the store is next opened.
            RuntimeError: no session is running.

        """
        self._check_running()
        try:
            self._thread.ask_at_last(lambda db: self._current.end(db, ended, self._thread.unsaved()), limit_s)
        except StoreError:
            self._current.keep(self._thread.unsaved())
            raise
        finally:
            self._running = False
        return self.counts

    def delete_session(self, session: int) -> None:
        """Remove a session and all that belongs to it; one that does not exist is no error.

        Raises:
            StoreError: it is being recorded, or the store cannot be written.

        """
        self._thread.ask(lambda db: self._current.delete(db, session))

    def close(self, limit_s: float = 10.0) -> None:
        """Write all that waits, move the log into the file and close it; safe twice.

        A session that was not ended stays so, and counts as ended without notice.
        """
        self._thread.close(limit_s)
        self._running = False

    def _check_running(self) -> None:
        self._thread.check_works()
        if not self._running:
            raise RuntimeError("no session is running")

    def _note_group(self, group: Group) -> None:
        known = self._groups.get(group.key)
        wide = group if known is None else known.widened(group.signals)
        if len(wide.signals) > MAX_SIGNALS:
            raise StoreError(
                f"group {group.name} of source {group.source} carries {len(wide.signals)} signals; the store holds at"
                f" most {MAX_SIGNALS} of one group, so leave some columns out"
            )
        if wide is not known:
            check_names(group.name, wide.signals)
        self._groups[group.key] = group if wide.signals == group.signals else wide


class _CurrentSession:
    """The session being written, as the writing thread knows it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._running: RunningSession | None = None
        self._start: SessionStart | None = None
        self._lock: SessionLock | None = None

    def begin(self, db: Database, new: SessionStart) -> int:
        """Write its row and take its lock, before anyone else can see it."""
        lock = None
        try:
            with transaction(db):
                running = insert_session(db, new)
                lock = SessionLock.take(self._path, running.id)
                if lock is not None:
                    lock.set_space_aside()
        except BaseException:
            if lock is not None:
                lock.release()
            raise
        self._running, self._lock, self._start = running, lock, new
        return running.id

    def write(self, db: Database, spans: list[Span]) -> None:
        """Write ``spans``; where that fails, what is remembered is as before."""
        assert self._running is not None
        with transaction(db):
            running = insert_spans(db, self._running, spans)
        self._running = running

    def end(self, db: Database, ended: int, unsaved: Unsaved) -> None:
        """Write its end and let go of its lock."""
        assert self._running is not None
        with transaction(db):
            close_session(db, self._running, ended, unsaved)
        self.keep(None)
        self.abandon()

    def keep(self, unsaved: Unsaved | None) -> None:
        """Keep beside the store what is not in it, for a program that may end before it can be written."""
        if self._lock is not None:
            self._lock.keep(unsaved)

    def delete(self, db: Database, session: int) -> None:
        """Delete another session, unless it is being recorded."""
        lock = SessionLock.take(self._path, session)
        if lock is None:
            raise StoreError(f"session {session} is being recorded; end it before it is deleted")
        try:
            with transaction(db):
                delete_rows_of(db, session)
        finally:
            lock.release()

    def move(self, path: Path, new: Database | None) -> None:
        """Go on in the store at ``path``, which holds the same rows, or none where its connection is given."""
        self._path = path
        if self._running is not None:
            if new is not None:
                assert self._start is not None
                with transaction(new):
                    self._running = insert_session(new, self._start, self._running.id)
            lock = SessionLock.take(path, self._running.id)
            if lock is not None:
                lock.set_space_aside()
            if self._lock is not None:
                self._lock.release()
            self._lock = lock

    def abandon(self) -> None:
        """Let go of a session; where its end is not written, recovery closes it, with what was kept."""
        self._running = None
        if self._lock is not None:
            self._lock.release()
            self._lock = None


def _do_nothing(db: Database) -> None:
    """What a flush asks for: only its turn."""
