"""The one widget: lines given to it, of which it redraws only those that changed."""

from __future__ import annotations

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from telemetry.screen.canvas import Line


class Panel(Widget):
    """Fills the screen with lines of styled runs."""

    DEFAULT_CSS = "Panel { width: 100%; height: 100%; }"
    ALLOW_SELECT = False

    def __init__(self) -> None:
        super().__init__()
        self.drawn: list[Line] = []
        self.redrawn = 0

    def show(self, lines: list[Line]) -> None:
        """Take new lines, one for each row; :attr:`redrawn` counts those that had changed."""
        before = self.drawn
        self.drawn = lines
        if len(before) != len(lines):
            self.redrawn += len(lines)
            self.refresh()
            return
        changed = [y for y, (old, new) in enumerate(zip(before, lines, strict=True)) if old != new]
        self.redrawn += len(changed)
        if changed:
            width = self.size.width
            self.refresh(*(Region(0, y, width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """Return row ``y`` for the terminal."""
        width = self.size.width
        if y >= len(self.drawn):
            return Strip.blank(width)
        return Strip([Segment(text, style) for text, style in self.drawn[y]], width)
