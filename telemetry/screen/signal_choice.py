"""All signals of the traces in a list, to choose up to four from."""

from __future__ import annotations

from dataclasses import dataclass

from telemetry.screen.canvas import Canvas, fitted
from telemetry.screen.page import Drawn, Piece, Row, Target, draw_page
from telemetry.screen.prompt import Prompt
from telemetry.screen.trace_lanes import MOST_LANES, lane_kind
from telemetry.screen.traces import Traces
from telemetry.screen.units import METRIC


@dataclass
class SignalChoice(Prompt):
    """The list that is open.

    Attributes:
        traces: whose lanes are chosen.
        place: the row that is chosen.
        scrolled: rows that the list is moved down by.

    """

    traces: Traces
    place: int = 0
    scrolled: int = 0
    is_page = True
    keys = "up down choose   space show, hide   enter done   x as at first"
    _room: int = 1

    def press(self, key: str, _character: str | None, /) -> bool:
        """Take a key: space shows or hides the chosen signal, a fifth takes the place of the first."""
        signals = self.traces.past.signals
        if key in ("enter", "escape", "l", "q"):
            return True
        if key in ("up", "down", "pageup", "pagedown"):
            step = {"up": -1, "down": 1, "pageup": -self._room, "pagedown": self._room}[key]
            self.place = min(max(0, self.place + step), max(0, len(signals) - 1))
        elif key == "x":
            self.traces.window.lanes = None
        elif key == "space" and signals:
            self.toggle(signals[self.place])
        return False

    def toggle(self, signal: str) -> None:
        """Show a signal, or hide it; the last one stays."""
        lanes = list(self.traces.lanes)
        if signal in lanes:
            lanes.remove(signal)
        else:
            lanes = [*lanes, signal][-MOST_LANES:]
        self.traces.window.lanes = tuple(lanes) or self.traces.window.lanes

    def draw(self, canvas: Canvas) -> Drawn | None:
        """Draw the list in place of the view."""
        past, lanes = self.traces.past, self.traces.lanes
        canvas.put(
            1,
            0,
            fitted(f" signals on view: {len(lanes)} of {MOST_LANES} at most", canvas.width - 2),
            canvas.palette.inverse,
        )
        rows = []
        for place, signal in enumerate(past.signals):
            kind = lane_kind(signal, METRIC)
            ends = past.extremes(signal)
            said = "no value" if ends is None else f"{kind.text(*ends)} {kind.unit}".rstrip()
            sign = f"{lanes.index(signal) + 1} " if signal in lanes else "  "
            pieces = (
                Piece(0, "►" if place == self.place else " "),
                Piece(1, sign, "strong"),
                Piece(4, kind.title.lower(), "strong" if signal in lanes else "figure"),
                Piece(max(30, canvas.width // 2), said, "label"),
            )
            rows.append(Row(pieces, signal))
        self.scrolled = min(self.scrolled, self.place)
        drawn = draw_page(canvas, rows, self.scrolled)
        self._room = max(1, drawn.room)
        if self.place >= self.scrolled + self._room:
            self.scrolled = self.place - self._room + 1
            return self.draw_again(canvas)
        drawn.targets = [Target(each.x, each.y, each.width, press="space") for each in drawn.targets]
        return drawn

    def draw_again(self, canvas: Canvas) -> Drawn | None:
        """Draw once more, the chosen row in view."""
        for y in range(canvas.height - 1):
            canvas.clear_row(y)
        return self.draw(canvas)
