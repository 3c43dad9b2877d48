"""The first row of every view: machine, how the run goes, its time, and the links."""

from __future__ import annotations

from datetime import datetime

from telemetry.model.errors import printable
from telemetry.model.time_text import clock_at
from telemetry.screen.canvas import Canvas
from telemetry.screen.parts import LARGE_WIDTH, draw_name
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Meaning
from telemetry.screen.words import LINK_WORDS

_WORST_FIRST: tuple[Meaning, ...] = ("danger", "caution", "act", "normal")


def draw_header(canvas: Canvas, scene: Scene, end: int | None = None) -> int:
    """Draw it up to column ``end``, and return the column after it; what has no room is left out from the right."""
    width = canvas.width
    x = _draw_run(canvas, scene, draw_name(canvas, scene.machine_name))
    if scene.snapshot.links:
        meaning, texts = _links(scene)
        text = next((text for text in texts if x + len(text) + 6 <= (end or width)), "")
        x = canvas.badge(x, 0, meaning, text) if text else x
    if scene.sound_note and width >= LARGE_WIDTH:
        x = canvas.badge(x, 0, "caution", scene.sound_note)
    if width >= LARGE_WIDTH:
        x = canvas.label(x + 2, 0, _time_of_day(scene.now))
    return x


def _time_of_day(t: int) -> str:
    """Return local time as ``14:07``; nothing where the system has no local time for it, as for a year far off."""
    try:
        return f"{datetime.fromtimestamp(t / 1e6):%H:%M}"
    except (OSError, OverflowError, ValueError):
        return ""


def _links(scene: Scene) -> tuple[Meaning, tuple[str, ...]]:
    """Return the badge that speaks for all links, longest words first: the worst by its name, else how many."""
    links = [(LINK_WORDS[change.state], printable(source, 10)) for source, change in scene.snapshot.links.items()]
    (meaning, word), source = min(links, key=lambda link: _WORST_FIRST.index(link[0][0]))
    if meaning != "normal":
        more = f" +{len(links) - 1}" if len(links) > 1 else ""
        return meaning, (f"{source} link {word}{more}", f"{source} {word}{more}", f"{source} {word}", word)
    words = {word for (_, word), _ in links}
    said = "" if words == {"live"} else f" {words.pop()}" if len(words) == 1 else ""
    return meaning, (f"{len(links)} link{'s' if len(links) > 1 else ''}{said}",)


def _draw_run(canvas: Canvas, scene: Scene, x: int) -> int:
    at = f" {clock_at(scene.now, scene.snapshot.start)}" if canvas.width >= 60 else ""
    if scene.ended is not None:
        return canvas.badge(x, 0, "act", f"run ended{at}")
    lost = sum(scene.snapshot.lost.values())
    if scene.snapshot.held_since:
        held = max(0, scene.now - min(scene.snapshot.held_since.values())) // 1_000_000
        return canvas.badge(x, 0, "danger", f"not saving, {f'{lost} values lost' if lost else f'{held} s held'}")
    if lost:
        return canvas.badge(x, 0, "danger", f"{lost} values not saved")
    if scene.recorded:
        return canvas.badge(x, 0, "normal", f"{scene.run_word}{at}")
    return canvas.label(x, 0, f"{scene.run_word}{at}") + 1
