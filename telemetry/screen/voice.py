"""The platform's own voice, where it has one: what is asked of a driver is spoken; nobody reads while moving."""

from __future__ import annotations

import asyncio
import shutil
import sys
from collections.abc import Sequence

from telemetry.screen.players import run_quietly

LIMIT_S = 60.0
"""A program that speaks for longer hangs; the longest instruction with its cautions takes half of it."""
_PROGRAMS: dict[str, tuple[tuple[str, ...], ...]] = {
    "darwin": (("say",),),
    "linux": (("spd-say", "--wait"), ("espeak-ng",), ("espeak",)),
}
"""Programs that speak the text given as last argument, in the order tried."""


def voice_here() -> tuple[str, ...] | None:
    """Return the command that speaks here; None where there is none."""
    for command in _PROGRAMS.get(sys.platform, ()):
        if (path := shutil.which(command[0])) is not None:
            return (path, *command[1:])
    return None


class Voice:
    """Speaks one thing after another; of what waits only the latest is spoken, for the rest is past.

    Args:
        command: speaks the text that is added as last argument.

    """

    def __init__(self, command: Sequence[str]) -> None:
        self._command = tuple(command)
        self._waiting = ""
        self._speaking: asyncio.Task[None] | None = None

    def say(self, text: str) -> None:
        """Speak ``text`` once what is being spoken has ended; returns at once."""
        self._waiting = text
        if self._speaking is None or self._speaking.done():
            self._speaking = asyncio.get_running_loop().create_task(self._speak(), name="voice")

    async def _speak(self) -> None:
        while self._waiting:
            text, self._waiting = self._waiting, ""
            await run_quietly([*self._command, text.lstrip("-")], LIMIT_S)

    def hush(self) -> None:
        """Drop what waits, as an alarm is heard."""
        self._waiting = ""

    async def close(self) -> None:
        """End what is being spoken."""
        self._waiting = ""
        if self._speaking is not None:
            self._speaking.cancel()
            await asyncio.gather(self._speaking, return_exceptions=True)
