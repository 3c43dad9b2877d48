"""Where spans end in a live run: as soon as something has come in, 50 ms apart at least."""

from __future__ import annotations

from telemetry.model.clock import Clock, event_or, settle
from telemetry.pipeline.plan import Inbox

PERIOD = 50_000
GRACE = 8_000
"""How long a row may take from its reading thread to the gather without counting as late, microseconds."""
HANDING_OVER = 3
"""Turns of the event loop from what a driver waits for to the gather: the timer or the reading thread's call, the
future that it sets, the driver's task. On a busy computer all of that may fall due together with a span's end."""
QUIET = 200_000
"""While nothing comes in, a span only moves time on: as often as the screen is drawn, microseconds."""


class LivePacer:
    """Ends a span ``grace`` after something came in; each end lies ``grace`` in the past, for rows on their way.

    Spans are ``period`` apart at least, and ``QUIET`` at the most.
    """

    def __init__(self, clock: Clock, period: int = PERIOD, grace: int = GRACE) -> None:
        self._clock = clock
        self._period = period
        self._grace = grace
        self._tick = self._end = clock.now()

    async def next_end(self, inbox: Inbox) -> int:
        """Wait until something is due, or it has been quiet, and return the end of the span."""
        while True:
            now, first, quiet = self._clock.now(), inbox.first, self._end + QUIET
            at = max((quiet if first is None else min(quiet, first)) + self._grace, self._tick + self._period)
            if now >= at:
                self._tick, self._end = now, now - self._grace
                await settle(HANDING_OVER)
                return self._end
            if at <= max(now + self._grace, self._tick + self._period):  # what comes now can be due no sooner
                await self._clock.sleep_until(at)
            else:
                inbox.posted.clear()
                await event_or(self._clock, at, inbox.posted)
