"""Ways to play a WAV file that a platform may have, a program or a call of Windows; and the owner's own sound."""

from __future__ import annotations

import asyncio
import os
import shlex
import shutil
import signal
import sys
import wave
from asyncio.subprocess import Process
from collections.abc import Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from telemetry.model.errors import InputError, printable

_LIMIT_S = 8.0
# In the order tried: what talks to the sound server first, the bare device last.
_PROGRAMS: dict[str, tuple[tuple[str, ...], ...]] = {
    "darwin": (("afplay",),),
    "linux": (("pw-play",), ("paplay",), ("aplay", "-q")),
}


@dataclass(frozen=True)
class Player:
    """A program that plays the file named as its last argument; no ``command`` means Windows' own call."""

    name: str
    command: tuple[str, ...] = ()

    async def play(self, file: Path) -> bool:
        """Play ``file`` to its end without blocking the loop; tell whether that went well."""
        if not self.command:
            return await asyncio.to_thread(_play_by_windows, file)
        return await run_quietly([*self.command, str(file)], _LIMIT_S)


async def run_quietly(command: Sequence[str], limit_s: float) -> bool:
    """Run a program without a shell and without its output; tell whether it ended well within ``limit_s`` seconds."""
    try:
        process = await _started(_start(command))
    except (OSError, ValueError):
        return False
    try:
        return await asyncio.wait_for(process.wait(), limit_s) == 0
    except TimeoutError:
        return False
    finally:
        if process.returncode is None:
            await _kill(process)


def _start(command: Sequence[str]) -> Coroutine[Any, Any, Process]:
    """Start it at the head of a session of its own, so that it can be ended with all that it started."""
    quiet = asyncio.subprocess.DEVNULL
    return asyncio.create_subprocess_exec(*command, stdin=quiet, stdout=quiet, stderr=quiet, start_new_session=True)


async def _kill(process: Process) -> None:
    with suppress(ProcessLookupError):
        if sys.platform == "win32":
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)
    await process.wait()


async def _started(starting: Coroutine[Any, Any, Process]) -> Process:
    """Return the process; who is cancelled meanwhile ends it first, for a process that nobody holds ends nowhere."""
    task = asyncio.ensure_future(starting)
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        with suppress(OSError, ValueError):
            await _kill(await task)
        raise


def _play_by_windows(file: Path) -> bool:
    if sys.platform == "win32":
        import winsound

        try:
            winsound.PlaySound(str(file), winsound.SND_FILENAME | winsound.SND_NODEFAULT)
        except RuntimeError:
            return False
        return True
    return False


def players_here() -> list[Player]:
    """Return the ways that this computer has, best first; empty where there is none."""
    if sys.platform == "win32":
        return [Player("winsound")]
    programs = _PROGRAMS.get(sys.platform, _PROGRAMS["linux"])
    found = [(shutil.which(program[0]), program) for program in programs]
    return [Player(program[0], (path, *program[1:])) for path, program in found if path is not None]


def checked_sound(path: Path) -> Path:
    """Return ``path`` where it is a WAV file that can be read.

    Raises:
        InputError: it is none.

    """
    name = printable(path, 200)
    try:
        with wave.open(str(path), "rb") as sound:
            rate = sound.getframerate()
            if rate < 1:
                raise InputError(f"{name} states a rate of {rate} samples a second; give a WAV file (PCM)")
            seconds = sound.getnframes() / rate
    except FileNotFoundError:
        raise InputError(f"{name}: there is no such sound file; check the name and the folder") from None
    except (OSError, EOFError, wave.Error) as error:
        raise InputError(f"{name} cannot be played: {printable(error)}; give a WAV file (PCM)") from error
    if not 0.05 <= seconds <= 8.0:
        raise InputError(f"{name} lasts {seconds:.2f} s; an alarm sound lasts 0.05 to 8 s")
    return path


def checked_command(text: str) -> tuple[str, ...]:
    """Return the program and arguments that ``text`` names; no shell is ever asked.

    Raises:
        InputError: it cannot be taken apart, or there is no such program.

    """
    try:
        words = tuple(shlex.split(text, posix=os.name != "nt"))
    except ValueError as error:
        raise InputError(f"the alarm command cannot be read: {printable(error)}; close every quote") from error
    if not words:
        raise InputError("the alarm command is empty; name a program, with its arguments if any")
    found = shutil.which(words[0])
    if found is None:
        what = f"there is no program {printable(words[0], 100)} for the alarm command"
        raise InputError(f"{what}; no shell runs it, so name a program and not a line of a shell")
    return found, *words[1:]
