"""The words of a mark: the mark is kept as the key is pressed; the words come after it, by one key or typed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from telemetry.screen.canvas import Canvas
from telemetry.screen.formats import wrapped
from telemetry.screen.page import Drawn, Target
from telemetry.screen.prompt import Prompt

PLAIN = "mark"
"""What a mark is called that was given no words."""
PRESETS = ("hill", "soft ground", "load on", "load off", "odd noise", "hot smell")
"""Words of a mark by key, the first by ``1``."""
"""Words set by one key, 1 to 6, while nothing is typed yet."""
LONGEST = 24
OPEN_US = 20_000_000
"""How long the entry waits for another key; then the mark has what has been typed."""

Outcome = Literal["words", "no words", "taken back"]


@dataclass
class MarkEntry(Prompt):
    """An entry that is open.

    Attributes:
        t: the moment marked, int microseconds by the run's clock; ``at`` the same as text.
        closes_at: when it closes by itself, int microseconds by the wall clock.
        done: takes the entry as it is closed.
        text: what has been typed.
        outcome: what becomes of the mark.
        at_top: drawn in the first rows, so that what to do about an alarm stays in sight.

    """

    t: int
    at: str
    done: Callable[[MarkEntry], None]
    closes_at: int
    text: str = ""
    outcome: Outcome = "words"
    at_top: bool = False
    types = True
    keys = "enter keep   escape no words   backspace take back"

    @property
    def words(self) -> str:
        """What the mark is called as things stand."""
        return PLAIN if self.outcome == "no words" else self.text.strip() or PLAIN

    def press(self, key: str, character: str | None, /) -> bool:
        """Take a key; tell whether the entry is complete.

        Enter and escape complete it; so does a preset's digit, and space while nothing is typed (a button that
        sends nothing but spaces must not fill an entry with them). Backspace while nothing is typed takes it back.
        """
        if key == "escape":
            self.outcome = "no words"
        if key in ("enter", "escape"):
            return True
        if key == "backspace":
            if not self.text:
                self.outcome = "taken back"
                return True
            self.text = self.text[:-1]
            return False
        if character is None or not character.isprintable():
            return False
        if not self.text:
            if character == " ":
                return True
            if character.isdecimal() and 1 <= int(character) <= len(PRESETS):
                self.text = PRESETS[int(character) - 1]
                return True
        self.text = (self.text + character)[:LONGEST]
        return False

    def close(self) -> None:
        """Hand the entry over."""
        self.done(self)

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw what is typed and the ready words."""
        choices = [f"{number} {words}" for number, words in enumerate(PRESETS, start=1)]
        # A choice is not broken in the middle: its blanks are kept while the line is.
        lines = wrapped("  ".join(choice.replace(" ", "\u00a0") for choice in choices), canvas.width - 2)
        y = 0 if self.at_top else max(0, canvas.height - 2 - len(lines))
        drawn = Drawn()
        for row in range(y, y + 1 + len(lines)):
            canvas.clear_row(row)
        canvas.badge(0, y, "act", f"mark at {self.at}, kept. What is it? {self.text}▌", canvas.width)
        for row, line in enumerate(lines, start=y + 1):
            x = 1
            for shown in line.split("  "):
                drawn.targets.append(Target(x, row, len(shown), press=shown[0]))
                x = canvas.put(x, row, shown) + 2
        return drawn
