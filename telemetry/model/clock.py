"""Time, injected everywhere: the run's clock, and one that tests turn by hand.

Wall time is read once, when the clock is made; from then on only a monotonic count is added, so that ``now`` never
steps back when the computer's clock is set. The count goes on while the computer sleeps, where the platform has
such a clock, so that a suspend shows as a gap and not as an hour that never was.
"""

from __future__ import annotations

import asyncio
import heapq
import time
from typing import Protocol


class Clock(Protocol):
    """Gives the time of a run, in int microseconds since the Unix epoch, and waits by it."""

    def now(self) -> int:
        """Return the present time; never less than an earlier answer."""
        ...

    async def sleep_until(self, t: int) -> None:
        """Return once ``now() >= t``; at once, but after other tasks had a turn, where that is so already."""
        ...


# Linux counts sleep in its boot clock only; macOS in the clock that time.monotonic does not use there.
_COUNTER: int | None = getattr(time, "CLOCK_BOOTTIME", None) or getattr(time, "CLOCK_MONOTONIC", None)


def _counter_ns() -> int:
    """Nanoseconds that go on through a suspend: Linux's boot clock; elsewhere the best the platform has."""
    return time.monotonic_ns() if _COUNTER is None else time.clock_gettime_ns(_COUNTER)


class SystemClock:
    """The computer's time, anchored once."""

    def __init__(self) -> None:
        self._anchor = time.time_ns() // 1000 - _counter_ns() // 1000

    def now(self) -> int:
        """Return microseconds since the Unix epoch, by the anchor and the monotonic count."""
        return self._anchor + _counter_ns() // 1000

    async def sleep_until(self, t: int) -> None:
        """Sleep on the event loop until ``now() >= t``."""
        while True:
            await asyncio.sleep(max(0.0, (t - self.now()) / 1e6))
            if self.now() >= t:
                return


class ManualClock:
    """A clock that stands still until it is moved; what waits is woken in the order of its deadlines."""

    def __init__(self, now: int = 0) -> None:
        self._now = now
        self._waiting: list[tuple[int, int, asyncio.Future[None]]] = []
        self._turn = 0

    def now(self) -> int:
        """Return the time last set."""
        return self._now

    async def sleep_until(self, t: int) -> None:
        """Wait until :meth:`advance_to` has passed ``t``."""
        if t <= self._now:
            await asyncio.sleep(0)
            return
        woken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._turn += 1
        heapq.heappush(self._waiting, (t, self._turn, woken))
        await woken

    async def advance_to(self, t: int) -> None:
        """Move time on to ``t``, stopping at each deadline on the way to let what waited for it run."""
        await settle()
        while self._waiting and self._waiting[0][0] <= t:
            deadline, _, woken = heapq.heappop(self._waiting)
            self._now = max(self._now, deadline)
            if not woken.done():
                woken.set_result(None)
            await settle()
        self._now = max(self._now, t)
        await settle()

    def suspend(self, seconds: float) -> None:
        """Move time on as if the computer had slept: what is due wakes at the next advance."""
        self._now += round(seconds * 1e6)

    async def advance(self, seconds: float) -> None:
        """Move time on by ``seconds``."""
        await self.advance_to(self._now + round(seconds * 1e6))


async def event_or(clock: Clock, t: int, event: asyncio.Event) -> None:
    """Return once ``event`` is set, which at ``t`` it is at the latest."""

    def set_it(waking: asyncio.Future[None]) -> None:
        if not waking.cancelled():
            event.set()

    waking = asyncio.ensure_future(clock.sleep_until(t))
    waking.add_done_callback(set_it)
    try:
        await event.wait()
    finally:
        waking.cancel()


async def settle(turns: int = 20) -> None:
    """Let every task that can run do so, for some turns of the event loop."""
    for _ in range(turns):
        await asyncio.sleep(0)
