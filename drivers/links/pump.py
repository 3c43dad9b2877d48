"""The blocking-read pump: carries what a blocking link reads, in one thread, to the event loop.

Most libraries that speak to hardware block. They are read here in a thread of their own, with short time limits, and
nowhere else::

    thread:  open -> read, read, read ... -> close          event loop:  start -> take, take ... -> stop
                          |                                                        ^
                          +---- bounded queue: pieces with arrival time, ----------+
                                and last the error that ended the reading

A link that is asked for its readings is also written to, by the same thread between two reads: send puts the bytes in
its hands and wakes it.

The rules, each of which stands for a fault seen elsewhere: the thread starts only once every field exists; it opens
the link and it alone closes it, so that nothing is closed under a reader; whatever it raises travels in the same
queue behind the data, so that a reader gets all that came before and then the error; the queue is bounded and its
figures are published; stopping is by event and takes one short read at the most.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar, cast, runtime_checkable

from telemetry.driver import CLOSE_LIMIT_S, OPEN_LIMIT_S
from telemetry.model.capture import Direction
from telemetry.model.clock import Clock
from telemetry.model.errors import LinkLost, LinkUnavailable

log = logging.getLogger(__name__)

READ_LIMIT_S = 0.05
"""How long one blocking read may last at the most where nothing can wake it; what stopping costs."""

QUEUE_LIMIT = 256
"""Pieces that wait for the event loop before the oldest are given up."""

DataT = TypeVar("DataT")
DataT_co = TypeVar("DataT_co", covariant=True)


class BlockingLink(Protocol[DataT_co]):
    """An open link, used by one thread only."""

    def read(self) -> DataT_co | None:
        """Return what has arrived, or None if nothing did within :data:`READ_LIMIT_S`, longer if it can be woken.

        Raises:
            LinkLost: the link broke or the device closed it.

        """
        ...

    def close(self) -> None:
        """Let go of the link; must not raise for a link that has broken."""
        ...


@runtime_checkable
class WritableLink(Protocol):
    """What a link has besides, if requests can be sent on it."""

    def write(self, data: bytes) -> None:
        """Send all of ``data``; called by the reading thread only.

        Raises:
            LinkLost: the link broke, or takes no more.

        """
        ...

    def wake(self) -> None:
        """Have a read that is under way return at once, where that can be done; called from any thread."""
        ...


@dataclass(frozen=True, slots=True)
class Piece(Generic[DataT]):
    """What one read gave.

    Attributes:
        arrival: the clock's time when it was read, microseconds since the Unix epoch.
        data: what came.
        lost_before: pieces given up just before this one since the queue was full. Where it is not 0 a decoder must
            not join this piece to what it holds.

    """

    arrival: int
    data: DataT
    lost_before: int = 0


@dataclass(frozen=True, slots=True)
class PumpFigures:
    """The queue between thread and event loop.

    Attributes:
        fill: pieces waiting now.
        fullest: most that ever waited.
        limit: how many may wait.
        pieces: pieces read since the start.
        drops: pieces given up since the queue was full.

    """

    fill: int
    fullest: int
    limit: int
    pieces: int
    drops: int


class Pump(Generic[DataT]):
    """Reads one blocking link in a thread; see the module's docstring. One object serves one opening.

    Args:
        open_link: opens the link and returns it; called in the thread, may block, raises a link error.
        clock: gives arrival times; its ``now()`` is called from the thread.
        name: names the thread.
        limit: pieces that may wait, at least 1.
        tap: called in the thread with the time, ``in`` or ``out``, and the piece as it is; to keep raw bytes.

    """

    def __init__(
        self,
        open_link: Callable[[], BlockingLink[DataT]],
        clock: Clock,
        name: str,
        limit: int = QUEUE_LIMIT,
        tap: Callable[[int, Direction, DataT], None] | None = None,
    ) -> None:
        self._open_link = open_link
        self._clock = clock
        self._limit = limit
        self._tap = tap
        self._lock = threading.Lock()
        self._waiting: deque[Piece[DataT]] = deque()
        self._reader_waits = False
        self._to_send: deque[bytes] = deque()
        self._wake: Callable[[], None] | None = None
        self._lost = 0
        self._fullest = 0
        self._pieces = 0
        self._drops = 0
        self._failure: BaseException | None = None
        self._was_open = False
        self._over = False
        self._stopping = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._opened = asyncio.Event()
        self._arrived = asyncio.Event()
        self._ended = asyncio.Event()
        # A daemon, so that a read stuck in a faulty device driver cannot keep the program from ending.
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    @property
    def figures(self) -> PumpFigures:
        """The queue's figures, at any time and from any thread."""
        with self._lock:
            return PumpFigures(len(self._waiting), self._fullest, self._limit, self._pieces, self._drops)

    async def start_in_time(self, name: str) -> None:
        """Open the link in the time that a driver has for it.

        Raises:
            LinkUnavailable: with the reason and the remedy; ``name`` is what the message calls the link.

        """
        try:
            async with asyncio.timeout(OPEN_LIMIT_S - 1):
                await self.start()
        except TimeoutError as error:
            raise LinkUnavailable(f"{name} did not open within {OPEN_LIMIT_S:g} s; plug it in again") from error

    async def start(self) -> None:
        """Start the thread and return once the link is open; what opening raised is raised here.

        When cancelled meanwhile, the thread closes the link as soon as opening returns; :meth:`stop` waits for that.
        """
        self._loop = asyncio.get_running_loop()
        self._thread.start()
        await self._opened.wait()
        with self._lock:
            if self._failure is not None and not self._was_open:
                raise self._failure

    async def take(self, limit_s: float | None = None) -> list[Piece[DataT]]:
        """Return all that waits, oldest first; wait for something if nothing does.

        Args:
            limit_s: how long to wait at the most, for what is then none; None for ever.

        Raises:
            LinkLost: the link broke; everything that came before has been given out.
            LinkError: whatever else the link raised.

        """
        with suppress(TimeoutError):
            async with asyncio.timeout(limit_s):
                return await self._take()
        return []

    async def _take(self) -> list[Piece[DataT]]:
        while True:
            with self._lock:
                if self._waiting:
                    pieces = list(self._waiting)
                    self._waiting.clear()
                    return pieces
                if self._failure is not None:
                    raise self._failure
                if self._over:
                    raise LinkLost("the link has been closed")
                self._arrived.clear()
                self._reader_waits = True
            await self._arrived.wait()

    def send(self, data: bytes) -> None:
        """Have the thread send ``data``, after what it was given before; what goes wrong, :meth:`take` raises.

        Raises:
            TypeError: the link, once open, is one that only listens.

        """
        with self._lock:
            wake = self._wake
            if self._over or self._stopping.is_set():
                return
            if wake is None:
                raise TypeError(f"{self._thread.name} only listens, or is not open yet")
            self._to_send.append(data)
        wake()

    async def stop(self, limit_s: float = CLOSE_LIMIT_S) -> None:
        """Ask the thread to close the link and wait until it has; from any state, twice if asked.

        A thread that hangs in the device for longer than ``limit_s`` is left behind, and that is logged.
        """
        self._stopping.set()
        if self._loop is None:
            return
        with self._lock:
            wake = self._wake
        if wake is not None:
            wake()
        try:
            async with asyncio.timeout(limit_s):
                await self._ended.wait()
        except TimeoutError:
            log.warning("%s did not return within %g s; its link may still be held", self._thread.name, limit_s)
            return
        self._thread.join(limit_s)  # at once: to say that it has ended was its last act

    def _run(self) -> None:
        """Open, read until told to stop or until it breaks, close: the whole life of the thread."""
        try:
            link = self._open_link()
        except BaseException as error:
            self._finish(error)
            return
        writable = link if isinstance(link, WritableLink) else None
        with self._lock:
            self._was_open = True
            self._wake = None if writable is None else writable.wake
        failure: BaseException | None = None
        try:
            self._tell(self._opened)
            while not self._stopping.is_set():
                if writable is not None:
                    self._send_what_waits(writable)
                data = link.read()
                if data is not None:
                    self._put(data)
        except BaseException as error:
            failure = error
        finally:
            try:
                link.close()
            except Exception as error:
                log.warning("closing %s: %s", self._thread.name, error)
            self._finish(failure)

    def _send_what_waits(self, link: WritableLink) -> None:
        while self._to_send and not self._stopping.is_set():
            data = self._to_send.popleft()
            link.write(data)
            if self._tap is not None:
                self._tap(self._clock.now(), "out", cast("DataT", data))  # only links of bytes can be written to

    def _put(self, data: DataT) -> None:
        """Queue one piece; the oldest gives way when the queue is full, and its successor says so."""
        arrival = self._clock.now()
        if self._tap is not None:
            self._tap(arrival, "in", data)
        with self._lock:
            if len(self._waiting) == self._limit:
                gone = self._waiting.popleft()
                self._drops += 1
                lost = gone.lost_before + 1
                if self._waiting:
                    first = self._waiting[0]
                    self._waiting[0] = Piece(first.arrival, first.data, first.lost_before + lost)
                else:
                    self._lost += lost
            self._waiting.append(Piece(arrival, data, self._lost))
            self._lost = 0
            self._pieces += 1
            self._fullest = max(self._fullest, len(self._waiting))
            wake, self._reader_waits = self._reader_waits, False
        if wake:
            self._tell(self._arrived)

    def _finish(self, failure: BaseException | None) -> None:
        with self._lock:
            self._failure = failure
            self._over = True
        for event in (self._opened, self._arrived, self._ended):
            self._tell(event)

    def _tell(self, event: asyncio.Event) -> None:
        """Set an event of the loop's from the thread; a loop that has closed meanwhile needs no telling."""
        assert self._loop is not None
        try:
            self._loop.call_soon_threadsafe(event.set)
        except RuntimeError:
            self._stopping.set()
