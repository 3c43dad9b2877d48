"""One line that is typed: a name, a note, a file, words to find something by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from telemetry.screen.canvas import Canvas
from telemetry.screen.page import Drawn
from telemetry.screen.prompt import Prompt


def _nothing(_text: str) -> None:
    """What an entry does that only matters once it is done."""


@dataclass
class LineEntry(Prompt):
    """A line that is open.

    Attributes:
        asks: what is to be typed.
        text: what has been typed.
        done: takes the text on enter.
        changed: takes it after each letter.
        given_up: called on escape, and where it closes by itself.
        moved: takes a step where up or down is pressed.
        longest: letters.

    """

    asks: str
    text: str
    done: Callable[[str], None]
    changed: Callable[[str], None] = _nothing
    given_up: Callable[[], None] = lambda: None
    moved: Callable[[int], None] = lambda _step: None
    longest: int = 40
    types = True
    _is_kept: bool = False

    def press(self, key: str, character: str | None, /) -> bool:
        """Take a key: enter keeps, escape gives up, anything printable is typed."""
        if key in ("enter", "escape"):
            self._is_kept = key == "enter"
            return True
        if key in ("up", "down"):
            self.moved(1 if key == "down" else -1)
        elif key == "backspace":
            self.text = self.text[:-1]
            self.changed(self.text)
        elif character is not None and character.isprintable():
            self.text = (self.text + character)[: self.longest]
            self.changed(self.text)
        return False

    def close(self) -> None:
        """Hand the text over, or give up."""
        if self._is_kept:
            self.done(self.text.strip())
        else:
            self.given_up()

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw it in place of the footer; the end of a long text stays in sight."""
        y = canvas.height - 1
        canvas.clear_row(y)
        hint = "  enter keep, escape leave"
        room = max(4, canvas.width - len(self.asks) - len(hint) - 8)
        canvas.badge(0, y, "act", f"{self.asks}: {self.text[-room:]}▌{hint}", canvas.width)
        return None
