"""A command of this program run beside the screen, in a process of its own, and the page with what it says."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Sequence
from contextlib import suppress

from telemetry.screen.formats import wrapped
from telemetry.screen.page import Piece, Row
from telemetry.screen.prompt import TextPage


class RunningCommand:
    """A command that runs; :attr:`status` is None until it has ended.

    Args:
        words: program and arguments.

    Attributes:
        out, err: what it has printed, once it has ended.

    """

    def __init__(self, words: Sequence[str]) -> None:
        self.out, self.err = "", ""
        self.status: int | None = None
        self._process = subprocess.Popen(  # noqa: S603 - this program itself
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
        )
        threading.Thread(target=self._wait, daemon=True).start()

    def _wait(self) -> None:
        self.out, self.err = self._process.communicate()
        self.status = self._process.returncode

    def stop(self) -> None:
        """End it before its time, as ctrl-c would."""
        with suppress(OSError):
            self._process.terminate()

    @property
    def said(self) -> str:
        """What it came to, in one line: what it printed, or its last error where it failed."""
        if self.status == 0:
            return "; ".join(self.out.strip().splitlines())
        lines = self.err.strip().splitlines()
        return (lines[-1] if lines else "it ended without a word").removeprefix("shakedown: ")


class CommandPage(TextPage):
    """The page with what a command says.

    Args:
        title: its first row.
        waiting: what is said while the command runs.
        command: whose output is shown.
        after: said below it.

    """

    def __init__(self, title: str, waiting: str, command: RunningCommand, after: str = "") -> None:
        super().__init__(title, self._page)
        self.command = command
        self._waiting, self._after = waiting, after

    @property
    def keys(self) -> str:
        """What the last row says."""
        return "any key stops it" if self.command.status is None else super().keys

    def press(self, key: str, character: str | None, /) -> bool:
        """Move; while the command runs any key closes."""
        return self.command.status is None or super().press(key, character)

    def close(self) -> None:
        """Stop the command where it still runs."""
        if self.command.status is None:
            self.command.stop()

    def _page(self, width: int) -> list[Row]:
        command, width = self.command, width - 2
        if command.status is None:
            return [Row((Piece(1, self._waiting),))]
        if command.status not in (0, 1):
            return [Row((Piece(1, line),)) for line in wrapped(command.said, width)]
        lines = [line.rstrip() for line in command.out.splitlines()]
        said = [each for line in lines for each in ([line] if len(line) <= width else wrapped(line, width))]
        return [Row((Piece(1, line),)) for line in [*said, "", *wrapped(self._after, width)]]
