"""The last row: which keys do what, or what the screen asks or has to say; above it the words of a mark."""

from __future__ import annotations

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.mark_entry import MarkEntry
from telemetry.screen.theme import Light

LEAVE_QUESTION = "q again ends the run and leaves; any other key goes on"
SHELVE_QUESTION = "shelve {alarm} for: 1 5 min   2 15 min   3 60 min; any other key leaves it"
ENDING = "the run is being ended; q again leaves without waiting for it"


def footer_items(
    light: Light, is_replay: bool, stands: bool = False, latched: bool = False, shelved: bool = False
) -> list[tuple[str, str]]:
    """Return (key, what it does), what matters first; the first five fit 60 columns.

    Args:
        light: colours now.
        is_replay: whether pause and speed mean anything.
        stands: whether an alarm stands, which can be shelved.
        latched: whether a latch waits to be reset.
        shelved: whether an alarm is shelved.

    """
    other = ("t", "dusk" if light == "sun" else "sun")
    own = [("p", "pause")] if is_replay else []
    alarms = [("r", "reset")] if latched else []
    alarms += [("h", "shelve")] if stands else []
    alarms += [("u", "unshelve")] if shelved else []
    middle = [*alarms, *own] if alarms else [*own, other]
    rest = [*middle[1:], ("m", "mute"), *([("+ -", "speed")] if is_replay else []), other, ("s", "sound test")]
    first = [("space", "mark"), ("enter", "acknowledge"), ("1-4", "views"), middle[0], ("q", "leave")]
    return list(dict.fromkeys([*first, *rest]))


def draw_footer(canvas: Canvas, items: list[tuple[str, str]]) -> None:
    """Draw as many items as fit whole."""
    y = canvas.height - 1
    canvas.clear_row(y)
    gap = 3 if canvas.width >= 70 else 2
    x = 1
    for key, action in items:
        if x + len(key) + 1 + len(action) > canvas.width:
            return
        x = canvas.put(x, y, key) + 1
        x = canvas.label(x, y, action) + gap


def draw_message(canvas: Canvas, message: str, asks: bool) -> None:
    """Draw a sentence in place of the keys: blue where it waits for a key, green where it only tells."""
    y = canvas.height - 1
    canvas.clear_row(y)
    canvas.badge(0, y, "act" if asks else "normal", fitted(message, canvas.width - 4), canvas.width)


def draw_entry(canvas: Canvas, entry: MarkEntry, at: str) -> None:
    """Draw the open entry of a mark and the words that one key sets."""
    y = canvas.height - 2
    canvas.clear_row(y)
    canvas.clear_row(y + 1)
    canvas.badge(0, y, "act", f"mark at {at}: {entry.text}▌  enter keeps it", canvas.width)
    presets = "  ".join(f"{number} {words}" for number, words in enumerate(entry.presets, start=1))
    canvas.put(1, y + 1, fitted(presets, canvas.width - 1))
