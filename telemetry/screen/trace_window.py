"""What the traces show: where the cursor is, how much time a column covers, and the span that is set."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field

from telemetry.model.batch import MICROSECONDS

_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14_400, 43_200, 86_400)
WIDTHS = tuple(round(step * MICROSECONDS) for step in _STEPS_S)
"""Microseconds that a column may cover, besides what the whole drive takes."""
AT_FIRST = WIDTHS[4]
CLOSE = WIDTHS[3]
"""A column while one moment is looked at."""


def whole_width(length: int, columns: int, grows: bool) -> int:
    """Return microseconds a column covers so that all of ``length`` is in ``columns``.

    Round where more is still to come, so that it seldom changes; else as little as will do, in tenths of a second.
    """
    least = -(-max(length, 1) // max(columns, 1))
    if grows:
        return next((width for width in WIDTHS if width >= least), least)
    step = WIDTHS[0] if least < 100 * WIDTHS[0] else MICROSECONDS
    return -(-least // step) * step


@dataclass
class TraceWindow:
    """The window on a session; times are microseconds after its start.

    Attributes:
        length: of the session so far; ``grows`` while more is to come.
        columns: of a trace on the screen.
        width: microseconds a column covers; None for the whole drive.
        first: number of the column at the left edge, counted from the start.
        cursor: time that the cursor is at.
        follows: whether cursor and window keep to the end of a session that grows.
        ends: of the span: none, one or two times in the order in which they were set.
        lanes: signals chosen to be shown; None for those shown by themselves.

    """

    length: int = 0
    grows: bool = False
    columns: int = 1
    width: int | None = None
    first: int = 0
    cursor: int = 0
    follows: bool = False
    ends: tuple[int, ...] = ()
    lanes: tuple[str, ...] | None = None
    _before_whole: int = field(default=AT_FIRST, repr=False)

    @property
    def each(self) -> int:
        """Microseconds a column covers now."""
        return whole_width(self.length + 1, self.columns, self.grows) if self.width is None else self.width

    @property
    def span(self) -> tuple[int, int] | None:
        """The span from its earlier to its later end; None unless both are set."""
        return (min(self.ends), max(self.ends)) if len(self.ends) == 2 else None

    @property
    def cursor_column(self) -> int:
        """Place of the cursor on the screen, in columns from the left edge."""
        return self.cursor // self.each - self.first

    def fit(self, length: int, grows: bool, columns: int) -> None:
        """Take how long the session is by now and how many columns there are; keep the cursor in view."""
        middle = None if columns == self.columns or self.width is None else self.first + self.columns // 2
        self.length, self.grows, self.columns = max(0, length), grows, max(1, columns)
        if middle is not None:
            self.first = middle - self.columns // 2
        self.follows = self.follows and grows
        self.cursor = self.length if self.follows else min(max(0, self.cursor), self.length)
        self._keep_in_view()

    def _keep_in_view(self) -> None:
        if self.width is None:
            self.first = 0
            return
        at = self.cursor // self.each
        if self.follows:
            self.first = at - self.columns + 1
        elif at < self.first:
            self.first = at
        elif at >= self.first + self.columns:
            self.first = at - self.columns + 1
        last = self.length // self.each
        self.first = max(0, min(self.first, last - self.columns + 1))

    def step(self, columns: int) -> None:
        """Move the cursor by so many columns; the window goes with it where it must."""
        self._go((self.cursor // self.each + columns) * self.each)

    def page(self, pages: int) -> None:
        """Move cursor and window by so many windows."""
        if self.width is not None:
            self.first += pages * self.columns
        self.step(pages * self.columns)

    def to_start(self) -> None:
        """Move the cursor to the start."""
        self._go(0)

    def to_end(self) -> None:
        """Move the cursor to the end; of a session that grows, follow it again."""
        self._go(self.length)
        self.follows = self.grows
        self._keep_in_view()

    def _go(self, t: int) -> None:
        self.follows = False
        self.cursor = min(max(0, t), self.length)
        self._keep_in_view()

    def play_to(self, t: int) -> None:
        """Move the cursor on to ``t``, a moment of play."""
        self._go(t)

    def show(self, t: int, width: int | None = None) -> None:
        """Move the cursor to ``t``, into the middle of the window where it was not in view."""
        self.follows = False
        self.cursor = min(max(0, t), self.length)
        if width is not None:
            self.width = width
        if width is not None or not 0 <= self.cursor_column < self.columns:
            self.first = self.cursor // self.each - self.columns // 2
        self._keep_in_view()

    def zoom(self, step: int) -> None:
        """Cover less time with a column (``step`` -1) or more (1); the cursor stays where it is on the screen."""
        place, each = self.cursor_column, self.each
        whole = whole_width(self.length + 1, self.columns, self.grows)
        if step < 0:
            width = next((w for w in reversed(WIDTHS) if w < each), None)
            if width is None:
                return
        else:
            width = next((w for w in WIDTHS if w > each), None)
            if self.width is None or width is None or width >= whole:
                self.width = None
                self._keep_in_view()
                return
        self.width = width
        self.first = self.cursor // width - place
        self._keep_in_view()

    def whole(self) -> None:
        """Show the whole drive; once that is shown, go back to what was, or follow a session that grows."""
        if self.width is not None:
            self._before_whole, self.width = self.width, None
            self._keep_in_view()
            return
        self.width = self._before_whole
        self.follows = self.grows
        self.first = self.cursor // self.each - self.columns // 2
        if self.follows:
            self.cursor = self.length
        self._keep_in_view()

    def set_end(self) -> int:
        """Set an end of the span at the cursor; return how many are set. A third begins a new span."""
        self.ends = (*(self.ends if len(self.ends) < 2 else ()), self.cursor)
        return len(self.ends)

    def jump(self, times: Sequence[int], way: int) -> bool:
        """Move to the next of ascending ``times``, or (``way`` -1) the one before; tell if it is there."""
        place = bisect_right(times, self.cursor) if way > 0 else bisect_left(times, self.cursor) - 1
        if not 0 <= place < len(times):
            return False
        self.show(times[place])
        return True
