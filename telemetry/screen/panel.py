"""The one widget: lines given to it, of which it redraws only those that changed, up to the last change."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.cells import cell_len
from rich.segment import Segment
from textual.geometry import Region
from textual.screen import Screen
from textual.strip import Strip
from textual.widget import Widget

from telemetry.screen.canvas import Line


class Ground(Screen[None]):
    """The screen below the panel: never seen, so never composed of styled lines."""

    BLANK = True


class _Row(Strip):
    """A row of the whole width, which the compositor need not copy to cut it at its own edge."""

    __slots__ = ()

    def divide(self, cuts: Iterable[int]) -> Sequence[Strip]:
        """Cut into pieces; where the only cut is the end, that is the row itself."""
        places = list(cuts)
        return [self] if places == [self.cell_length] else super().divide(places)


class Panel(Widget):
    """Fills the screen with lines of styled runs.

    Lines go to the compositor as they are, past the cache of borders and paddings, of which there are none; their
    colours are already those of the terminal. That is half of what a repaint would cost.
    """

    DEFAULT_CSS = "Panel { width: 100%; height: 100%; }"
    ALLOW_SELECT = False

    def __init__(self) -> None:
        super().__init__()
        self.drawn: list[Line] = []
        self.redrawn = 0
        self._strips: list[Strip] = []

    def show(self, lines: list[Line], width: int) -> None:
        """Take new lines of ``width`` cells, one for each row; :attr:`redrawn` counts those that had changed."""
        before = self.drawn
        self.drawn = lines
        if len(before) != len(lines):
            self._strips = [_strip(line, width) for line in lines]
            self.redrawn += len(lines)
            self.refresh()
            return
        changed = [y for y, (old, new) in enumerate(zip(before, lines, strict=True)) if old is not new and old != new]
        self.redrawn += len(changed)
        for y in changed:
            self._strips[y] = _strip(lines[y], width)
        if changed:
            self.refresh(*_regions([(y, _last_change(before[y], lines[y])) for y in changed]))

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the rows of ``crop`` for the terminal."""
        width = self.size.width
        strips = [
            strip if strip.cell_length == width else strip.adjust_cell_length(width)
            for strip in self._strips[crop.y : crop.bottom]
        ]
        strips += [Strip.blank(width)] * (crop.height - len(strips))
        if crop.column_span == (0, width):
            return strips
        return [strip.crop(*crop.column_span) for strip in strips]


def _last_change(before: Line, line: Line) -> int:
    """Return the column after the last run that differs; over a slow link what is not sent counts."""
    end, old, new = 0, len(before), len(line)
    while min(old, new) > 1 and before[old - 1] == line[new - 1]:
        old, new = old - 1, new - 1
    for text, _ in line[:new]:
        end += cell_len(text)
    return end


def _regions(rows: list[tuple[int, int]]) -> list[Region]:
    """Return regions from the left edge of the given ascending rows and their last columns, neighbours in one."""
    regions: list[Region] = []
    for y, end in rows:
        last = regions[-1] if regions else None
        if last is not None and last.bottom == y and last.width == end:
            regions[-1] = Region(0, last.y, end, last.height + 1)
        else:
            regions.append(Region(0, y, end, 1))
    return regions


def _strip(line: Line, width: int) -> Strip:
    return _Row([Segment(text, style) for text, style in line], width)
