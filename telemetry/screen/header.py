"""The first row of every view: machine, how the run goes, its time, each link with the age of its last value."""

from __future__ import annotations

from telemetry.model.errors import printable
from telemetry.screen.canvas import Canvas
from telemetry.screen.formats import run_time
from telemetry.screen.scene import Scene
from telemetry.screen.words import LINK_WORDS


def draw_header(canvas: Canvas, scene: Scene) -> None:
    """Draw it; what has no room is left out from the right."""
    room = canvas.width
    name_room = 22 if room < 100 else 40
    x = canvas.put(1, 0, printable(scene.machine_name, name_room)) + 2
    x = _draw_run(canvas, scene, x) + 1
    x = canvas.put(x, 0, run_time(scene.now, scene.snapshot.start)) + 2
    if scene.sound_note:
        x = canvas.badge(x, 0, "caution", scene.sound_note) + 1
    for source, change in scene.snapshot.links.items():
        meaning, word = LINK_WORDS[change.state]
        age = scene.last_value_age(source)
        text = f"{printable(source, 14)} {word}{f' {age}' if age else ''}"
        if x + len(text) + 4 > room:
            canvas.label(x, 0, "…")
            return
        x = canvas.badge(x, 0, meaning, text) + 1


def _draw_run(canvas: Canvas, scene: Scene, x: int) -> int:
    if scene.ended is not None:
        return canvas.badge(x, 0, "act", "run ended")
    if scene.snapshot.lost:
        return canvas.badge(x, 0, "danger", f"{sum(scene.snapshot.lost.values())} values not recorded")
    if scene.recorded:
        return canvas.badge(x, 0, "normal", scene.run_word)
    return canvas.label(x, 0, scene.run_word)
