"""The last row: which keys do what."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from telemetry.screen.canvas import Canvas
from telemetry.screen.keys import PAIRS, VIEWS, VIEWS_ITEM, FooterItem, Need, footer_gap, footer_items
from telemetry.screen.page import Target


def draw_footer(
    canvas: Canvas, view: str, needs: Collection[Need], is_replay: bool, is_review: bool = False
) -> list[Target]:
    """Draw the items that fit whole; return where a click presses which key."""
    after = list(VIEWS)[(list(VIEWS).index(view) + 1) % len(VIEWS)]
    return draw_footer_items(canvas, footer_items(view, canvas.width, needs, is_replay, is_review), after)


def draw_footer_items(canvas: Canvas, items: Sequence[FooterItem], after: str = "") -> list[Target]:
    """Draw these items; ``after`` is the view that a click on the word for all of them goes to."""
    y = canvas.height - 1
    canvas.clear_row(y)
    x = 1
    targets = []
    digits = list(VIEWS)
    for item in items:
        begin = x
        x = canvas.put(x, y, item.shown) + 1
        x = canvas.label(x, y, item.words)
        press = item.press
        if press == VIEWS_ITEM:  # its first digit, its last, and between them and on its word the view that follows
            targets += [Target(begin, y, 1, digits[0]), Target(begin + 2, y, 1, digits[-1])]
            targets.append(Target(begin + 3, y, x - begin - 3, after))
        elif " " in item.shown:  # "up down": the first word, the second
            size = item.shown.index(" ")
            targets += [
                Target(begin, y, size, press),
                Target(begin + size + 1, y, x - begin - size - 1, PAIRS.get(press, press)),
            ]
        else:
            targets.append(Target(begin, y, x - begin, press))
        x += footer_gap(canvas.width)
    return targets
