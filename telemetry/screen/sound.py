"""Alarms made heard: fed straight from the bus, so that they do not wait for the screen."""

from __future__ import annotations

import asyncio
import contextlib
import io
import shutil
import sys
import tempfile
import wave
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self

import numpy as np

from telemetry.alarms.priorities import PRIORITIES, Priority, priority_of
from telemetry.model.batch import Span, Values
from telemetry.model.clock import Clock, SystemClock, event_or
from telemetry.model.errors import printable
from telemetry.model.events import AlarmChange
from telemetry.model.time_text import length
from telemetry.screen.players import Player, players_here, run_quietly

Sound = Literal["high", "medium", "low", "test", "begin", "good", "again"]
RATE = 22_050
HARMONICS = (1.0, 0.8, 0.6, 0.5, 0.4)
"""Strength of the fundamental and of the four harmonics above it."""
_RISE_S = 0.015
_LOUDNESS = 0.9
REPEAT_US: dict[Priority, int] = {"high": 8_000_000, "medium": 30_000_000, "low": 120_000_000}
"""What nobody has acknowledged is sounded again after so long, for as long as its limit is exceeded."""
BELLS: dict[Sound, int] = {"high": 3, "medium": 2, "low": 1, "test": 1, "begin": 1, "good": 1, "again": 1}
"""How often the terminal's bell rings, where nothing better works."""
BELL_GAP_US = 300_000
COMMAND_LIMIT_S = 30.0
"""How long a command of the owner's may take before it is ended."""
MUTE_US = 600_000_000
_FOREVER = 2**62


def ring_bell() -> None:
    """Ring the terminal's bell, if there is a terminal."""
    with contextlib.suppress(OSError, ValueError):
        if sys.stderr.isatty():
            sys.stderr.write("\a")
            sys.stderr.flush()


class Sounder:
    """Plays a pattern by priority when an alarm is raised, and again while it stands unacknowledged.

    ``async with`` it; :meth:`take` is a direct listener of the bus and returns at once. No trouble with sound ever
    reaches the run: where a way fails the next is tried, and the terminal's bell is the last.

    Args:
        clock: real time.
        own_sound: a WAV file of the owner's, played instead of ours for every priority.
        command: a program of the owner's with its arguments, run each time an alarm sounds; it is given priority,
            limit and signal as three more arguments. No shell sees it, and nothing waits for it.

    Attributes:
        bell: the last resort.

    """

    def __init__(
        self, clock: Clock | None = None, own_sound: Path | None = None, command: Sequence[str] = ()
    ) -> None:
        self._own_sound = own_sound
        self._command = tuple(command)
        self._commanding: asyncio.Task[bool] | None = None
        self.bell: Callable[[], None] = ring_bell
        self._clock: Clock = SystemClock() if clock is None else clock
        self._players: list[Player] = []
        self._bell_only = False
        self._folder: Path | None = None
        self._unseen: dict[tuple[str, str], Priority] = {}
        self._pending: list[tuple[Priority, str, str]] = []
        self._cue: Sound | None = None
        self._sounded_at = 0
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

    async def __aexit__(self, *_failure: object) -> None:
        for task in (self._task, self._commanding):
            if task is not None:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)

    def take(self, span: Span) -> None:
        """Note alarm changes; what is to be heard is played by a task of its own."""
        for event in span.events:
            if isinstance(event, AlarmChange):
                self._note_change(event)

    def _note_change(self, change: AlarmChange) -> None:
        if change.state == "standing at end":
            return
        key = (change.limit, change.signal)
        if change.stands != "unacknowledged":
            self._unseen.pop(key, None)
            self._pending = [each for each in self._pending if each[1:] != key]
            return
        priority = priority_of(change.limit, change.level)
        self._unseen[key] = priority
        self._pending.append((priority, *key))
        self._woken.set()

    @property
    def alarms(self) -> bool:
        """Whether an alarm is there that nobody has seen."""
        return bool(self._unseen)

    def cue(self, sound: Sound) -> None:
        """Play a tone of a guided drive; none while an alarm waits to be seen."""
        if not self._unseen:
            self._cue = sound
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
            return f"sound off {length((self._muted_until - now) / 1e6)}"
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
            due, self._pending = self._pending, []
            now = self._clock.now()
            if not due and now >= self._repeat_at:
                due = [(priority, *key) for key, priority in self._unseen.items()]
            if not due:
                cue, self._cue = self._cue, None
                if cue is None:
                    await self._wait()
                elif now >= self._muted_until:
                    await self._play(cue)
                continue
            most_urgent = min(due, key=lambda each: PRIORITIES.index(each[0]))
            if now >= self._muted_until:
                self._start_command(most_urgent)
                await self._play(most_urgent[0])
            self._sounded_at = self._clock.now()

    @property
    def _repeat_at(self) -> int:
        """When what nobody has seen is due again, by the most urgent of it."""
        waits = [REPEAT_US[priority] for priority in self._unseen.values()]
        return self._sounded_at + min(waits) if waits else _FOREVER

    def _start_command(self, alarm: tuple[Priority, str, str]) -> None:
        """Start the owner's command, unless it is still busy with the alarm before."""
        if self._command and (self._commanding is None or self._commanding.done()):
            words = [printable(word, 80) for word in alarm]
            self._commanding = asyncio.create_task(run_quietly([*self._command, *words], COMMAND_LIMIT_S))

    async def _wait(self) -> None:
        """Return when something was raised, or what nobody has seen is due to be repeated."""
        self._woken.clear()
        if self._unseen:
            await event_or(self._clock, self._repeat_at, self._woken)
        else:
            await self._woken.wait()

    async def _play(self, sound: Sound) -> str | None:
        """Play by the first way that works and return its name; None where only the bell was left."""
        async with self._playing:
            return await self._play_alone(sound)

    async def _play_alone(self, sound: Sound) -> str | None:
        for player in list(self._players):
            own = self._own_sound if sound in (*PRIORITIES, "test") else None
            if self._folder is not None and await player.play(own or self._folder / f"{sound}.wav"):
                self._players.remove(player)
                self._players.insert(0, player)
                self._bell_only = False
                return player.name
        self._bell_only = True
        for ring in range(BELLS[sound]):
            if ring:
                await self._clock.sleep_until(self._clock.now() + BELL_GAP_US)
            with contextlib.suppress(Exception):
                self.bell()
        return None


@dataclass(frozen=True)
class Pattern:
    """Pulses one after another: pitch in Hz of each (0 for a rest as long as a pulse), and lengths in seconds."""

    pitches: tuple[float, ...]
    pulse_s: float
    gap_s: float


PATTERNS: dict[Sound, Pattern] = {
    "high": Pattern((587.0, 587.0, 587.0, 0.0, 440.0, 440.0, 0.0) * 2, 0.13, 0.07),
    "medium": Pattern((392.0, 392.0, 330.0), 0.22, 0.16),
    "low": Pattern((330.0,), 0.25, 0.10),
    "test": Pattern((330.0, 440.0), 0.25, 0.10),
    # Of a guided drive: one pulse, two that rise, two that fall; an alarm has neither their pitches nor their length.
    "begin": Pattern((523.0,), 0.35, 0.05),
    "good": Pattern((523.0, 659.0), 0.18, 0.03),
    "again": Pattern((659.0, 494.0), 0.18, 0.03),
}


def samples(pattern: Pattern) -> Values:
    """Return the sound as float64 samples, -1 to 1, at :data:`RATE`."""
    gap = np.zeros(round(pattern.gap_s * RATE))
    pieces = [piece for pitch in pattern.pitches for piece in (_pulse(pitch, pattern.pulse_s), gap)]
    return np.concatenate(pieces)


def _pulse(pitch: float, length_s: float) -> Values:
    t = np.arange(round(length_s * RATE)) / RATE
    if pitch == 0.0:
        return np.zeros(len(t))
    tone = sum(
        (strength * np.sin(2 * np.pi * pitch * (order + 1) * t) for order, strength in enumerate(HARMONICS)),
        np.zeros(len(t)),
    )
    edge = np.minimum(1.0, np.minimum(t, t[-1] - t) / _RISE_S)
    return np.asarray(_LOUDNESS * edge * tone / np.abs(tone).max())


def wav_bytes(sound: Sound) -> bytes:
    """Return a WAV file: 16 bit, one channel."""
    whole = np.round(samples(PATTERNS[sound]) * 32767).astype("<i2")
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes(whole.tobytes())
    return file.getvalue()
