"""Where spans end in a live run: as soon as something has come in, 50 ms apart at least."""

from __future__ import annotations

from telemetry.model.clock import Clock, event_or
from telemetry.pipeline.plan import Inbox

PERIOD = 50_000
GRACE = 8_000
"""How long a row may take from its reading thread to the gather without counting as late, microseconds."""
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
            if inbox.first is None:
                inbox.posted.clear()
                await event_or(self._clock, self._end + self._grace + QUIET, inbox.posted)
            await self._clock.sleep_until(max(self._clock.now() + self._grace, self._tick + self._period))
            self._tick = self._clock.now()
            end, first = self._tick - self._grace, inbox.first
            if (first is not None and first <= end) or end - self._end >= QUIET:
                self._end = end
                return end
