"""Where spans end in a live run: every 50 ms by the clock."""

from __future__ import annotations

from telemetry.model.clock import Clock

PERIOD = 50_000
GRACE = 8_000
"""How long a row may take from its reading thread to the gather without counting as late, microseconds."""


class LivePacer:
    """Ends a span every ``period``; each end lies ``grace`` in the past, so that rows on their way still make it."""

    def __init__(self, clock: Clock, period: int = PERIOD, grace: int = GRACE) -> None:
        self._clock = clock
        self._period = period
        self._grace = grace
        self._due = clock.now()

    async def next_end(self) -> int:
        """Wait for the next tick of the absolute plan, missed ones left out, and return the end of its span."""
        now = self._clock.now()
        self._due += self._period
        if self._due < now:
            self._due = now + self._period - (now - self._due) % self._period
        await self._clock.sleep_until(self._due)
        return self._clock.now() - self._grace
