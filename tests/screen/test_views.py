"""The other views as text, by state and size. Invented values throughout.

The texts are in ``snapshots/views/``; ``python -m tests.screen.test_views`` writes them anew. Read them before you
commit them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.capture import CapturedPiece
from telemetry.model.cell_figures import CellFigure, CellFigures
from telemetry.model.events import AlarmChange, Gap, Mark
from telemetry.model.signals import cell_name
from telemetry.model.time_text import clock
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.canvas import Canvas
from telemetry.screen.cell_list import Cell, draw_list
from telemetry.screen.commands_box import Command, CommandsBox, matching
from telemetry.screen.help_page import help_page, limit_page
from telemetry.screen.keys import VIEWS, keys_in
from telemetry.screen.links_view import LinkFacts, LinksShown
from telemetry.screen.mark_entry import PRESETS, MarkEntry
from telemetry.screen.page import Drawn
from telemetry.screen.scene import Scene, Shown
from telemetry.screen.theme import palette
from telemetry.screen.views import draw_view
from tests.screen.drive_states import LIMITS, START, scene_of

SNAPSHOTS = Path(__file__).parent / "snapshots" / "views"
SIZES = ((80, 24), (120, 40))
SECOND = 1_000_000
FACTS = {"pack": LinkFacts("serial-text", "/dev/ttyUSB0", 0.4), "position": LinkFacts("satellite-position", "")}
PIECES = (
    CapturedPiece(START + 9 * SECOND, "pack", "out", b"\x01\x03\x00\x10"),
    CapturedPiece(START + 10 * SECOND, "pack", "in", b"U=78.4 I=53.0\r\n"),
)


def told(name: str) -> Scene:
    """Return a state with what happened before it: a mark, one that was taken back, a gap, an alarm kept quiet."""
    state, _, cells = name.partition("+")
    scene = scene_of(state)
    snapshot = scene.snapshot
    if cells:
        send_cells(snapshot, scene.now, int(cells))
    snapshot.marks += [Mark(START + 20 * SECOND, "steep bit"), Mark(START + 30 * SECOND, "hill", taken_back=True)]
    snapshot.gaps.append(Gap(START + 60 * SECOND, "pack", "pack_current", START + 56 * SECOND))
    quiet = AlarmChange(START + 40 * SECOND, "soc-low", "soc_lower_bound", "warn", "shelved", 19.0, 20.0)
    snapshot.alarms.quiet["soc-low", "soc_lower_bound"] = replace(
        quiet, stands="shelved", why="by the operator for 15 min"
    )
    return scene


def send_cells(snapshot: Snapshot, now: int, count: int) -> None:
    """Send a minute of that many cells, of which 7 is low under the load, and what comparing them tells."""
    group = Group("pack", "cells", tuple(cell_name(number + 1) for number in range(count)))
    for second in range(60):
        volts = [3.28 + 0.004 * math.sin(1.7 * n) + 0.002 * math.sin(n + second / 3) for n in range(count)]
        volts[6] -= 0.2 + 0.02 * math.sin(second / 5)
        snapshot.take(Span(now, (Batch.of_rows(group, [now - (59 - second) * SECOND], [volts]),)))
    names = ("cell_resistance_ratio", "cell_resistance_ratio_number", "cell_charge_deficit")
    told = Group("derived", "cells_told", (*names, "cell_charge_deficit_number", "cell_spread_rest"), "derived")
    cells = {n: CellFigure(0.96e-3 * times(n), times(n), 3.1 if n == 9 else None) for n in range(1, count + 1)}
    figures = CellFigures(now, 42.0, cells)
    snapshot.take(Span(now, (Batch.of_rows(told, [now], [[3.02, 7.0, 3.1, 9.0, 0.004]]),), cells=figures))


def times(cell: int) -> float:
    return 3.02 if cell == 7 else 1.0 + 0.03 * math.sin(cell)


def page(make: Callable[[], Any]) -> Callable[[Canvas], Drawn | None]:
    return lambda canvas: make().draw(canvas)


# name: the state, the view, what of the links is shown, a page in place of the view
CASES: dict[str, tuple[str, str, LinksShown, Callable[[Canvas], Drawn | None] | None]] = {
    "cells-16": ("working+16", "2", LinksShown(), None),
    "cells-24-seen": ("seen+24", "2", LinksShown(), None),
    "cells-32": ("working+32", "2", LinksShown(), None),
    "cells-110-trip": ("trip+110", "2", LinksShown(), None),
    "cells-ends-only": ("working", "2", LinksShown(), None),
    "cells-none": ("no_cells", "2", LinksShown(), None),
    "alarms-trip": ("trip", "4", LinksShown(), None),
    "alarms-seen": ("seen", "4", LinksShown(), None),
    "alarms-calm": ("working", "4", LinksShown(), None),
    "alarms-bms-trip": ("bms_trip", "4", LinksShown(), None),
    "links-live": ("working", "5", LinksShown("pack", facts=FACTS), None),
    "links-lost": ("link_lost", "5", LinksShown("pack", facts=FACTS), None),
    "links-raw": ("working", "5", LinksShown("pack", raw=PIECES, facts=FACTS), None),
    "links-names": ("working", "5", LinksShown("pack", raw_names=True, facts=FACTS), None),
    "limit": ("working", "1", LinksShown(), page(lambda: limit_page(LIMITS[2]))),
    **{
        f"help-{words}": ("working", view, LinksShown(), page(lambda view=view: help_page(view, keys_in(view, True))))  # type: ignore[misc]
        for view, words in VIEWS.items()
    },
}


def drawn(name: str, size: tuple[int, int]) -> Canvas:
    state, view, links, over = CASES[name]
    canvas = Canvas(*size, palette("sun", "full"))
    draw_view(Shown(view), lambda: links, canvas, told(state), over)
    return canvas


def text_of(canvas: Canvas) -> str:
    return "".join(f"{''.join(text for text, _ in line).rstrip()}\n" for line in canvas.lines())


def path_of(name: str, size: tuple[int, int]) -> Path:
    return SNAPSHOTS / f"{name}-{size[0]}x{size[1]}.txt"


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", sorted(CASES))
def test_a_view_looks_as_it_was_accepted(name: str, size: tuple[int, int]) -> None:
    assert text_of(drawn(name, size)) == path_of(name, size).read_text("utf-8")


def test_no_snapshot_is_left_over() -> None:
    assert {path.name for path in SNAPSHOTS.glob("*.txt")} == {path_of(n, s).name for n in CASES for s in SIZES}


@pytest.mark.parametrize("count", [16, 24, 32, 110, 200])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (160, 45), (60, 17)])
def test_cells_keep_their_figures_beside_bars_that_stay_readable(count: int, width: int, height: int) -> None:
    canvas = Canvas(width, height, palette("sun", "full"))
    draw_view(Shown("2"), LinksShown, canvas, told(f"working+{count}"), None)
    rows = text_of(canvas).splitlines()
    seventh = next(row for row in rows if row.startswith("    7▼"))
    assert "3.092" in seventh
    assert "3.02" in seventh[18:]
    if rows[3].count("cell") == 1 and width >= 80:
        assert rows[3].split()[-3:] == ["mΩ", "times", "Ah"]
        assert seventh.split()[-2:] == ["2.90", "3.02"]
        assert next(row for row in rows if row.startswith("    9 ")).split()[-1] == "3.1"


def test_a_figure_that_an_alarm_is_about_is_a_badge() -> None:
    canvas = Canvas(100, 30, palette("sun", "full"))
    cells = [Cell(number, 3.3, 0.0, None) for number in range(1, 4)]
    figures = CellFigures(0, 9.0, {2: CellFigure(2.9e-3, 3.0, None), 3: CellFigure(None, None, 4.2)})
    odd = {(2, "cell-resistance"), (3, "cell-charge-low")}
    draw_list(canvas, cells, cells[0], (10, 0), 250, odd, figures)
    first, second, third = text_of(canvas).splitlines()[4:7]
    assert first.split()[-2:] == ["--", "--"], "nothing is known of it"
    assert second.endswith("2.90▐▲3.00▌")
    assert third.endswith("▐▲ 4.2▌")


@pytest.mark.parametrize("name", [name for name in CASES if name.startswith(("help", "limit"))])
def test_a_page_of_text_fits_an_ordinary_window_whole(name: str) -> None:
    state, view, links, over = CASES[name]
    tall = Canvas(80, 60, palette("sun", "full"))
    draw_view(Shown(view), lambda: links, tall, told(state), over)
    said = [row for row in text_of(tall).splitlines() if row.strip()]
    assert [row for row in text_of(drawn(name, (80, 24))).splitlines() if row.strip()] == said


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize("name", sorted(CASES))
def test_no_field_of_a_card_is_cut(name: str, width: int) -> None:
    state, view, links, over = CASES[name]
    canvas = Canvas(width, 90, palette("sun", "full"))
    draw_view(Shown(view), lambda: links, canvas, told(state), over)
    cut = [row for row in text_of(canvas).splitlines() if "…" in row]
    assert not cut


def test_names_from_outside_can_neither_steer_the_terminal_nor_be_markup() -> None:
    evil = "\x1b[2J\x9b31m[red]cart[/red]\u202e\r\n"
    scene = told("trip")
    snapshot = scene.snapshot
    for event in (
        AlarmChange(START, evil, evil, "trip", "raised", 1.0, 2.0, evil),
        AlarmChange(START, "fault-code", evil, "trip", "raised", 1.0, 2.0, evil),
        Mark(START, evil),
        Gap(START, evil, evil, START - SECOND),
    ):
        snapshot._take_event(event)
    snapshot.readings[evil] = next(iter(snapshot.readings.values()))
    raw = [CapturedPiece(START, evil, "in", evil.encode()), CapturedPiece(START, evil, "in", b"\x1b]0;x\x07")]
    for links in (LinksShown(evil, raw=raw, facts={evil: LinkFacts(evil, evil)}), LinksShown(evil, raw_names=True)):
        for view in VIEWS:
            canvas = Canvas(160, 90, palette("sun", "full"))
            draw_view(Shown(view), lambda links=links: links, canvas, scene)  # type: ignore[misc]
            assert all(row.isprintable() for row in text_of(canvas).splitlines()), view


def test_the_command_list_finds_the_beginnings_of_words_first() -> None:
    made = [Command(words, "", lambda: None) for words in ("bring it back", "acknowledge an alarm", "go to alarms")]
    assert [c.words for c in matching(made, "al ack")] == ["acknowledge an alarm"]
    assert [c.words for c in matching(made, "ALARM")] == ["go to alarms", "acknowledge an alarm"]
    assert [c.words for c in matching(made, "arms")] == ["go to alarms"]
    assert not matching(made, "q")
    assert matching(made, "") == made


def test_the_command_list_runs_what_is_chosen_and_nothing_else() -> None:
    done: list[str] = []
    box = CommandsBox([Command(words, "", lambda words=words: done.append(words)) for words in ("one", "two")])  # type: ignore[misc]
    assert not box.press("x", "x")
    assert not box.press("enter", "\r")
    box.press("backspace", None)
    box.press("down", None)
    box.press("down", None)
    assert box.press("enter", "\r")
    box.close()
    assert done == ["two"]


@pytest.mark.parametrize("width", [44, 60, 80, 120])
def test_ready_words_of_a_mark_are_whole_and_can_be_clicked(width: int) -> None:
    entry = MarkEntry(0, clock(1.0, tenths=True), lambda entry: None, 0)
    canvas = Canvas(width, 24, palette("sun", "full"))
    found = entry.draw(canvas)
    assert found is not None
    rows = text_of(canvas).splitlines()
    shown = [rows[t.y].ljust(width)[t.x : t.x + t.width] for t in found.targets]
    assert shown == [f"{number} {words}" for number, words in enumerate(PRESETS, start=1)]
    assert [t.press for t in found.targets] == [text[0] for text in shown]


def test_a_snapshot_without_anything_draws_every_view() -> None:
    scene = Scene(Snapshot(), 0, "cart", "recording", True)
    for view in VIEWS:
        for size in ((44, 8), (80, 24), (120, 40)):
            draw_view(Shown(view), LinksShown, Canvas(*size, palette("sun", "none")), scene)


if __name__ == "__main__":
    import os
    import time

    from tests.conftest import ODD_ZONE

    os.environ["TZ"] = ODD_ZONE
    time.tzset()
    SNAPSHOTS.mkdir(parents=True, exist_ok=True)
    for each in SNAPSHOTS.glob("*.txt"):
        each.unlink()
    for case in CASES:
        for window in SIZES:
            path_of(case, window).write_text(text_of(drawn(case, window)), "utf-8")
