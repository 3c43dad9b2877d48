"""A page of text placed by column and row; it becomes lines of styled runs, to be compared with the last ones."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size
from rich.style import Style

from telemetry.screen.theme import SHAPES, Meaning, Palette

Line = tuple[tuple[str, Style], ...]
_Placed = tuple[int, int, str | Line, Style]


class Canvas:
    """Text put at places. Nothing wraps; what does not fit is cut off. Where texts overlap, the left one stands.

    Args:
        width: cells.
        height: rows.
        palette: gives the page its ground.

    """

    def __init__(self, width: int, height: int, palette: Palette) -> None:
        self.width = width
        self.height = height
        self.palette = palette
        self._rows: list[list[_Placed]] = [[] for _ in range(height)]
        self._lines: list[Line] = []

    def put(self, x: int, y: int, text: str, style: Style | None = None) -> int:
        """Place ``text`` (as a figure where no style is given) and return the column after it."""
        return self._place(x, y, len(text) if text.isascii() else cell_len(text), text, style)

    def _place(self, x: int, y: int, size: int, text: str, style: Style | None) -> int:
        if 0 <= y < self.height and size:
            self._rows[y].append((x, size, text, self.palette.figure if style is None else style))
        return x + size

    def label(self, x: int, y: int, text: str) -> int:
        """Place ``text`` in the quieter style of labels."""
        return self.put(x, y, text, self.palette.label)

    def block(self, x: int, y: int, rows: Sequence[str], style: Style | None = None) -> None:
        """Place rows of half blocks below one another, each character one cell."""
        for row, text in enumerate(rows):
            self._place(x, y + row, len(text), text, style)

    def runs(self, x: int, y: int, width: int, runs: Line) -> None:
        """Place runs of ``width`` cells in all as they are; other text is not to overlap them."""
        if 0 <= y < self.height:
            self._rows[y].append((x, width, runs, self.palette.figure))

    def badge(self, x: int, y: int, meaning: Meaning, text: str, width: int | None = None) -> int:
        """Place a filled badge: its shape, then ``text``; padded or cut to ``width`` cells where that is given."""
        inner = f" {SHAPES[meaning]} {text} "
        return self.filled(x, y, meaning, inner, width)

    def filled(self, x: int, y: int, meaning: Meaning, text: str, width: int | None = None) -> int:
        """Place ``text`` as it is on a badge's filling."""
        badge = self.palette.badges[meaning]
        if width is not None:
            text = set_cell_size(text, max(width - 2, 0))
        x = self._place(x, y, 1, badge.left, badge.end)
        x = self.put(x, y, text, badge.fill)
        return self._place(x, y, 1, badge.right, badge.end)

    def clear_from(self, x: int, y: int, width: int) -> None:
        """Take off row ``y`` what begins within ``width`` cells from column ``x``."""
        if 0 <= y < self.height:
            self._rows[y] = [placed for placed in self._rows[y] if not x <= placed[0] < x + width]

    def clear_row(self, y: int) -> None:
        """Take everything off row ``y``."""
        if 0 <= y < self.height:
            self._rows[y] = []

    def take(self, other: Canvas) -> None:
        """Take over what is placed on ``other``, which has the same width, row by row from the top."""
        self._rows[: other.height] = other._rows

    def lines(self, before: Canvas | None = None) -> list[Line]:
        """Return the page, each line exactly ``width`` cells; what is placed as it was ``before`` is taken over."""
        same = before is not None and (before.width, before.height) == (self.width, self.height)
        known = before if same and before is not None and before.palette is self.palette else None
        self._lines = [
            known._lines[y] if known is not None and known._rows[y] == row else self._line(row)
            for y, row in enumerate(self._rows)
        ]
        return self._lines

    def _line(self, row: list[_Placed]) -> Line:
        ground = self.palette.figure
        runs: list[tuple[str, Style]] = []
        at = 0
        for x, size, text, style in sorted(row, key=_column):
            if not isinstance(text, str):
                if x > at:
                    runs.append((" " * (x - at), ground))
                runs.extend(text)
                at = x + size
                continue
            if x < at:
                text = _without_left(text, at - x)
                size, x = cell_len(text), at
            if x >= self.width:
                break
            if not size:
                continue
            if x > at:
                runs.append((" " * (x - at), ground))
            if x + size > self.width:
                size = self.width - x
                text = set_cell_size(text, size)
            runs.append((text, style))
            at = x + size
        if at < self.width:
            runs.append((" " * (self.width - at), ground))
        return tuple(_joined(runs))


def _joined(runs: list[tuple[str, Style]]) -> list[tuple[str, Style]]:
    """Make one run of neighbours of the same style: fewer pieces to draw and to send."""
    joined: list[tuple[str, Style]] = []
    for text, style in runs:
        if joined and joined[-1][1] is style:
            joined[-1] = (joined[-1][0] + text, style)
        else:
            joined.append((text, style))
    return joined


def _column(placed: _Placed) -> int:
    return placed[0]


def _without_left(text: str, cells: int) -> str:
    while text and cells > 0:
        cells -= cell_len(text[0])
        text = text[1:]
    return text


def fitted(text: str, width: int) -> str:
    """Return ``text`` padded or cut to ``width`` cells, wide characters counted as two; a cut ends in ``…``."""
    if cell_len(text) <= width:
        return set_cell_size(text, width)
    return set_cell_size(text, width - 1) + "…" if width > 0 else ""
