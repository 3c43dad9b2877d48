"""The first row of every view: machine, how the run goes, its time, each link with the age of its last value."""

from __future__ import annotations

from rich.cells import cell_len

from telemetry.model.errors import printable
from telemetry.model.time_text import clock_at
from telemetry.screen.canvas import Canvas
from telemetry.screen.scene import Scene
from telemetry.screen.theme import Meaning
from telemetry.screen.words import LINK_WORDS, headline


def draw_header(canvas: Canvas, scene: Scene) -> None:
    """Draw it; what has no room is left out from the right."""
    room = canvas.width
    name_room = 0 if room < 60 else 9 if room < 80 else 22 if room < 100 else 40
    x = canvas.put(1, 0, printable(scene.machine_name, name_room)) + 2 if name_room else 1
    x = _draw_run(canvas, scene, x) + 1
    if room >= 60:
        x = canvas.put(x, 0, clock_at(scene.now, scene.snapshot.start)) + 2
    if scene.sound_note:
        x = canvas.badge(x, 0, "caution", scene.sound_note) + 1
    for meaning, text in _links(scene, room - x):
        x = canvas.badge(x, 0, meaning, text) + 1


def _links(scene: Scene, room: int) -> list[tuple[Meaning, str]]:
    """Return a badge for each link where there is room for all, else one that speaks for them: the worst first."""
    each = []
    for source, change in scene.snapshot.links.items():
        meaning, word = LINK_WORDS[change.state]
        each.append((meaning, f"{printable(source, 14)} {word} {scene.last_value_age(source)}".rstrip()))
    if sum(cell_len(text) + 7 for _, text in each) <= room or not each:
        return each
    if len(each) == 1:
        source, change = next(iter(scene.snapshot.links.items()))
        return [(each[0][0], f"{LINK_WORDS[change.state][1]} {scene.last_value_age(source)}".rstrip())]
    worst = min(each, key=lambda badge: _WORST_FIRST.index(badge[0]))
    if worst[0] != "normal":
        return [(worst[0], f"{worst[1]} +{len(each) - 1}")]
    live = [source for source, change in scene.snapshot.links.items() if change.state == "live"]
    oldest = min(live, key=lambda source: scene.snapshot.last_rows.get(source, 0), default="")
    return [("normal", f"{len(live)} links live {scene.last_value_age(oldest)}".rstrip())]


_WORST_FIRST: tuple[Meaning, ...] = ("danger", "caution", "act", "normal")


def draw_warning(canvas: Canvas, scene: Scene) -> None:
    """Draw what is wrong over the first row, on views that have no room for the huge word."""
    wrong = headline(scene.snapshot, scene.now)
    if wrong is not None:
        canvas.clear_row(0)
        room = canvas.width - 6
        text = next((line for line in wrong.in_one_line if len(line) <= room), wrong.word)
        canvas.badge(0, 0, wrong.meaning, text, canvas.width)


def _draw_run(canvas: Canvas, scene: Scene, x: int) -> int:
    if scene.ended is not None:
        return canvas.badge(x, 0, "act", "run ended")
    if scene.snapshot.held_since:
        lost = sum(scene.snapshot.lost.values())
        held = max(0, scene.now - min(scene.snapshot.held_since.values())) // 1_000_000
        return canvas.badge(x, 0, "danger", f"not saving, {f'{lost} values lost' if lost else f'{held} s held'}")
    if scene.snapshot.lost:
        return canvas.badge(x, 0, "danger", f"{sum(scene.snapshot.lost.values())} values not recorded")
    if scene.recorded:
        return canvas.badge(x, 0, "normal", scene.run_word)
    return canvas.label(x, 0, scene.run_word)
