"""A page of rows that may be longer than the window: cards, lists, and what a click on a row means."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, get_args

from rich.style import Style

from telemetry.model.time_text import clock_at
from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.formats import wrapped
from telemetry.screen.theme import SHAPES, Meaning

if TYPE_CHECKING:
    from telemetry.screen.scene import Scene

_MEANINGS: tuple[Meaning, ...] = get_args(Meaning)


@dataclass(frozen=True)
class Piece:
    """Text at a column, as a ``figure``, ``label`` or ``strong``; a meaning fills it, ``end MEANING`` colours it."""

    x: int
    text: str
    kind: str | Style = "figure"


@dataclass(frozen=True)
class Row:
    """One row of a page; ``of`` is what it belongs to and a click on it chooses."""

    pieces: tuple[Piece, ...] = ()
    of: Hashable | None = None


@dataclass(frozen=True)
class Target:
    """A place that a click means something at: ``press`` a key, or ``choose`` what is drawn there."""

    x: int
    y: int
    width: int
    press: str = ""
    choose: Hashable | None = None


@dataclass
class Drawn:
    """What a view tells of itself once drawn.

    Attributes:
        most: rows that it may be moved down by.
        order: what can be chosen, from the top.
        places: first and last row of each of these, as rows of the page.
        room: rows of the page that are on view.
        targets: where clicks mean something.

    """

    most: int = 0
    order: list[Hashable] = field(default_factory=list)
    places: dict[Hashable, tuple[int, int]] = field(default_factory=dict)
    room: int = 0
    targets: list[Target] = field(default_factory=list)


def draw_page(canvas: Canvas, rows: Sequence[Row], scrolled: int, below: int = 0) -> Drawn:
    """Draw ``rows`` moved down by ``scrolled`` below the title; the last row and ``below`` more stay free."""
    top = 2 if canvas.height >= _ROOMY else 1
    room = max(0, canvas.height - 1 - top - below)
    most = max(0, len(rows) - room)
    first = min(scrolled, most)
    drawn = Drawn(most, room=room)
    for number, row in enumerate(rows):
        if row.of is not None:
            begun, _ = drawn.places.setdefault(row.of, (number, number))
            drawn.places[row.of] = begun, number
    drawn.order = list(drawn.places)
    for y, row in enumerate(rows[first : first + room], start=top):
        for piece in row.pieces:
            canvas.put(piece.x, y, piece.text, _style(canvas, piece.kind))
        if row.of is not None:
            drawn.targets.append(Target(0, y, canvas.width, choose=row.of))
    return drawn


def _style(canvas: Canvas, kind: str | Style) -> Style:
    palette = canvas.palette
    if isinstance(kind, Style):
        return kind
    if kind in _MEANINGS:
        return palette.badges[kind].fill
    if kind.startswith("end "):
        return palette.badges[kind.removeprefix("end ")].end  # type: ignore[index]
    if kind == "label":
        return palette.label
    return palette.strong if kind == "strong" else palette.figure


def draw_title(canvas: Canvas, scene: Scene, title: str, badges: Sequence[tuple[Meaning, str]]) -> None:
    """Draw the first row of a page: what it is, how things stand, and the time."""
    x = canvas.put(1, 0, title, _style(canvas, "strong")) + 2
    time = clock_at(scene.now, scene.snapshot.start)
    word = "run ended" if scene.ended is not None else scene.run_word
    right = f"{word} {time}"
    for meaning, text in badges:
        if x + len(text) + 6 > canvas.width:
            return
        x = canvas.badge(x, 0, meaning, text) + 1
    if x + len(right) + 1 <= canvas.width:
        canvas.label(canvas.width - len(right) - 1, 0, right)


def text_column(width: int) -> int:
    """Return the column at which the text of a card's fields begins."""
    return 16 if width >= 70 else 13


def card(
    of: Hashable,
    meaning: Meaning,
    name: str,
    state: str,
    fields: Sequence[tuple[str, str, bool]],
    width: int,
    chosen: bool,
) -> list[Row]:
    """Return a card: a badge with name and state, then fields, wrapped and never cut.

    Args:
        of: what the card is of.
        meaning: of the badge.
        name: at the left of the badge.
        state: beside it, below it where both do not fit.
        fields: label, text, whether the text is bold.
        width: cells of the window.
        chosen: draws a bar along the card.

    """
    bar = (Piece(1, "▌", f"end {meaning}"),) if chosen else ()
    at = text_column(width)
    inner = width - 2
    head = f" {SHAPES[meaning]} {name}"
    place = max(len(head) + 2, min(inner // 2, inner - len(state) - 1))
    both = f"{head:<{place}}{state}"
    rows = [Row((Piece(1, fitted(both if len(both) < inner else head, inner), meaning),), of)]
    if len(both) >= inner and state:
        fields = [("state", state, False), *fields]
    for label, text, is_strong in fields:
        for line, words in enumerate(wrapped(text, width - at - 1)):
            pieces = (*bar, Piece(3, label if line == 0 else "", "label"))
            rows.append(Row((*pieces, Piece(at, words, "strong" if is_strong else "figure")), of))
    return rows


def heading(text: str, note: str = "") -> Row:
    """Return a row that says what follows."""
    return Row((Piece(1, text, "strong"), Piece(3 + len(text), note, "label")))


BLANK = Row()
_ROOMY = 30
"""From so many rows on there is a blank one below the title."""
