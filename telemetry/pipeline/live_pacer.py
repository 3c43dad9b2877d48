"""Where spans end in a live run: every 50 ms by the clock, less often while nothing comes in."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.model.clock import Clock

PERIOD = 50_000
GRACE = 8_000
"""How long a row may take from its reading thread to the gather without counting as late, microseconds."""
QUIET = 200_000
"""While nothing comes in, a span only moves time on: as often as the screen is drawn, microseconds."""


class LivePacer:
    """Ends a span every ``period``; each end lies ``grace`` in the past, so that rows on their way still make it."""

    def __init__(self, clock: Clock, period: int = PERIOD, grace: int = GRACE) -> None:
        self._clock = clock
        self._period = period
        self._grace = grace
        self._due = self._end = clock.now()

    async def next_end(self, has_due: Callable[[int], bool]) -> int:
        """Wait for a tick at which something is due, or it was quiet; return the end of its span.

        Ticks follow an absolute plan; missed ones are left out.
        """
        while True:
            now = self._clock.now()
            self._due += self._period
            if self._due < now:
                self._due = now + self._period - (now - self._due) % self._period
            await self._clock.sleep_until(self._due)
            end = self._clock.now() - self._grace
            if has_due(end) or end - self._end >= QUIET:
                self._end = end
                return end
