"""The first screen: what ``shakedown`` without a command shows in a terminal."""

from __future__ import annotations

import argparse
import shlex
import signal
import sys
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from telemetry.runs.judging import JudgingProcess

_WITHOUT_WORDS = ("review", "replay")
"""Commands that leave nothing in the terminal to be read."""


def has_terminal() -> bool:
    """Return whether somebody sits at a terminal, who can see a screen and press keys."""
    with suppress(ValueError, AttributeError):  # closed, or none at all
        return sys.stdin.isatty() and sys.stdout.isatty()
    return False


def parsed_start() -> argparse.Namespace:
    """Return what the parser would give for the first screen."""
    return argparse.Namespace(run=start)


def start(_arguments: argparse.Namespace) -> int:
    """Show the first screen; run the command that a key asks for, then show it again."""
    from telemetry.runs.program import PROGRAM, program_version
    from telemetry.runs.survey import Survey
    from telemetry.screen.session_list import SessionList
    from telemetry.screen.start_face import StartFace
    from telemetry.screen.terminal import TerminalScreen
    from telemetry.screen.theme import detected_colours
    from telemetry.store.place import default_store_path

    store, chosen, page = default_store_path(), None, "start"
    while True:
        colours = detected_colours()
        with closing(SessionList(store, program_version(), _judge, chosen=chosen)) as sessions:
            face = StartFace(Survey(Path(), store), sessions, PROGRAM, page=page, colours=colours)
            words = TerminalScreen(face, colours).run()
        if words is None:
            return 0
        chosen, page = sessions.chosen, face.page
        _run(words, PROGRAM)
        if words[0] not in _WITHOUT_WORDS and not _goes_on():
            return 0


def _judge(store: Path) -> JudgingProcess:
    from telemetry.runs.judging import JudgingProcess

    return JudgingProcess(store)


def _run(words: Sequence[str], program: Sequence[str]) -> None:
    """Run a command in this terminal, in a process of its own, whose ctrl-c is not ours."""
    import subprocess

    sys.stdout.write(f"$ shakedown {shlex.join(words)}\n")
    sys.stdout.flush()
    before = signal.signal(signal.SIGINT, lambda *_: None)
    try:
        subprocess.run([*program, *words], check=False)  # noqa: S603 - this program itself
    finally:
        signal.signal(signal.SIGINT, before)


def _goes_on() -> bool:
    """Wait until what was printed has been read; tell whether to show the first screen again."""
    sys.stdout.write("\nenter: back to the first screen   ctrl-c: leave ")
    sys.stdout.flush()
    try:
        return sys.stdin.readline() != ""
    except KeyboardInterrupt:
        sys.stdout.write("\n")
        return False
