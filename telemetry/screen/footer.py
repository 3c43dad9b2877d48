"""The last row: which keys do what."""

from __future__ import annotations

from collections.abc import Collection

from telemetry.screen.canvas import Canvas
from telemetry.screen.keys import VIEWS, VIEWS_ITEM, Need, footer_gap, footer_items
from telemetry.screen.page import Target


def draw_footer(canvas: Canvas, view: str, needs: Collection[Need], is_replay: bool) -> list[Target]:
    """Draw the items that fit whole; return where a click presses which key."""
    y = canvas.height - 1
    canvas.clear_row(y)
    x = 1
    targets = []
    digits = list(VIEWS)
    for item in footer_items(view, canvas.width, needs, is_replay):
        begin = x
        x = canvas.put(x, y, item.shown) + 1
        x = canvas.label(x, y, item.words)
        press = item.press
        if press == VIEWS_ITEM:  # its first digit, its last, and between them and on its word the view that follows
            after = digits[(digits.index(view) + 1) % len(digits)]
            targets += [Target(begin, y, 1, digits[0]), Target(begin + 2, y, 1, digits[-1])]
            targets.append(Target(begin + 3, y, x - begin - 3, after))
        elif press == "up":  # "up down": the first word, the second
            targets += [Target(begin, y, 2, "up"), Target(begin + 3, y, x - begin - 3, "down")]
        else:
            targets.append(Target(begin, y, x - begin, press))
        x += footer_gap(canvas.width)
    return targets
