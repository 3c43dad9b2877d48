"""Alarms made heard: fed straight from the bus, so that they do not wait for the screen."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from telemetry.model.batch import Span
from telemetry.model.clock import Clock, SystemClock
from telemetry.model.events import AlarmChange, AlarmLevel
from telemetry.screen.formats import span_text
from telemetry.screen.players import Player, players_here
from telemetry.screen.tones import PATTERNS, Sound, wav_bytes

REPEAT_US = 8_000_000
"""A trip that nobody has acknowledged is sounded again after this long, for as long as it holds."""
MUTE_US = 600_000_000
_FOREVER = 2**62


def ring_bell() -> None:
    """Ring the terminal's bell, if there is a terminal."""
    with contextlib.suppress(OSError, ValueError):
        if sys.stderr.isatty():
            sys.stderr.write("\a")
            sys.stderr.flush()


class Sounder:
    """Plays a pattern when an alarm is raised, and again while a trip holds unacknowledged.

    ``async with`` it; :meth:`take` is a direct listener of the bus and returns at once. No trouble with sound ever
    reaches the run: where a way fails the next is tried, and the terminal's bell is the last.

    Args:
        clock: real time.

    Attributes:
        bell: the last resort.

    """

    def __init__(self, clock: Clock | None = None) -> None:
        self.bell: Callable[[], None] = ring_bell
        self._clock: Clock = SystemClock() if clock is None else clock
        self._players: list[Player] = []
        self._bell_only = False
        self._folder: Path | None = None
        self._unseen: dict[tuple[str, str], AlarmLevel] = {}
        self._pending: AlarmLevel | None = None
        self._repeat_at = _FOREVER
        self._muted_until = 0
        self._woken = asyncio.Event()
        self._playing = asyncio.Lock()
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._players = players_here()
        try:
            self._folder = Path(tempfile.mkdtemp(prefix="shakedown-sound-"))
            for sound in PATTERNS:
                (self._folder / f"{sound}.wav").write_bytes(wav_bytes(sound))
        except OSError:  # no room or no right to write: the bell remains
            self._players = []
        self._bell_only = not self._players
        self._task = asyncio.create_task(self._run(), name="alarm sounds")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    def take(self, span: Span) -> None:
        """Note alarm changes; what is to be heard is played by a task of its own."""
        for event in span.events:
            if isinstance(event, AlarmChange):
                self._note_change(event)

    def _note_change(self, change: AlarmChange) -> None:
        key = (change.limit, change.signal)
        if change.state != "raised":
            self._unseen.pop(key, None)
            return
        self._unseen[key] = change.level
        if self._pending != "trip":
            self._pending = change.level
        self._woken.set()

    async def test(self) -> str:
        """Play the test sound and return one sentence that says which way works."""
        way = await self._play("test")
        if way is None:
            return "no player for sounds: the terminal bell rings, often silently"
        return f"sound test played by {way}; not heard? turn it up, press s"

    def note(self, now: int) -> str:
        """Return a few words where alarms cannot be heard as they should; empty where they can."""
        if now < self._muted_until:
            return f"sound off {span_text((self._muted_until - now) / 1e6)}"
        return "bell only" if self._bell_only else ""

    def toggle_mute(self) -> str:
        """Mute for ten minutes, or unmute; return one sentence that says so."""
        now = self._clock.now()
        if now < self._muted_until:
            self._muted_until = 0
            self._woken.set()
            return "sound is on again"
        self._muted_until = now + MUTE_US
        return "sound is off for 10 minutes; m turns it on again"

    async def _run(self) -> None:
        while True:
            sound, self._pending = self._pending, None
            now = self._clock.now()
            if sound is None and "trip" in self._unseen.values() and now >= self._repeat_at:
                sound = "trip"
            if sound is None:
                await self._wait()
                continue
            if now >= self._muted_until:
                await self._play(sound)
            self._repeat_at = self._clock.now() + REPEAT_US

    async def _wait(self) -> None:
        """Return when something was raised, or a trip is due to be repeated."""
        self._woken.clear()
        woken = asyncio.ensure_future(self._woken.wait())
        waits: list[asyncio.Future[Any]] = [woken]
        if "trip" in self._unseen.values():
            waits.append(asyncio.ensure_future(self._clock.sleep_until(self._repeat_at)))
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
            await asyncio.gather(*waits, return_exceptions=True)

    async def _play(self, sound: Sound) -> str | None:
        """Play by the first way that works and return its name; None where only the bell was left."""
        async with self._playing:
            return await self._play_alone(sound)

    async def _play_alone(self, sound: Sound) -> str | None:
        for player in list(self._players):
            if self._folder is not None and await player.play(self._folder / f"{sound}.wav"):
                self._players.remove(player)
                self._players.insert(0, player)
                self._bell_only = False
                return player.name
        self._bell_only = True
        with contextlib.suppress(Exception):
            self.bell()
        return None
