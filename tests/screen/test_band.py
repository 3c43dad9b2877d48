"""The band: every act is whole on the screen, at every size, in every situation, however long its place is."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.alarms.acts import ALARM_NAMES, SITUATIONS, act_for, alarm_name
from telemetry.screen.band import BAND_ROWS, band_lines
from telemetry.screen.canvas import Canvas
from telemetry.screen.digits import letter_lines, word_rows
from telemetry.screen.drive_view import Status, draw_drive, status_lines
from telemetry.screen.formats import wrapped
from telemetry.screen.frame import frame_for
from telemetry.screen.theme import palette
from telemetry.screen.words import Headline
from tests.screen.drive_states import scene_of

SOUND = {"pack_voltage": 25.6, "pack_current": 40.0, "soc_reported": 80.0, "pack_temperature_1": 20.0}
SIZES = [(60, 17), (60, 20), (79, 30), (80, 24), (100, 24), (100, 39), (120, 40), (143, 44), (160, 45), (200, 60)]
SIGNALS = {
    "pack-temperature-high": "pack_temperature_12",
    "link": "motor controller",
    "source-frozen": "電池電池電池電池",
    "fault-code": "a fault of as many letters as there may",
}


def acts() -> list[Headline]:
    """Every act of the table as it is of cell 110, with or without a word."""
    found = {}
    for limit, level, situation in product(
        [*sorted(ALARM_NAMES), "a-limit-of-a-newer-program"], ("warn", "trip"), SITUATIONS
    ):
        signal = SIGNALS.get(limit, "")
        number = 110 if limit.startswith("cell-") else None
        act = act_for(limit, level, situation, signal, number, 888.88)  # type: ignore[arg-type]
        details = ("raised 2.470 V, worst 2.410 V, now 2.520 V, limit 2.500 V", "warn at 0:12:01, trip at 0:12:31")
        found[limit, level, situation] = Headline(
            act.word, act.where, alarm_name(limit), act.do, "2.470 V, limit 2.500 V", details, True, 3
        )
    return list(found.values())


def stands_whole(text: str, lines: list[str] | tuple[str, ...]) -> bool:
    """Tell whether the words of ``text`` follow each other in ``lines``."""
    written = re.sub("[▐▌█▀▄]", " ", " ".join(lines))
    words = iter(word.strip(".:,").lower() for word in written.split())
    return all(word.strip(".:,").lower() in words for word in text.split())


@pytest.mark.parametrize("size", SIZES)
def test_every_act_stands_whole_in_the_band(size: tuple[int, int]) -> None:
    frame = frame_for(*size)
    assert frame is not None
    for wrong in (act for act in acts() if act.word):
        lines = band_lines(wrong, frame.band_width - 2, frame.band_rows)
        above = frame.band_y - frame.lanes[2] - frame.lane_rows
        most = frame.band_rows + above * (frame.band_rows <= BAND_ROWS)
        assert len(lines) <= most, "a low band takes the blank row above it too"
        assert max(map(len, lines)) <= frame.band_width - 2, wrong
        assert stands_whole(wrong.do, lines), (wrong, lines)
        lettered = size[0] >= 120  # the place may be in large letters there
        assert lettered or stands_whole(wrong.where, lines), (wrong, lines)


@pytest.mark.parametrize("size", [(160, 45), (200, 60)])
def test_the_first_act_is_in_letters_where_plain_text_is_small(size: tuple[int, int]) -> None:
    frame = frame_for(*size)
    assert frame is not None
    for limit, word in (("cell-voltage-low", "STOP"), ("discharge-current", "SLOW"), ("charging-cold", "COAST")):
        act = act_for(limit, "trip", "driving", number=17 if word == "STOP" else None)
        wrong = Headline(act.word, act.where, alarm_name(limit), act.do, "2.470 V, limit 2.500 V", first=act.first)
        lines = band_lines(wrong, frame.band_width - 2, frame.band_rows)
        assert act.word == word
        rows = letter_lines((act.where, act.first))
        top = next(n for n, line in enumerate(lines) if rows[0].strip() in line)
        assert all(row.strip() in line for row, line in zip(rows, lines[top:], strict=False))


def test_a_key_is_never_turned_by_large_letters_while_the_machine_rolls() -> None:
    """What comes second in an act is not what comes first in letters."""
    moving = [act_for(limit, level, "driving") for limit in ALARM_NAMES for level in ("warn", "trip")]  # type: ignore[arg-type]
    assert {act.first for act in moving} == {"NO THROTTLE", "EASE OFF", "NO REGEN", "GENTLY", "DRIVE ON", ""}
    for act in moving:
        assert not act.first or len(word_rows(act.first)[0]) <= 70, "so wide a place is beside a word at 160x45"


@given(st.integers(60, 230), st.integers(17, 72))
@settings(max_examples=12, deadline=None)
def test_no_act_is_cut_at_any_size(columns: int, rows: int) -> None:
    frame = frame_for(columns, rows)
    assert frame is not None
    for wrong in (act for act in acts() if act.word):
        lines = band_lines(wrong, frame.band_width - 2, frame.band_rows)
        top = frame.band_y + frame.band_rows - len(lines)
        assert top >= frame.lanes[2] + 1 + frame.bars, (wrong, lines, "no gauge is covered")
        assert len(lines) <= frame.band_rows + 1, (wrong, lines)
        assert max(map(len, lines)) <= frame.band_width - 2, (wrong, lines)
        assert stands_whole(wrong.do, lines), (wrong, lines)


@pytest.mark.parametrize("width", [44, 60, 80, 120, 160, 200])
def test_every_act_stands_whole_over_another_view(width: int) -> None:
    for wrong in (act for act in acts() if act.word):
        lines = band_lines(wrong, width - 2, BAND_ROWS)
        assert stands_whole(wrong.do, lines), (wrong, lines)
        assert len(lines) <= BAND_ROWS + 1 or width < 60


@pytest.mark.parametrize("size", SIZES)
def test_every_act_without_a_word_stands_whole_in_the_status(size: tuple[int, int]) -> None:
    frame = frame_for(*size)
    assert frame is not None
    for wrong in (act for act in acts() if not act.word):
        words = (f"{wrong.what}: cell 110, 2.470 V", wrong.where)
        badge, lines = status_lines(Status("caution", words, wrong.do + " +2 more: 4"), frame.band_width)
        assert len(badge) + 6 <= frame.band_width
        assert len(lines) <= frame.band_rows + (size[0] < 80), (wrong, lines)
        assert stands_whole(wrong.do, [text for _, text in lines])
        assert max(indent + len(text) for indent, text in lines) <= frame.band_width


@pytest.mark.parametrize("size", SIZES)
def test_a_prompt_is_blue_and_gives_way_to_an_alarm(size: tuple[int, int]) -> None:
    prompt = Headline("BRAKE", "LEG 3", "full throttle to the second pole", "Brake at the pole.", meaning="act")
    seen = {}
    for state in ("working", "trip"):
        canvas = Canvas(*size, palette("sun", "full"))
        draw_drive(canvas, replace(scene_of(state), prompt=prompt))
        seen[state] = {style.bgcolor for line in canvas.lines() for _, style in line}
    blue = palette("sun", "full").badges["act"].fill.bgcolor
    assert blue in seen["working"]
    assert blue not in seen["trip"]


def test_a_number_is_not_parted_from_its_unit() -> None:
    assert wrapped("worst 2.390 V, now 3.100 V", 25) == ["worst 2.390 V, now", "3.100 V"]
    assert wrapped("below 142 A, above -20 °C", 12) == ["below 142 A,", "above -20 °C"]
    assert wrapped("", 10) == []


@pytest.mark.parametrize("size", [(60, 17), (80, 24), (120, 40), (160, 45)])
async def test_an_alarm_says_what_to_do_at_every_size(make_rig: Callable[..., Any], size: tuple[int, int]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=size):
        await rig.drive(4, lowest=2.7, **SOUND)
        assert stands_whole("Half throttle until it is above 2.80 V.", rig.rows())
        await rig.drive(4, lowest=2.4, **SOUND)
        rows = rig.rows()
        assert stands_whole("Release the throttle and stop where it is safe.", rows)
        assert stands_whole("low cell voltage", rows)
        assert {len(row) for row in rows} == {size[0]}


async def test_whoever_guides_the_driver_sets_the_prompt(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=(80, 24)):
        await rig.drive(4, lowest=3.2, **SOUND)
        rig.dashboard.prompt = Headline(
            "COAST", "LEG 3", "coast down", "Let it roll to the second pole.", meaning="act"
        )
        assert stands_whole("Let it roll to the second pole.", rig.rows())
        await rig.drive(4, lowest=2.4, **SOUND)
        assert not stands_whole("Let it roll", rig.rows())
        assert stands_whole("Release the throttle", rig.rows())
        rig.dashboard.prompt = None


async def test_an_act_follows_what_the_machine_does(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=(120, 40)):
        await rig.drive(4, **SOUND | {"pack_voltage": 30.0})
        assert stands_whole("Brake with the mechanical brake only.", rig.rows())
        await rig.drive(70, **SOUND | {"pack_voltage": 30.0, "pack_current": 0.0})
        assert stands_whole("Key off and do not charge.", rig.rows())
        await rig.drive(3, **SOUND | {"pack_voltage": 30.0, "pack_current": -20.0})
        assert stands_whole("Switch the charger off at the wall socket. Never pull a plug under load.", rig.rows())


async def test_the_alarm_list_says_everything_and_cuts_nothing_at_sixty_columns(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=(60, 30)) as pilot:
        await rig.drive(5, lowest=2.7, **SOUND)
        await rig.drive(5, lowest=2.45, **SOUND)
        await rig.drive(2, lowest=2.40, **SOUND)
        await pilot.press("4")
        said = " ".join(rig.text().replace("▌", "").split())
        assert "do Release the throttle and stop where it is safe." in said
        assert "2.450 V raised 2.400 V worst 2.400 V now" in said
        assert "trip 2.500 V, warn 2.800 V, after 2 s" in said
        assert "trip at 0:00:08, 4.0 s ago; warn at 0:00:03" in said
        assert "a bound for this test" in said
        assert "high priority" in said
