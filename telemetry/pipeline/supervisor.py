"""Owns one driver: opens it, passes on its readings, notices silence, and retries when the link drops."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Callable
from contextlib import aclosing
from typing import cast

import numpy as np

from telemetry.driver import CLOSE_LIMIT_S, OPEN_LIMIT_S, Advises, Asleep, Driver, Maps
from telemetry.model.batch import MICROSECONDS, Batch
from telemetry.model.clock import Clock, event_or
from telemetry.model.errors import LinkError, LinkLost, LinkSilent, LinkUnavailable, ShakedownError
from telemetry.model.events import Event, LinkChange, LinkState
from telemetry.model.time_text import length
from telemetry.pipeline.part_failure import log_failure

FIRST_DELAY = MICROSECONDS // 4
WOKE_LATE = MICROSECONDS
"""Who wakes later than this was suspended or starved: what the link sent meanwhile is still to be read."""
MAPPED_WITHIN_S = 10.0
"""By then a mapped signal should have come once, or by the silence limit where that is longer; ours."""
_NAMED = 6
LONGEST_DELAY = {"wired": 1 * MICROSECONDS, "radio": 5 * MICROSECONDS}


class Supervisor:
    """Runs one source until it ends by itself or is cancelled.

    Args:
        source: the source's name.
        make: constructs a fresh driver; each opening gets its own.
        clock: the run's clock, for times of link changes, silence and delays.
        post: takes batches and events; the gather.
    """

    def __init__(
        self, source: str, make: Callable[[], Driver], clock: Clock, post: Callable[[Batch | Event], None]
    ) -> None:
        self.source = source
        self._make = make
        self._clock = clock
        self._post = post
        self._delay = FIRST_DELAY
        self._state: LinkState | None = None
        self._reported: tuple[str, str] = ("", "")
        self._heard = 0
        self._asleep = False
        self._waiting: asyncio.Event | None = None
        self._mistakes: dict[type[Exception], str] = {}

    async def run(self) -> None:
        """Open, read, and open again, with a delay that doubles from 0.25 s and starts over on success.

        A mistake in a driver counts as a failed link: what else is recorded goes on.

        Raises:
            ShakedownError: of another kind than a link's: bad input, which no retry cures.
            Exception: a mistake in a driver that plays a recording; played again it would not go on where it was.
        """
        while True:
            driver = self._make()
            if self._state not in ("silent", "lost"):
                self._report("opening")
            try:
                await self._one_opening(driver)
            except LinkError as error:
                await self._wait_to_retry(driver, error)
            except ShakedownError:
                raise
            except Exception as error:
                if driver.kind == "plan":
                    raise
                await self._wait_to_retry(driver, LinkLost(self._mistake(error)))
            else:
                self._report("ended")
                return

    async def _one_opening(self, driver: Driver) -> None:
        """Open, read to the end, close."""
        try:
            try:
                async with asyncio.timeout(OPEN_LIMIT_S):
                    await driver.open()
            except TimeoutError:
                raise LinkUnavailable(f"{self.source} did not open within {length(OPEN_LIMIT_S)}") from None
            await self._read(driver)
        finally:
            await self._close(driver)

    async def _read(self, driver: Driver) -> None:
        self._heard = self._clock.now()
        reading = asyncio.ensure_future(self._pass_on(driver))
        watching = asyncio.ensure_future(self._watch(driver.silence_s))
        try:
            await asyncio.wait((reading, watching), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (reading, watching):
                task.cancel()
            await asyncio.wait((reading, watching), timeout=CLOSE_LIMIT_S)
        for task in (reading, watching):
            if task.done() and not task.cancelled():
                task.result()

    async def _pass_on(self, driver: Driver) -> None:
        # every driver's readings() is an async generator; aclosing lets go of what it holds when cancelled
        awaited = _Awaited(driver, self._clock)
        async with aclosing(cast("AsyncGenerator[Batch | Asleep | Event, None]", driver.readings())) as items:
            async for item in items:
                self._heard = self._clock.now()
                self._asleep = isinstance(item, Asleep)
                if isinstance(item, Asleep):
                    self._report("asleep", item.why)
                    continue
                if isinstance(item, Batch) and self._state != "live":
                    self._delay = FIRST_DELAY
                    self._report("live")
                self._post(item)
                if isinstance(item, Batch) and (why := awaited.news(item)) is not None:
                    self._report("live", why)

    async def _watch(self, silence_s: float | None) -> None:
        """Raise once nothing has been heard for the silence limit; a device that sleeps by design may be silent."""
        if silence_s is None:
            await asyncio.get_running_loop().create_future()
            return
        limit = round(silence_s * MICROSECONDS)
        due = self._heard + limit
        while True:
            await self._clock.sleep_until(due)
            now = self._clock.now()
            if self._asleep:
                self._heard = now
            if self._heard + limit > due:
                due = self._heard + limit
            elif now > due + WOKE_LATE:
                due = now + WOKE_LATE
            else:
                raise LinkSilent(f"{self.source} is open but has sent nothing readable for {silence_s:g} s")

    async def _wait_to_retry(self, driver: Driver, error: LinkError) -> None:
        """Say once what is wrong, however many retries follow, so that its time is when it began."""
        longest = LONGEST_DELAY.get(driver.kind, FIRST_DELAY)
        retry_at = self._clock.now() + self._delay
        state: LinkState = "silent" if isinstance(error, LinkSilent) else "lost"
        why = str(error)
        if (state, why) != self._reported:
            advice = self._advice(driver) if state == "silent" else ""
            self._report(state, f"{why}; {advice}" if advice else why, retry_at)
            self._reported = (state, why)
        await self._until(retry_at)
        self._delay = min(2 * self._delay, longest)

    def _advice(self, driver: Driver) -> str:
        """Return what the driver says of what it heard and could not read."""
        try:
            return driver.advice() if isinstance(driver, Advises) else ""
        except Exception as error:
            return self._mistake(error)

    def try_now(self) -> bool:
        """Try the link again now; return whether it was waiting for a try."""
        if self._waiting is None:
            return False
        self._waiting.set()
        return True

    async def _until(self, t: int) -> None:
        """Wait for ``t``, or for somebody who asks to try now."""
        self._waiting = asyncio.Event()
        try:
            await event_or(self._clock, t, self._waiting)
        finally:
            self._waiting = None

    def _mistake(self, error: Exception) -> str:
        """Return what to say of a mistake in a driver; its traceback goes to the log once, however often it comes."""
        if type(error) not in self._mistakes:
            why = log_failure(f"the driver of {self.source}", error)
            self._mistakes[type(error)] = f"{why}; it is reopened, and the other sources go on"
        return self._mistakes[type(error)]

    async def _close(self, driver: Driver) -> None:
        why = f"{self.source} did not close within its time limit"
        try:
            async with asyncio.timeout(CLOSE_LIMIT_S):
                await driver.close()
            return
        except TimeoutError:
            pass
        except Exception as error:
            why = self._mistake(error)
        self._post(LinkChange(self._clock.now(), self.source, "lost", why))

    def _report(self, state: LinkState, why: str = "", retry_at: int | None = None) -> None:
        self._state, self._reported = state, (state, why)
        self._post(LinkChange(self._clock.now(), self.source, state, why, retry_at))


class _Awaited:
    """What a driver's map names and has not come in this opening."""

    def __init__(self, driver: Driver, clock: Clock) -> None:
        self._driver, self._clock = driver, clock
        self._missing = dict.fromkeys(driver.mapped()) if isinstance(driver, Maps) else {}
        self._within_s = max(MAPPED_WITHIN_S, driver.silence_s or 0.0)
        self._due = clock.now() + round(self._within_s * MICROSECONDS)
        self._said = ""

    def news(self, batch: Batch) -> str | None:
        """Take a batch; return what is to be said now of what never came, None where nothing new is."""
        if not self._missing:
            return None
        known = np.count_nonzero(~np.isnan(batch.values), axis=0).tolist()
        came = [s for s, has in zip(batch.group.signals, known, strict=True) if has and s in self._missing]
        for signal in came:
            del self._missing[signal]
        if self._clock.now() < self._due or not (came if self._said else self._missing):
            return None
        self._said = self._sentence()
        return self._said

    def _sentence(self) -> str:
        if not self._missing:
            return ""
        names = [*self._missing]
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        seen = self._driver.seen() if isinstance(self._driver, Maps) else ""
        received = f"; received: {seen}" if seen else ""
        return f"mapped but not received in {length(self._within_s)}: {', '.join(names[:_NAMED])}{more}{received}"
