"""The one thread that owns the connection that writes: what it does next, what it does when the disk fails."""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import logging
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from telemetry.model.batch import Span
from telemetry.model.errors import StoreError
from telemetry.store.connection import check_sound, connect_for_writing
from telemetry.store.moved_file import Place
from telemetry.store.recovery import recover
from telemetry.store.session_lock import Unsaved
from telemetry.store.span_queue import Call, Counts, SpanQueue
from telemetry.store.trouble import file_text, is_damage, is_trouble, reading, store_error

if TYPE_CHECKING:
    from sqlite_utils import Database

RETRY_S = 1.0
ROOM_S = 30.0
"""How long a replay waits for a store that takes nothing; from then on it is refused what finds no room."""
HELD_S = 1.5
"""Live spans that wait longer than this are held: a commit is due each half second, and they may wait a second."""
# A transaction of this size takes about a tenth of a second, which another process that writes can well wait.
_VALUES_A_COMMIT = 250_000

T = TypeVar("T")
log = logging.getLogger(__name__)


class SpanWork(Protocol):
    """What is done with spans; called on the writing thread only."""

    def write(self, db: Database, spans: list[Span]) -> None:
        """Write and commit ``spans``, all or none."""
        ...

    def move(self, path: Path, new: Database | None) -> None:
        """Go on in the store at ``path``, which holds the same rows, or none where its connection is given."""
        ...

    def keep(self, unsaved: Unsaved | None) -> None:
        """Keep beside the store what is not in it; None once it is."""
        ...

    def abandon(self) -> None:
        """Let go of the session, whose end could not be written."""
        ...


class WritingThread:
    """Takes spans and calls from any thread, and does them in their order on a thread of its own.

    Attributes:
        path: the store's file; another one once the first was deleted or replaced.
        failure: what keeps the store from being written now; None while all is well.
        why_refused: why the latest :meth:`put` told of refused values; empty where the queue is full.

    """

    def __init__(self, path: Path, work: SpanWork, commit_s: float, max_values: int, busy_s: float) -> None:
        self.failure: StoreError | None = None
        self.why_refused = ""
        self.path, self._work = path, work
        self._place: Place | None = None
        self._commit_s, self._busy_s = commit_s, busy_s
        self._changed = threading.Condition()
        self._queue = SpanQueue(max_values)
        self._waiting: list[tuple[asyncio.AbstractEventLoop, asyncio.Future[None]]] = []
        self._closing = False
        self._give_up_at: float | None = None
        self._broken: BaseException | None = None
        self._refusal = ""
        self._logged: set[type[Exception]] = set()
        self._due = self._retry_at = self._written_at = 0.0
        self._opened: concurrent.futures.Future[None] = concurrent.futures.Future()
        self._thread = threading.Thread(target=self._run, name="store writer", daemon=True)

    # ---- on the caller's side

    def start(self) -> None:
        """Start the thread; return once the store is open and recovered, or raise its StoreError."""
        self._thread.start()
        try:
            self._opened.result()
        except BaseException:
            self._thread.join()
            raise

    def check_works(self) -> None:
        """Raise RuntimeError where nothing more can be written."""
        if self._broken is not None:
            raise RuntimeError(f"writing to the store stopped: {self._broken!r}") from self._broken
        if self._closing:
            raise RuntimeError("the store is closed")

    @property
    def counts(self) -> Counts:
        """What became of the values since :meth:`start_counting`."""
        with self._changed:
            return self._queue.counts

    def start_counting(self, live: bool) -> None:
        """Count from nothing for a new session; ``live`` ones are bound by time as well."""
        with self._changed:
            self._queue.start_counting(live)

    def held(self) -> tuple[int, str] | None:
        """Return the end of the oldest span that cannot be written now, and why; None while all is well."""
        with self._changed:
            oldest, live, failure = self._queue.oldest, self._queue.live, self.failure
        if oldest is None:
            return None
        end, taken_at = oldest
        if failure is None and live and time.monotonic() - taken_at > HELD_S:
            failure = self._no_answer(HELD_S)
        return None if failure is None else (end, str(failure))

    def unsaved(self) -> Unsaved:
        """Return what is not in the store now, the refused included, and why."""
        with self._changed:
            counts, failure, end = self._queue.counts, self.failure, self._queue.last_end
        return Unsaved(counts.queued + counts.refused, str(failure or "the store could not keep up"), end)

    def put(self, span: Span) -> int:
        """Queue ``span``; return how many of its values were refused. Never waits."""
        with self._changed:
            idle = not self._queue
            refused = self._queue.add(span)
            mistake, self._refusal = self._refusal, ""
            self.why_refused = str(self.failure or mistake)
            if idle or self._queue.values >= _VALUES_A_COMMIT:
                self._changed.notify()
        return refused

    async def room(self, values: int, limit_s: float) -> None:
        """Return once a span of ``values`` would be taken; an empty queue takes any.

        Where nothing has been written for ``limit_s``, it returns all the same: what then finds no room is refused.
        """
        while True:
            with self._changed:
                self.check_works()
                if self._queue.has_room(values):
                    return
                left = self._queue.stuck_since(self._written_at) + limit_s - time.monotonic()
                if left <= 0:
                    return
                loop = asyncio.get_running_loop()
                woken: asyncio.Future[None] = loop.create_future()
                self._waiting.append((loop, woken))
                self._changed.notify()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(left):
                    await woken

    def ask(self, work: Callable[[Database], T], limit_s: float = 60.0) -> T:
        """Have ``work`` done behind all that was queued, and return what it returns.

        Raises:
            StoreError: it failed, or was not done within ``limit_s``.

        """
        return self._result(Call(work), limit_s)

    def ask_at_last(self, work: Callable[[Database], T], limit_s: float) -> T:
        """Do the same, again and again for ``limit_s``; then throw away what is queued and raise the StoreError."""
        with self._changed:
            self._give_up_at = time.monotonic() + limit_s
        try:
            # The last attempt may begin just before the limit.
            return self._result(Call(work, again_on_failure=True), limit_s + self._busy_s + RETRY_S + 5.0)
        finally:
            with self._changed:
                if not self._closing:
                    self._give_up_at = None

    def close(self, limit_s: float) -> None:
        """Do all that is queued, for ``limit_s`` at the most, and end the thread; safe twice.

        A disk that never answers holds the thread; it is then left to end with the process.
        """
        with self._changed:
            self._closing = True
            if self._give_up_at is None:
                self._give_up_at = time.monotonic() + limit_s
            self._changed.notify_all()
        self._thread.join(limit_s + 2 * self._busy_s + RETRY_S)

    def _result(self, call: Call[T], limit_s: float) -> T:
        with self._changed:
            self.check_works()
            self._queue.add_call(call)
            self._changed.notify()
        try:
            return call.done.result(limit_s)
        except concurrent.futures.TimeoutError:
            raise self.failure or self._no_answer(limit_s) from None

    def _no_answer(self, limit_s: float) -> StoreError:
        return StoreError(
            f"the store {file_text(self.path)} did not answer within {limit_s:.0f} s; check its disk, and close other"
            " programs that use it"
        )

    # ---- on the writing thread

    def _run(self) -> None:
        try:
            db = connect_for_writing(self.path, self._busy_s)
            try:
                with reading(self.path):
                    check_sound(db, self.path)
                    recover(db, self.path)
            except BaseException as error:
                db.close()
                raise store_error(self.path, error) if isinstance(error, OSError) else error from error
        except BaseException as error:
            self._opened.set_exception(error)
            return
        self._place = Place(self.path, db)
        self._opened.set_result(None)
        broken: BaseException | None = None
        try:
            while (job := self._next()) is not None:
                if isinstance(job, Call):
                    self._make(job)
                else:
                    self._write(job)
        except BaseException as error:  # a mistake of ours: it must reach those who offer and wait
            broken = error
        finally:
            self._shut(broken)

    def _next(self) -> list[Span] | Call[Any] | None:
        """Wait for what is to be done next; it stays in the queue until it is done."""
        with self._changed:
            while self._queue or not self._closing:
                wait = self._wait_s() if self._queue else None
                if wait is None or wait > 0:
                    self._changed.wait(wait)
                    continue
                head = self._queue.head()
                return head if isinstance(head, Call) else self._queue.first_spans(_VALUES_A_COMMIT)
            return None

    def _wait_s(self) -> float:
        now = time.monotonic()
        if self.failure is not None:
            until = self._retry_at if self._give_up_at is None else min(self._retry_at, self._give_up_at)
            return until - now
        hurry = self._closing or self._waiting or self._queue.calls or self._queue.values >= _VALUES_A_COMMIT
        return 0.0 if hurry else self._due - now

    def _database(self) -> Database:
        """Return the connection to the file that has the store's name now."""
        assert self._place is not None
        moved = self._place.kept(self._busy_s)
        if moved is not self._place:
            self._work.move(moved.path, moved.db if moved.is_new else None)
            self._place, self.path = moved, moved.path
        return moved.db

    def _write(self, spans: list[Span]) -> None:
        self._due = time.monotonic() + self._commit_s
        try:
            self._work.write(self._database(), spans)
        except Exception as error:
            if isinstance(error, StoreError) or is_trouble(error):
                self._failed(error)
            elif len(spans) == 1:
                self._refuse(error)
            else:  # one of them it is that cannot be written; the others can
                for span in spans:
                    if self.failure is None:
                        self._write([span])
            return
        with self._changed:
            recovered, self.failure = self.failure is not None, None
            self._written_at = time.monotonic()
            self._queue.written(spans)
            self._wake()
        if recovered:
            self._work.keep(None)

    def _refuse(self, error: Exception) -> None:
        """Count the first span as refused: writing it met a mistake of the program's own, and would again."""
        mistake = self._mistake(error)
        with self._changed:
            self._refusal = str(mistake)
            self._queue.refuse_first()
            self._wake()

    def _mistake(self, error: Exception) -> StoreError:
        """Keep the traceback of ``error`` in the log and return the sentence for it."""
        if type(error) not in self._logged:
            self._logged.add(type(error))
            log.error("internal error while writing to the store; please report it", exc_info=error)
        return StoreError(f"internal error while writing to the store ({type(error).__name__}); please report it")

    def _make(self, call: Call[Any]) -> None:
        result, refusal = None, None
        try:
            result = call.work(self._database())
        except StoreError as error:
            if call.again_on_failure:
                self._failed(error)
                return
            refusal = error
        except Exception as error:
            if is_trouble(error) and call.again_on_failure:
                self._failed(error)
                return
            refusal = store_error(self.path, error) if is_trouble(error) else self._mistake(error)
        with self._changed:
            self._queue.take_call()
            if call.again_on_failure:
                self.failure = None
        if refusal is None:
            call.done.set_result(result)
        else:
            call.done.set_exception(refusal)

    def _failed(self, error: sqlite3.Error | OSError | StoreError) -> None:
        """Keep all that is queued for another try; past the limit, give it up."""
        if not isinstance(error, StoreError):
            assert self._place is not None
            error = self._place.give_up(error) if is_damage(error) else store_error(self.path, error)
        with self._changed:
            self.failure = failure = error
            now = time.monotonic()
            self._retry_at = now + RETRY_S
            calls = None
            if self._give_up_at is not None and now >= self._give_up_at:
                calls = self._queue.give_up()
                self._wake()
        self._work.keep(self.unsaved())
        if calls is None:
            return
        self._work.abandon()
        for call in calls:
            call.done.set_exception(failure)

    def _wake(self) -> None:
        for loop, woken in self._waiting:
            with contextlib.suppress(RuntimeError):  # that loop is closed
                loop.call_soon_threadsafe(_set_done, woken)
        self._waiting.clear()

    def _shut(self, broken: BaseException | None) -> None:
        assert self._place is not None
        self._place.close()
        if broken is not None:
            self._work.keep(self.unsaved())
        self._work.abandon()
        with self._changed:
            self._broken, self._closing = broken, True
            calls = self._queue.give_up()
            self._wake()
        for call in calls:
            call.done.set_exception(RuntimeError(f"writing to the store stopped: {broken!r}"))


def _set_done(woken: asyncio.Future[None]) -> None:
    if not woken.done():  # whoever waited may have been cancelled
        woken.set_result(None)
