"""What the owner wants to hear at an alarm: a sound file or a program of their own, checked before the run begins."""

from __future__ import annotations

import os
import shlex
import shutil
import wave
from pathlib import Path

from telemetry.model.errors import InputError, printable


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
