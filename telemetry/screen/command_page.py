"""A command of this program run beside the screen, in a process of its own, and the page with what it says."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.formats import wrapped
from telemetry.screen.page import Drawn, Piece, Row, draw_page
from telemetry.screen.prompt import NEVER


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


@dataclass
class CommandPage:
    """The page; a :class:`~telemetry.screen.prompt.Prompt`.

    Attributes:
        title: its first row.
        waiting: what is said while the command runs.
        command: whose output is shown.
        after: said below it.

    """

    title: str
    waiting: str
    command: RunningCommand
    after: str = ""
    scrolled: int = 0
    closes_at: int = NEVER
    types: bool = False
    is_page: bool = True
    _most: int = 0
    _room: int = 1

    @property
    def keys(self) -> str:
        """What the last row says."""
        if self.command.status is None:
            return "any key stops it"
        return "up down more   space next page   any other key closes" if self._most else "any key closes"

    def press(self, key: str, _character: str | None, /) -> bool:
        """Move by up, down and space; any other key closes."""
        steps = {"up": -1, "down": 1, "space": self._room - 1}
        if self.command.status is None or key not in steps:
            return True
        if key == "space" and self.scrolled >= self._most:
            return not self._most
        self.scrolled = min(max(0, self.scrolled + steps[key]), self._most)
        return False

    def close(self) -> None:
        """Stop the command where it still runs."""
        if self.command.status is None:
            self.command.stop()

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw it in place of a view."""
        canvas.put(1, 0, fitted(f" {self.title}", canvas.width - 2), canvas.palette.inverse)
        drawn = draw_page(canvas, self._page(canvas.width - 2), self.scrolled)
        self._most, self._room = drawn.most, drawn.room
        return Drawn()

    def _page(self, width: int) -> list[Row]:
        command = self.command
        if command.status is None:
            return [Row((Piece(1, self.waiting),))]
        if command.status not in (0, 1):
            return [Row((Piece(1, line),)) for line in wrapped(command.said, width)]
        lines = [line.rstrip() for line in command.out.splitlines()]
        said = [each for line in lines for each in ([line] if len(line) <= width else wrapped(line, width))]
        return [Row((Piece(1, line),)) for line in [*said, "", *wrapped(self.after, width)]]
