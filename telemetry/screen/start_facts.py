"""What the first screen knows: what is in reach, how far the machine has come, and the next step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from telemetry.screen.theme import Meaning


@dataclass(frozen=True)
class StartLine:
    """One line: a badge, what it is, what there is to say, and the key that acts on it.

    Attributes:
        meaning: of the badge; None for what is merely open.
        badge: its words.
        name: what stands beside it; empty where the badge names it.
        text: how it stands.
        key, does: what acts on it, in two words; empty for nothing.
        words: the command that the key gives.

    """

    meaning: Meaning | None
    badge: str
    name: str
    text: str
    key: str = ""
    does: str = ""
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class StartFacts:
    """All of it at one moment.

    Attributes:
        next: what to do next, in a few words; ``next_words`` is its command, empty for none.
        reach: machine files and links, ports, radio.
        steps: fit, first power, first drive.
        is_looking: whether more is still to be found out.

    """

    next: str = "..."
    next_key: str = ""
    next_words: tuple[str, ...] = ()
    reach: tuple[StartLine, ...] = ()
    steps: tuple[StartLine, ...] = ()
    is_looking: bool = True

    def words_for(self, key: str) -> tuple[str, ...]:
        """Return the command of a line's key; empty where no line has it."""
        return next((line.words for line in (*self.reach, *self.steps) if line.key == key and line.words), ())
