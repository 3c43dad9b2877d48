"""The pace of a replay: when rows fall due, how far the run has got, and the run's clock meanwhile.

The plan is absolute: what has time ``t`` is due at wall time ``anchor + (t - start) / speed``. Sleeps are never
summed, so a late wake-up delays one slice and not the rest of the run.
"""

from __future__ import annotations

import asyncio
import math
from typing import Protocol

from telemetry.model.clock import Clock

# How much wall time one slice covers when paced: the same 50 ms after which a span closes live.
SLICE_WALL_US = 50_000
# A recording cut out of a longer one begins late by its own time; nobody wants to wait that long for its first row.
LEAD_IN_WALL_US = 2_000_000


class Inbox(Protocol):
    """What has come in and is in no span yet; the gather."""

    @property
    def first(self) -> int | None:
        """The earliest time of what waits; None where nothing does."""
        ...

    @property
    def posted(self) -> asyncio.Event:
        """Set when something is handed in; whoever waits for it clears it."""
        ...


class Pacer(Protocol):
    """Decides where the spans of a run end: by the clock when live, by the plan in a replay."""

    async def next_end(self, inbox: Inbox) -> int:
        """Return the next span's end, later than the one before, once everything up to it has been handed over.

        A span that would hold nothing may be left out.
        """
        ...


class _Bell:
    """Wakes everyone who waits on it; what they waited for they check themselves."""

    def __init__(self) -> None:
        self._rung = asyncio.Event()

    def ring(self) -> None:
        rung, self._rung = self._rung, asyncio.Event()
        rung.set()

    async def wait(self) -> None:
        await self._rung.wait()


class ReplayPlan:
    """The plan of one replay run: its :class:`Pacer`, its clock, and what the replay driver goes by.

    The driver calls :meth:`reach` before it gives out rows and :meth:`delivered` once they were taken; the run
    calls :meth:`next_end`. ``delivered`` waits for ``next_end``, so the run is never more than one span behind, at
    any speed, and nothing piles up where the run is slower than the plan.

    The plan starts at the first ``reach``, not when it is made: opening a screen takes time.

    Args:
        clock: wall time.
        start: where the recording starts, in its own time, microseconds.
        speed: times real time, greater than 0; None for as fast as it goes.

    Raises:
        ValueError: ``speed`` is not a finite number greater than 0.

    """

    def __init__(self, clock: Clock, start: int, speed: float | None) -> None:
        self._clock = clock
        self._start = start
        self._speed = _checked(speed)
        self._paused = False
        self._target: int | None = None
        # Plan position `_from` was, or will be, due at wall time `_since`; None while the plan stands still.
        self._from = start
        self._since: int | None = None
        self._begun = False
        self._delivered: int | None = None
        self._taken: int | None = None
        self._sleep: asyncio.Future[None] | None = None
        self._resumed = _Bell()
        self._moved = _Bell()

    @property
    def speed(self) -> float | None:
        """Times real time; None for as fast as it goes. Kept while paused."""
        return self._speed

    @property
    def paused(self) -> bool:
        """Whether play is halted."""
        return self._paused

    @property
    def going_to(self) -> int | None:
        """The moment that play goes on to as fast as it goes; None where it does not."""
        return self._target

    @property
    def slice_us(self) -> int | None:
        """Microseconds of the recording that one slice covers at the present speed; None for whole spans."""
        hurries = self._speed is None or self._target is not None
        return None if hurries else max(1, round(SLICE_WALL_US * (self._speed or 1.0)))

    def now(self) -> int:
        """Return the time up to which the recording has been given out; its start before that."""
        return self._start if self._delivered is None else max(self._start, self._delivered)

    async def sleep_until(self, t: int) -> None:
        """Return once the recording has been given out up to ``t``."""
        await asyncio.sleep(0)
        while self.now() < t:
            await self._moved.wait()

    def go_on_to(self, t: int) -> bool:
        """Play on to ``t`` as fast as it goes, then as before; return whether ``t`` is still to come.

        Nothing is left out on the way, so that whatever is counted up to ``t`` is as if all had been watched.
        """
        if t <= self.now():
            return False
        self._anchor_here()
        self._target = t
        self._repace()
        return True

    def pause(self) -> None:
        """Halt play here."""
        self._anchor_here()
        self._target = None
        self._paused = True
        self._since = None
        self._repace()

    def resume(self) -> None:
        """Go on from where play was halted."""
        if not self._paused:
            return
        self._paused = False
        self._since = self._clock.now() if self._begun else None
        self._repace()

    def set_speed(self, speed: float | None) -> None:
        """Play on at ``speed`` from where it is; a halted play stays halted.

        Raises:
            ValueError: ``speed`` is not a finite number greater than 0 (or None, as fast as it goes).

        """
        speed = _checked(speed)
        self._anchor_here()
        self._target = None
        self._speed = speed
        self._repace()

    async def reach(self, t: int) -> int:
        """Wait until what has times up to ``t`` is due, and return ``t``.

        Where the speed changed or play was paused meanwhile, return the earlier time that play has reached; it may be
        one that was delivered before.
        """
        if not self._begun:
            self._begin(t)
        halted = self._paused
        while self._paused and self._target is None:
            await self._resumed.wait()
        if self._target is not None:
            return self._toward(t, self._target)
        if halted:
            return min(t, self._position())
        if self._speed is None:
            return t
        assert self._since is not None, "a plan that has begun and is not paused is anchored"
        due = self._since + math.ceil((t - self._from) / self._speed)
        if await self._due_before_change(due):
            return t
        return min(t, self._position())

    async def delivered(self, t: int) -> None:
        """Say that everything up to ``t`` has been handed over; return once the run has taken ``t`` as an end."""
        if self._delivered is not None and t <= self._delivered:
            return
        self._delivered = t
        self._moved.ring()
        while self._taken is None or self._taken < t:
            await self._moved.wait()

    async def next_end(self, inbox: Inbox | None = None) -> int:  # noqa: ARG002 - the driver skips what is empty
        """Return the end of the next span, once everything up to it has been handed over."""
        while self._delivered is None or self._delivered == self._taken:
            await self._moved.wait()
        self._taken = self._delivered
        self._moved.ring()
        return self._taken

    def _toward(self, t: int, target: int) -> int:
        """Return ``t``, or ``target`` where that is sooner, from where play goes on as before."""
        if t < target:
            return t
        self._target = None
        self._from, self._since = target, None if self._paused else self._clock.now()
        return target

    def _begin(self, t: int) -> None:
        self._begun = True
        lead_in = 0 if self._speed is None else round(LEAD_IN_WALL_US * self._speed)
        self._from = max(self._start, t - lead_in)
        if not self._paused:
            self._since = self._clock.now()

    def _position(self) -> int:
        """Where play is by the plan: what has this time is due now."""
        if self._speed is None or self._target is not None:
            return self._from if self._delivered is None else self._delivered
        if self._since is None:
            return self._from
        return self._from + math.floor((self._clock.now() - self._since) * self._speed)

    def _anchor_here(self) -> None:
        self._from = self._position()
        if self._since is not None:
            self._since = self._clock.now()

    async def _due_before_change(self, due: int) -> bool:
        """Sleep until wall time ``due``; False where the pace changed before."""
        if self._clock.now() >= due:
            await asyncio.sleep(0)
            return True
        self._sleep = asyncio.ensure_future(self._clock.sleep_until(due))
        try:
            await asyncio.wait((self._sleep,))
            if self._sleep.cancelled():
                return False
            self._sleep.result()
            return True
        finally:
            self._sleep.cancel()
            self._sleep = None

    def _repace(self) -> None:
        """Wake a wait for what is no longer due when it was, and a wait for the end of a halt."""
        if self._sleep is not None:
            self._sleep.cancel()
        self._resumed.ring()


def _checked(speed: float | None) -> float | None:
    if speed is not None and not (0 < speed < math.inf):
        raise ValueError(f"speed {speed} is not a finite number greater than 0")
    return speed
