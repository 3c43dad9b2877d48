"""What the screen shows before the run is there, and that the run takes its place without a move."""

from __future__ import annotations

import asyncio

import pytest

from telemetry.screen.starting import Starting
from telemetry.screen.terminal import TerminalScreen
from tests.screen.conftest import Rig

SIZES = ((60, 17), (80, 24), (120, 40), (160, 45), (200, 60))
LABELS = ("VOLTAGE", "CURRENT", "LOWEST CELL", "SPEED", "POWER", "CHARGE", "HOTTEST")


def text(face: Starting, size: tuple[int, int]) -> list[str]:
    return ["".join(piece for piece, _ in line) for line in face.lines(*size)]


def starting(leave: list[str] | None = None) -> Starting:
    left = [] if leave is None else leave
    return Starting("test cart", "full", "metric", lambda: left.append("left"))


@pytest.mark.parametrize("size", [*SIZES, (40, 10), (1, 1)])
def test_every_row_is_as_wide_as_the_window(size: tuple[int, int]) -> None:
    assert {len(row) for row in text(starting(), size)} == {size[0]}
    assert len(text(starting(), size)) == size[1]


@pytest.mark.parametrize("size", SIZES)
async def test_the_first_frame_of_the_run_has_every_label_dash_and_wall_where_they_were(
    make_rig: type[Rig], size: tuple[int, int]
) -> None:
    rig = make_rig()
    first = starting()
    before = text(first, size)
    rig.screen._face = first
    async with rig.screen.run_test(size=size):
        rig.screen.show(rig.dashboard)
        after = rig.rows()
    for label in LABELS:
        places = [[(y, row.find(label)) for y, row in enumerate(rows) if label in row] for rows in (before, after)]
        assert places[0] == places[1] != []
    for sign in "█▄▀·":
        found = [
            [(y, x) for y, row in enumerate(rows[1:-5]) for x, each in enumerate(row) if each == sign]
            for rows in (before, after)
        ]
        assert found[0] == found[1]
    assert before[0].startswith(" test cart ")
    assert "starting" in before[0]
    assert before[-1] == after[-1], "the same keys"


def test_units_are_those_asked_for() -> None:
    rows = "\n".join(text(Starting("cart", "none", "imperial", lambda: None), (80, 24)))
    assert "SPEED mph" in rows
    assert "HOTTEST °F" in rows


def test_q_twice_leaves_and_any_other_key_after_one_goes_on() -> None:
    left: list[str] = []
    face = starting(left)
    face.press("4", "4")
    face.press("q", "q")
    assert "q again" in text(face, (80, 24))[-1]
    face.press("x", "x")
    assert list(face.keys) == [("4", "4")]
    face.press("ctrl+c", None)
    assert not left
    face.press("q", "q")
    assert left == ["left"]


async def test_keys_pressed_before_the_run_is_there_are_done_once_it_is(make_rig: type[Rig]) -> None:
    rig = make_rig()
    first = starting()
    screen = TerminalScreen(first, "full")
    async with screen.run_test(size=(80, 24)) as pilot:
        await screen.painted()
        await pilot.press("4", "t", "space", "escape")
        screen.show(rig.dashboard, first.keys)
        await pilot.pause()
        assert rig.dashboard._actions.shown.view == "4"
        assert rig.dashboard._actions.shown.light == "dusk"
        rig.close()
        assert [mark.text for mark in rig.snapshot.marks] == ["mark"]


async def test_it_is_drawn_anew_for_another_size() -> None:
    screen = TerminalScreen(starting(), "full")
    async with screen.run_test(size=(80, 24)) as pilot:
        await asyncio.wait_for(screen.painted(), 30)
        await pilot.resize_terminal(120, 40)
        async with asyncio.timeout(30):
            while len(screen._panel.drawn) != 40:
                await pilot.pause()
        await pilot.click(offset=(3, 3))
        await pilot.hover(offset=(3, 3))
        screen._face.scroll(1)
