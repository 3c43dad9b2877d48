"""The four views by their digits."""

from __future__ import annotations

from telemetry.screen.band import BAND_ROWS, draw_band
from telemetry.screen.canvas import Canvas
from telemetry.screen.drive_view import draw_drive
from telemetry.screen.events_list import draw_events
from telemetry.screen.parked import draw_parked
from telemetry.screen.scene import Scene
from telemetry.screen.strips import draw_strips

VIEWS = {"1": "drive", "2": "parked", "3": "strips", "4": "what happened"}
SCROLLED_VIEWS = ("2", "4")
_LEAST_WIDTH, _LEAST_HEIGHT = 44, 8


def draw_view(view: str, canvas: Canvas, scene: Scene) -> int:
    """Draw all but the last row of ``view``; return how many rows it may be moved down by.

    A window too small for a view shows the figures. The band takes rows of a view while it has to.
    """
    if view == "1" or canvas.width < _LEAST_WIDTH or canvas.height < _LEAST_HEIGHT:
        draw_drive(canvas, scene)
        return 0
    band = 0 if scene.headline is None else BAND_ROWS
    room = Canvas(canvas.width, canvas.height - band, canvas.palette)
    most = 0
    match view:
        case "2":
            most = draw_parked(room, scene)
        case "3":
            draw_strips(room, scene)
        case _:
            most = draw_events(room, scene)
    canvas.take(room)
    if scene.headline is not None:
        draw_band(canvas, scene.headline, (0, canvas.height - 1 - band, canvas.width), band, scene.flash)
    return most
