"""The words of a mark: the moment is the key press, the words come after it, by one key or typed."""

from __future__ import annotations

from dataclasses import dataclass, field

PLAIN = "mark"
"""What a mark is called that was given no words."""
PRESETS = ("hill", "soft ground", "load on", "load off", "odd noise", "hot smell")
"""Words set by one key, 1 to 6, while nothing is typed yet."""
LONGEST = 24
OPEN_US = 20_000_000
"""How long the entry waits for another key; then the mark is kept with what has been typed."""


@dataclass
class MarkEntry:
    """An entry that is open.

    Attributes:
        t: the moment marked, int microseconds by the run's clock.
        closes_at: when it closes by itself, int microseconds by the wall clock.
        presets: words by key, the first by ``1``.
        text: what has been typed.

    """

    t: int
    closes_at: int
    presets: tuple[str, ...] = PRESETS
    text: str = field(default="")

    @property
    def words(self) -> str:
        """What the mark is called as things stand."""
        return self.text.strip() or PLAIN

    def press(self, key: str, character: str | None) -> bool:
        """Take a key; tell whether the entry is complete.

        Enter and escape complete it; so does a preset's digit, and space while nothing is typed (a button that
        sends nothing but spaces must not fill an entry with them).
        """
        if key in ("enter", "escape"):
            return True
        if key == "backspace":
            self.text = self.text[:-1]
            return False
        if character is None or not character.isprintable():
            return False
        if not self.text:
            if character == " ":
                return True
            if character.isdecimal() and 1 <= int(character) <= len(self.presets):
                self.text = self.presets[int(character) - 1]
                return True
        self.text = (self.text + character)[:LONGEST]
        return False
