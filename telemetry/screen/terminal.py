"""The screen on its terminal: one panel, one timer, keys and clicks. What it shows comes from elsewhere.

It loads nothing that a run needs, so that it can stand on the terminal before that is loaded.
"""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Iterable
from contextlib import suppress
from typing import ClassVar, Protocol

from textual import events
from textual.app import App, ComposeResult

from telemetry.screen.canvas import Line
from telemetry.screen.panel import Ground, Panel
from telemetry.screen.theme import Colours

PAINT_EVERY_S = 0.25


class Face(Protocol):
    """What the screen shows, and what keys and clicks on it do."""

    def begin(self, screen: TerminalScreen, /) -> None:
        """Take that it is on view now."""
        ...

    def lines(self, width: int, height: int, /) -> list[Line]:
        """Return the present moment drawn for a terminal of that size."""
        ...

    def press(self, key: str, character: str | None, /) -> None:
        """Take a key, as the terminal library calls it, and the character that it types, if it types one."""
        ...

    def click(self, x: int, y: int, /) -> None:
        """Take a click on a cell."""
        ...

    def scroll(self, step: int, /) -> None:
        """Take a step of the wheel: -1 up, 1 down."""
        ...


def _end_with_the_terminal() -> None:
    """Let a closed terminal end the program.

    The system then sends SIGHUP and SIGCONT. The library takes the second for a return from the background and starts
    another thread that reads the keys; it would read from the closed terminal for ever.
    """
    for name in ("SIGCONT", "SIGTSTP"):
        with suppress(AttributeError, ValueError):  # not on Windows, and only in the main thread
            signal.signal(getattr(signal, name), signal.SIG_DFL)


def _has_terminal() -> bool:
    with suppress(ValueError):  # closed
        return sys.__stdin__ is not None and sys.__stdin__.isatty()
    return False


class TerminalScreen(App[tuple[str, ...]], inherit_bindings=False):
    """The screen; ``await screen.run_async()`` shows it until it is left, and returns what its face leaves with.

    Args:
        face: what it shows first.
        colours: how many the terminal takes.

    """

    CSS: ClassVar[str] = "Screen { overflow: hidden; }"
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT = False
    TITLE = "shakedown"

    def __init__(self, face: Face, colours: Colours) -> None:
        super().__init__(ansi_color=colours != "full")
        self.animation_level = "none"
        self._face = face
        self._panel = Panel()
        self._on_terminal = False
        self._painted = asyncio.Event()

    def get_default_screen(self) -> Ground:
        """Give the ground that the panel covers."""
        return Ground(id="_default")

    def compose(self) -> ComposeResult:
        """Give the one panel."""
        yield self._panel

    def on_mount(self) -> None:
        """Start the one timer."""
        _end_with_the_terminal()
        self._on_terminal = _has_terminal()
        self.set_interval(PAINT_EVERY_S, self.paint)
        self._face.begin(self)

    def on_resize(self) -> None:
        """Draw for the new size at once."""
        self.paint()

    def show(self, face: Face, keys: Iterable[tuple[str, str | None]] = ()) -> None:
        """Show ``face`` from now on; it is given the ``keys`` that were pressed for it before."""
        self._face = face
        if not self.is_running:
            return
        face.begin(self)
        for key, character in keys:
            face.press(key, character)
        self._answer()

    async def painted(self) -> None:
        """Return once the first frame was given to the terminal."""
        await self._painted.wait()

    def paint(self) -> None:
        """Draw the present moment; only lines that changed reach the terminal."""
        if not self._panel.is_mounted:
            return
        if self._on_terminal and not _has_terminal():
            # Closed while SIGHUP is ignored: the run goes on, but the library would read keys from it for ever.
            self.exit(return_code=1)
            return
        width, height = self.size
        self._panel.show(self._face.lines(width, height), width)
        if not self._painted.is_set():
            self.call_after_refresh(self._painted.set)

    def on_key(self, event: events.Key) -> None:
        """Take a key; everything is drawn at once, so that the answer is seen."""
        event.stop()
        event.prevent_default()
        self._face.press(event.key, event.character)
        self._answer()

    def on_click(self, event: events.Click) -> None:
        """Take a click: what is drawn there says which key it stands for."""
        event.stop()
        self._face.click(event.screen_x, event.screen_y)
        self._answer()

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Move up."""
        event.stop()
        self._face.scroll(-1)
        self._answer()

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Move down."""
        event.stop()
        self._face.scroll(1)
        self._answer()

    def _answer(self) -> None:
        if not self._exit:
            self.paint()
