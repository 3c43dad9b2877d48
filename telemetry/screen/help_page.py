"""Pages of text over a view: its keys and what it shows, and what a limit is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from telemetry.alarms.acts import SITUATIONS, act_for, alarm_name
from telemetry.machine.limits import Limit
from telemetry.model.errors import printable
from telemetry.model.events import AlarmLevel
from telemetry.model.words import amount_text
from telemetry.screen.formats import delay_text, wrapped
from telemetry.screen.keys import ALL, PAIRS, VIEWS, Key, shown_key
from telemetry.screen.page import BLANK, Piece, Row, heading
from telemetry.screen.prompt import TextPage
from telemetry.screen.theme import SHAPES, Meaning

CAUTION = "Look at the course, not at the screen. This program only watches: it switches nothing off."
WHAT_IT_SHOWS: Mapping[str, tuple[str, ...]] = {
    "1": (
        "Every gauge ends at one upright line, its limit: what comes nearest to the line gives way first.",
        "Green flows out of the pack, blue into it. Yellow is past a warning, red past the limit.",
        "A small mark is the worst of the last minute. -- means that nothing fresh has come; its age is beside it.",
    ),
    "2": (
        "Each cell's distance to the middle cell: solid now, pale from lowest to highest of the last minute.",
        "The scale is wider near 0. It grows when a cell passes its end. ▼ is the lowest cell, ▲ the highest.",
        "Amber: a cell that an alarm is about. -- has no fresh value.",
    ),
    "3": (
        "A column is a bar from its lowest to its highest value. Pale red: an alarm.",
        "Dots: no data. Red line: a limit. On top the whole drive, with the window.",
    ),
    "4": (
        "A card for each alarm: what to do, values, limit and where it comes from, since when, and why.",
        "Below: what happened in this drive, the newest first, and what is kept quiet with the reason.",
        "The last rows show the chosen moment as a trace, with its limit as a line.",
    ),
    "5": (
        "A card for each link: how long it has been so, what is missing without it, how often it dropped out.",
        "The trace below a card shows values a second. Below: every signal with the age of its value.",
    ),
    "6": (
        "Every recorded session with its verdict, and its power on one scale for all.",
        "Verdicts are kept once found. While a run is recorded none is found anew: the recording comes first.",
        "To delete a session, choose it, press c and type delete.",
    ),
}
_SIGNS: Mapping[Meaning, str] = {"normal": "normal", "caution": "caution", "danger": "danger", "act": "you must act"}


def help_page(view: str, rows: Sequence[Key]) -> TextPage:
    """Return the page about ``view``: its own keys of ``rows``, those of every view, and what it shows."""
    own: list[Key] = []
    everywhere: list[Key] = []
    for row in rows:
        (everywhere if row.views == ALL else own).append(row)
    title = f"keys of the {VIEWS[view]} view, and everywhere"
    return list_page(title, [*joined(own), *joined(everywhere)], WHAT_IT_SHOWS[view])


def list_page(title: str, keys: Sequence[tuple[str, str]], shows: Sequence[str]) -> TextPage:
    """Return a page of keys with what they do, then what the view shows, what the badges mean, and the caution."""
    return TextPage(
        title,
        lambda width: [
            BLANK,
            *_key_rows(keys, width),
            heading("what it shows"),
            *(Row((Piece(1, line),)) for text in shows for line in wrapped(text, width - 2)),
            *_sign_rows(width),
            *(Row((Piece(1, line, "strong"),)) for line in wrapped(CAUTION, width - 2)),
        ],
    )


def joined(keys: Sequence[Key]) -> list[tuple[str, str]]:
    """Return key and words; the digits of the views in one line, up and down in one."""
    found: list[tuple[str, str]] = []
    digits = [row for row in keys if row.action.startswith("view_")]
    for row in keys:
        if digits and row is digits[0]:
            found.append((f"{min(VIEWS)} to {max(VIEWS)}", f"go to {', '.join(VIEWS.values())}"))
        elif (below := next((each for each in keys if each.key == PAIRS.get(row.key)), None)) is not None:
            found.append((shown_key(f"{row.key} {below.key}"), f"{row.does}, {below.does}"))
        elif row not in digits and not any(PAIRS.get(each.key) == row.key for each in keys):
            found.append((row.shown, row.does))
    return found


def _key_rows(keys: Sequence[tuple[str, str]], width: int) -> list[Row]:
    """Return the keys in two columns where there is room, downwards; nothing is cut."""
    columns = 2 if width >= 78 else 1
    each = (width - 1) // columns
    half = -(-len(keys) // columns)
    stacks = [_stack(keys[column * half : (column + 1) * half], 1 + column * each, each) for column in range(columns)]
    tall = max(map(len, stacks))
    return [Row(tuple(piece for stack in stacks if row < len(stack) for piece in stack[row])) for row in range(tall)]


def _stack(keys: Sequence[tuple[str, str]], x: int, width: int) -> list[tuple[Piece, ...]]:
    lines: list[tuple[Piece, ...]] = []
    for key, does in keys:
        for place, words in enumerate(wrapped(does, width - 12)):
            lines.append((Piece(x, key if place == 0 else "", "strong"), Piece(x + 11, words)))
    return lines


def _sign_rows(width: int) -> list[Row]:
    pieces: list[Piece] = []
    x = 1
    for meaning, words in _SIGNS.items():
        text = f" {SHAPES[meaning]} {words} "
        pieces.append(Piece(x, text, meaning))
        x += len(text) + 1
    return [Row(tuple(piece for piece in pieces if piece.x + len(piece.text) <= width))]


def limit_page(limit: Limit) -> TextPage:
    """Return the page about one limit: its bounds, where they come from, and what to do in each situation."""
    name = alarm_name(limit.name)
    bounds: dict[AlarmLevel, float] = {}
    if limit.warn is not None:
        bounds["warn"] = limit.warn
    if limit.trip is not None:
        bounds["trip"] = limit.trip
    texts: list[tuple[str, str]] = [(word, amount_text(limit.signal, bound)) for word, bound in bounds.items()]
    if bounds:
        texts.append(("raised", f"after {delay_text(limit.raise_delay_s)} beyond it"))
        inside = amount_text(limit.signal, limit.clear_margin)
        texts.append(("cleared", f"after {delay_text(limit.clear_delay_s)} at {inside} or more inside it"))
    texts.append(("from", printable(limit.origin, 500)))
    levels: tuple[AlarmLevel, ...] = tuple(bounds) or ("trip",)
    for level in levels:
        for situation in SITUATIONS:
            act = act_for(limit.name, level, situation, limit.signal, bound=bounds.get(level, float("nan")))
            texts.append((f"{level}, {situation}", act.do))
    return TextPage(
        f"{name}: the limit {limit.name}",
        lambda width: [BLANK, *(row for label, text in texts for row in _text_rows(label, text, width))],
    )


def _text_rows(label: str, text: str, width: int) -> list[Row]:
    return [
        Row((Piece(1, label if place == 0 else "", "label"), Piece(18, line)))
        for place, line in enumerate(wrapped(text, width - 19))
    ]
