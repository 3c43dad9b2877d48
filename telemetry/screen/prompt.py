"""What is open over a view and takes the keys until it is done: a question, the words of a mark, help, commands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.page import Drawn

NEVER = 2**62
"""Closes when it is done, and not before."""
ASK_US = 6_000_000
"""How long a question waits for its answer."""
LEAVE = "LEAVE?  q again"


class Prompt(Protocol):
    """One thing that is open.

    Attributes:
        closes_at: when it closes by itself, int microseconds by the wall clock.
        types: whether letters are typed into it, so that ``q`` is a letter.
        is_page: whether it is drawn in place of the view, with the band below it.

    """

    closes_at: int
    types: bool
    is_page: bool

    @property
    def keys(self) -> str:
        """What the last row says of its keys."""
        ...

    def press(self, key: str, character: str | None, /) -> bool:
        """Take a key; tell whether it is done."""
        ...

    def close(self) -> None:
        """Do what is to be done once it is closed, whoever closed it."""
        ...

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw it over the view; None where clicks go on to the view below."""
        ...


@dataclass
class Question:
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
    types: bool = False
    is_page: bool = False
    keys: str = ""
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


def leave_question(leaving: str) -> str:
    """Return what is asked before the screen is left; ``leaving`` says what that does, as ``ends the run``."""
    return f"{LEAVE} {leaving}. Any other key goes on."


def draw_message(canvas: Canvas, message: str, asks: bool) -> None:
    """Draw a sentence in place of the footer: blue where it waits for a key, green where it only tells."""
    y = canvas.height - 1
    canvas.clear_row(y)
    canvas.badge(0, y, "act" if asks else "normal", fitted(message, canvas.width - 4), canvas.width)
