"""The four views by their digits."""

from __future__ import annotations

from telemetry.screen.canvas import Canvas
from telemetry.screen.events_list import draw_events
from telemetry.screen.header import draw_warning
from telemetry.screen.parked import draw_parked
from telemetry.screen.scene import Scene
from telemetry.screen.seat import draw_seat
from telemetry.screen.strips import draw_strips

VIEWS = {"1": "seat", "2": "parked", "3": "strips", "4": "what happened"}
SCROLLED_VIEWS = ("2", "4")
_LEAST_WIDTH, _LEAST_HEIGHT = 44, 8


def draw_view(view: str, canvas: Canvas, scene: Scene) -> int:
    """Draw all but the last row of ``view``; return how many rows it may be moved down by.

    A window too small for a view shows the figures.
    """
    most = 0
    match view if canvas.width >= _LEAST_WIDTH and canvas.height >= _LEAST_HEIGHT else "1":
        case "2":
            most = draw_parked(canvas, scene)
        case "3":
            draw_strips(canvas, scene)
        case "4":
            most = draw_events(canvas, scene)
        case _:
            draw_seat(canvas, scene)
            return 0
    draw_warning(canvas, scene)
    return most
