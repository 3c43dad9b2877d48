"""What is open over a view and takes the keys until it is done: a question, the words of a mark, help, commands."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.page import Drawn, Row, draw_page

NEVER = 2**62
"""Closes when it is done, and not before."""
ASK_US = 6_000_000
"""How long a question waits for its answer."""
LEAVE = "LEAVE?  q again"


class Prompt(ABC):
    """One thing that is open.

    Attributes:
        closes_at: when it closes by itself, int microseconds by the wall clock.
        types: whether letters are typed into it, so that ``q`` is a letter.
        is_page: whether it is drawn in place of the view, with the band below it.

    """

    closes_at = NEVER
    types = False
    is_page = False

    @property
    def keys(self) -> str:
        """What the last row says of its keys."""
        return ""

    @abstractmethod
    def press(self, key: str, character: str | None, /) -> bool:
        """Take a key; tell whether it is done."""

    def close(self) -> None:
        """Do what is to be done once it is closed, whoever closed it."""
        return

    @abstractmethod
    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw it over the view; None where clicks go on to the view below."""


@dataclass
class Question(Prompt):
    """One line that asks for a key, in place of the footer; a key that is not listed leaves things as they are.

    Attributes:
        text: what is asked.
        answers: what each key does.
        closes_at: as of :class:`Prompt`.
        otherwise: what is done where no answer was given.

    """

    text: str
    answers: Mapping[str, Callable[[], None]]
    closes_at: int
    otherwise: Callable[[], None] | None = None
    _answered: bool = False

    def press(self, key: str, _character: str | None, /) -> bool:
        """Take the answer."""
        if key in self.answers:
            self._answered = True
            self.answers[key]()
        return True

    def close(self) -> None:
        """Tell that nothing was answered, where somebody wants to know."""
        if not self._answered and self.otherwise is not None:
            self.otherwise()

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw the question in the last row."""
        draw_message(canvas, self.text, asks=True)
        return None


@dataclass
class TextPage(Prompt):
    """A page that is open until a key closes it.

    Attributes:
        title: its first row.
        rows: makes the rows below for a window of so many cells.
        scrolled: rows it is moved down by.

    """

    title: str
    rows: Callable[[int], Sequence[Row]]
    scrolled: int = 0
    is_page = True
    _most: int = 0
    _room: int = 1

    @property
    def keys(self) -> str:
        """What the last row says."""
        return "up down more   space next page   any other key closes" if self._most else "any key closes"

    def press(self, key: str, _character: str | None, /) -> bool:
        """Move by up, down and space; any other key closes, and so does space at the end."""
        steps = {"up": -1, "down": 1, "space": self._room - 1}
        if key not in steps or (key == "space" and self.scrolled >= self._most):
            return key != "space" or not self._most
        self.scrolled = min(max(0, self.scrolled + steps[key]), self._most)
        return False

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw it in place of a view."""
        canvas.put(1, 0, fitted(f" {self.title}", canvas.width - 2), canvas.palette.inverse)
        drawn = draw_page(canvas, self.rows(canvas.width), self.scrolled)
        self._most, self._room = drawn.most, drawn.room
        return Drawn()


def leave_question(leaving: str) -> str:
    """Return what is asked before the screen is left; ``leaving`` says what that does, as ``ends the run``."""
    return f"{LEAVE} {leaving}. Any other key goes on."


def draw_message(canvas: Canvas, message: str, asks: bool) -> None:
    """Draw a sentence in place of the footer: blue where it waits for a key, green where it only tells."""
    y = canvas.height - 1
    canvas.clear_row(y)
    canvas.badge(0, y, "act" if asks else "normal", fitted(message, canvas.width - 4), canvas.width)
