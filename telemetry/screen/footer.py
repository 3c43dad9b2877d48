"""The last row: which keys do what, or what the screen asks or has to say; above it the words of a mark."""

from __future__ import annotations

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.mark_entry import MarkEntry
from telemetry.screen.theme import Light

LEAVE_QUESTION = "q again ends the run and leaves; any other key goes on"
ENDING = "the run is being ended; q again leaves without waiting for it"


def footer_items(light: Light, is_replay: bool) -> list[tuple[str, str]]:
    """Return (key, what it does), what matters first; the first five fit 60 columns."""
    first = [("space", "mark"), ("enter", "acknowledge"), ("1-4", "views")]
    other = "dusk" if light == "sun" else "sun"
    last = [("q", "leave")]
    if is_replay:
        return [*first, ("p", "pause"), *last, ("+ -", "speed"), ("t", other), ("s", "sound test"), ("m", "mute")]
    return [*first, ("t", other), *last, ("s", "sound test"), ("m", "mute")]


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
