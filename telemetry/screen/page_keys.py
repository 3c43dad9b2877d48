"""What the keys do to what is on view: choose and move in a list, show the moment of an alarm."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.model.signals import cell_name
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.alarm_cards import moments_of
from telemetry.screen.page import Drawn
from telemetry.screen.scene import Shown
from telemetry.screen.trace_keys import TraceKeys


class PageKeys:
    """Changes what is shown of the view.

    Args:
        snapshot: alarms and marks, whose moments can be shown.
        shown: what the keys have chosen to see.
        say: shows one sentence.
        drawn: returns what the last picture of the view tells of itself.
        link: returns the link that is chosen.
        traces: the keys of the traces.

    """

    def __init__(
        self,
        snapshot: Snapshot,
        shown: Shown,
        say: Callable[[str], None],
        drawn: Callable[[], Drawn],
        link: Callable[[], str | None],
        traces: TraceKeys,
    ) -> None:
        self._snapshot, self._shown, self._say, self._drawn, self._link = snapshot, shown, say, drawn, link
        self._show, self._follow, self._show_lanes = traces.show, traces.follow, traces.show_lanes

    def up(self) -> None:
        """Choose what is above, else move up."""
        self._choose(-1)

    def down(self) -> None:
        """Choose what is below, else move down."""
        self._choose(1)

    def _choose(self, step: int) -> None:
        """Choose the next thing of the page and bring it into view; past the last, or without any, move the page."""
        view, drawn = self._shown.view, self._drawn()
        order = drawn.order
        chosen = self._link() if view == "5" else self._shown.chosen.get(view)
        place = order.index(chosen) if chosen in order else 0
        if not order or not 0 <= place + step < len(order):
            self.move(step)
            return
        self._shown.chosen[view] = order[place + step]
        first, last = drawn.places[order[place + step]]
        if place + step == 0:
            first = 0
        scrolled = min(self._shown.scrolled.get(view, 0), first)
        self._shown.scrolled[view] = max(scrolled, min(last - drawn.room + 1, first))

    def move(self, rows: int) -> None:
        """Move the page down by so many rows."""
        view = self._shown.view
        self._shown.scrolled[view] = min(max(0, self._shown.scrolled.get(view, 0) + rows), self._drawn().most)

    def show_moment(self) -> None:
        """Show the chosen moment in the traces."""
        moments = moments_of(self._snapshot)
        chosen = self._shown.chosen.get("4")
        moment = next((each for each in moments if each.key == chosen), moments[0] if moments else None)
        if moment is None:
            self._say("no alarm and no mark yet")
            return
        self._show(moment.t)

    def back(self) -> None:
        """Follow the present again in the traces; show the signals again."""
        if self._shown.view == "3":
            self._follow()
        self._shown.raw = False

    def show_cell(self) -> None:
        """Show the chosen cell in the traces, with the lowest cell and the current."""
        order, chosen = self._drawn().order, self._shown.chosen.get("2")
        number = chosen if chosen in order else next(iter(order), None)
        if isinstance(number, int):
            self._show_lanes(cell_name(number), "cell_min_voltage", "pack_current")
        else:
            self._say("no cell voltages to show")

    def order_cells(self) -> None:
        """Put the cells in the order of their distance to the middle cell, or of their numbers again."""
        self._shown.by_distance = not self._shown.by_distance
        self._shown.scrolled["2"] = 0

    def change_light(self) -> None:
        """Change between the colours for sun and for dusk."""
        self._shown.light = "dusk" if self._shown.light == "sun" else "sun"
