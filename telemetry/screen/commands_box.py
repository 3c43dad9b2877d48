"""The list of commands, found by typing: the best match first, with the key that does the same beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.page import Drawn, Target
from telemetry.screen.prompt import Prompt

_LONGEST = 40


@dataclass(frozen=True)
class Command:
    """What can be done now: in words, by which key, and what does it."""

    words: str
    key: str
    run: Callable[[], None]


def matching(commands: Sequence[Command], typed: str) -> list[Command]:
    """Return the commands in which every typed word begins a word, earlier ones first; else those with it inside."""
    wanted = typed.lower().split()
    for before in (" ", ""):
        found = []
        for place, command in enumerate(commands):
            text = f" {command.words.lower()}"
            where = [text.find(f"{before}{word}") for word in wanted]
            if all(at >= 0 for at in where):
                found.append((sum(where), place, command))
        if found:
            return [command for *_, command in sorted(found, key=lambda entry: entry[:2])]
    return []


@dataclass
class CommandsBox(Prompt):
    """The list that is open.

    Attributes:
        commands: all of them.
        text: what has been typed.
        place: which match is chosen.

    """

    commands: Sequence[Command]
    text: str = ""
    place: int = 0
    types = True
    keys = "enter run   up down choose   escape close"
    _run: Command | None = field(default=None, init=False)

    @property
    def matches(self) -> list[Command]:
        """The commands that fit what is typed."""
        return matching(self.commands, self.text)

    def press(self, key: str, character: str | None, /) -> bool:
        """Take a key: letters narrow the list, up and down choose, enter runs, escape closes."""
        matches = self.matches
        if key == "escape":
            return True
        if key == "enter":
            self._run = matches[self.place] if self.place < len(matches) else None
            return self._run is not None
        if key in ("up", "down"):
            self.place = min(max(0, self.place + (1 if key == "down" else -1)), max(0, len(matches) - 1))
        elif key == "backspace":
            self.text, self.place = self.text[:-1], 0
        elif character is not None and character.isprintable():
            self.text, self.place = (self.text + character)[:_LONGEST], 0
        return False

    def choose(self, place: int) -> bool:
        """Run the match at ``place``."""
        self.place = place
        return self.press("enter", None)

    def close(self) -> None:
        """Run what was chosen."""
        if self._run is not None:
            self._run.run()

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw the list below the first row, over the view."""
        drawn = Drawn()
        matches = self.matches
        room = max(1, min(canvas.height - 11, 12))
        for y in range(1, min(room + 4, canvas.height - 1)):
            canvas.clear_row(y)
        title = fitted(" What do you want to do? Type a word of it.", canvas.width - 2)
        canvas.put(1, 1, title, canvas.palette.inverse)
        canvas.put(2, 2, f"{self.text}▌")
        first = max(0, self.place - room + 1)
        for row, command in enumerate(matches[first : first + room]):
            y = 3 + row
            sign = "►" if first + row == self.place else " "
            key = command.key
            canvas.put(1, y, f"{sign} {fitted(command.words, canvas.width - 8 - len(key))}")
            canvas.label(canvas.width - 2 - len(key), y, key)
            drawn.targets.append(Target(0, y, canvas.width, choose=first + row))
        if not matches:
            canvas.label(3, 3, "no command has that word")
        canvas.label(1, 3 + room, "─" * (canvas.width - 2))
        return drawn
