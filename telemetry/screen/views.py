"""The views by their digits."""

from __future__ import annotations

from collections.abc import Callable

from telemetry.model.time_text import clock_at
from telemetry.pipeline.live_past import LivePast
from telemetry.screen.alarm_cards import draw_alarms
from telemetry.screen.band import BAND_ROWS, band_lines, draw_band
from telemetry.screen.canvas import Canvas
from telemetry.screen.cells_view import draw_cells
from telemetry.screen.drive_view import draw_drive
from telemetry.screen.links_view import LinksShown, draw_links
from telemetry.screen.page import Drawn
from telemetry.screen.scene import Scene, Shown
from telemetry.screen.traces import Traces

_LEAST_WIDTH, _LEAST_HEIGHT = 44, 8


def draw_view(
    shown: Shown,
    links: Callable[[], LinksShown],
    canvas: Canvas,
    scene: Scene,
    page: Callable[[Canvas], Drawn | None] | None = None,
    sessions: Callable[[Canvas, str], Drawn] | None = None,
    traces: Traces | None = None,
) -> Drawn:
    """Draw all but the last row of the view that is chosen, or ``page`` in its place; return what it tells of itself.

    ``sessions`` draws the sixth, from the store, with a word on the run; without it there is none. A window too small
    for a view shows the figures. The band takes rows of a view while it has to.
    """
    is_small = canvas.width < _LEAST_WIDTH or canvas.height < _LEAST_HEIGHT
    if is_small or (shown.view == "1" and page is None):
        draw_drive(canvas, scene)
        return Drawn()
    band = 0 if scene.headline is None else len(band_lines(scene.headline, canvas.width - 2, BAND_ROWS))
    room = Canvas(canvas.width, canvas.height - band, canvas.palette)
    drawn = (page(room) or Drawn()) if page is not None else _draw(shown, links, room, scene, sessions, traces)
    canvas.take(room)
    if scene.headline is not None:
        place = (0, canvas.height - 1 - BAND_ROWS, canvas.width)
        draw_band(canvas, scene.headline, place, BAND_ROWS, scene.flash)
    return drawn


def _draw(
    shown: Shown,
    links: Callable[[], LinksShown],
    canvas: Canvas,
    scene: Scene,
    sessions: Callable[[Canvas, str], Drawn] | None,
    traces: Traces | None,
) -> Drawn:
    match shown.view:
        case "2":
            chosen, scrolled = shown.chosen.get("2"), shown.scrolled.get("2", 0)
            return draw_cells(canvas, scene, chosen, scrolled, shown.by_distance)
        case "3":
            if traces is None:
                traces = Traces(LivePast(scene.snapshot.start), scene.snapshot.limits)
            return traces.draw(canvas, scene)
        case "4":
            return draw_alarms(canvas, scene, shown.chosen.get("4"), shown.scrolled.get("4", 0))
        case "6" if sessions is not None:
            run = "run ended" if scene.ended is not None else scene.run_word
            return sessions(canvas, f"{run} {clock_at(scene.now, scene.snapshot.start)}")
        case _:
            return draw_links(canvas, scene, links())
