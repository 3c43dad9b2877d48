"""Every key of the table on every view that it works on, and that no other key does anything. Invented values."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from telemetry.guided.leading import Leader
from telemetry.guided.steps import STEPS
from telemetry.model.events import LinkChange
from telemetry.screen.actions import Actions
from telemetry.screen.alarm_keys import AlarmKeys
from telemetry.screen.guide_keys import GuideKeys
from telemetry.screen.keys import ALL, FOOTERS, KEYS, VIEWS, VIEWS_ITEM, Key, keys_in
from telemetry.screen.link_keys import LinkKeys
from telemetry.screen.operator_marks import MarkKeys
from telemetry.screen.page_keys import PageKeys
from telemetry.screen.replay_keys import ReplayKeys
from telemetry.screen.session_keys import SessionKeys
from telemetry.screen.trace_keys import TraceKeys
from tests.guided.outcomes import stated

PARTS = (Actions, GuideKeys, AlarmKeys, MarkKeys, PageKeys, LinkKeys, SessionKeys, ReplayKeys, TraceKeys)
SECOND = 1_000_000
MARKING = ("mark", "take_mark_back", "next_mark", "guide_go", "guide_skip", "guide_stop")
SOUND = {"pack_voltage": 25.4, "pack_current": 40.0, "soc_reported": 81.0, "pack_temperature_1": 24.0}
LOW = SOUND | {"pack_voltage": 21.5}
ON_VIEWS = [(row, view) for row in KEYS for view in row.views]
Step = Callable[[Any, Any], Awaitable[None]]


def shown(rig: Any) -> Any:
    return rig.dashboard._actions.shown


async def nothing(rig: Any, pilot: Any) -> None:
    """The run as it is: five seconds, two alarms past a warning, two links."""


async def marked(rig: Any, pilot: Any) -> None:
    await pilot.press("space", "enter")


async def shelved(rig: Any, pilot: Any) -> None:
    await pilot.press("z", "1")
    rig.close()
    assert any(change.stands == "shelved" for change in rig.snapshot.alarms.quiet.values())


async def latched(rig: Any, pilot: Any) -> None:
    await rig.drive(4, lowest=2.4, **LOW)
    await rig.drive(12, lowest=3.2, **LOW)
    for _ in range(3):
        await pilot.press("enter")
        rig.close()
    assert any(alarm.latched and alarm.acknowledged for alarm in rig.snapshot.alarms.in_order())


async def led(rig: Any, pilot: Any) -> None:
    rig.dashboard._actions.guide._leader = Leader(stated(12), STEPS[2:3])


def last_mark(rig: Any) -> str:
    rig.close()
    return str(rig.snapshot.marks[-1].text)


async def one_down(rig: Any, pilot: Any) -> None:
    await pilot.press("down")
    assert shown(rig).chosen[shown(rig).view] == rig.dashboard._actions.view_drawn.order[1]


def window(rig: Any) -> Any:
    return rig.traces.window


async def looked_back(rig: Any, pilot: Any) -> None:
    """The cursor in the past, and where it was."""
    await pilot.press("left", "left", "left")
    assert not window(rig).follows
    rig.before = window(rig).cursor, window(rig).each


async def spanned(rig: Any, pilot: Any) -> None:
    await pilot.press("s", "left", "left", "s")
    assert window(rig).span is not None


async def at_the_start(rig: Any, pilot: Any) -> None:
    await pilot.press("home")
    rig.before = window(rig).cursor, window(rig).each


def moved(rig: Any) -> int:
    """Columns that the cursor has moved by since."""
    before, each = rig.before
    return (window(rig).cursor - before) // each


def first_alarm(rig: Any) -> int:
    return min(each.t for each in rig.traces.moments if each.kind in ("warn", "trip"))


async def in_review(rig: Any, pilot: Any) -> None:
    rig.screen.paint()
    window(rig).fit(9 * SECOND, False, 60)
    window(rig).to_end()


async def at_zero(rig: Any, pilot: Any) -> None:
    await in_review(rig, pilot)
    window(rig).to_start()


def order(rig: Any) -> Any:
    return rig.dashboard._actions.view_drawn.order


async def no_alarm(rig: Any, pilot: Any) -> None:
    for _ in range(2):
        await pilot.press("1", "enter")
        rig.close()
    await pilot.press("6")
    rig.rows()


async def third_session(rig: Any, pilot: Any) -> None:
    await pilot.press("down", "down")
    assert sessions(rig).chosen == 3


def sessions(rig: Any) -> Any:
    return rig.dashboard._actions.sessions.sessions


def last_row(rig: Any) -> str:
    return str(rig.rows()[-1])


# What is done before the key is pressed, and what is so after it.
EFFECTS: dict[str, tuple[Step, Callable[[Any], Any]]] = {
    "mark": (nothing, lambda rig: [mark.text for mark in rig.snapshot.marks] == ["mark"]),
    "take_mark_back": (marked, lambda rig: [mark.taken_back for mark in rig.snapshot.marks] == [True]),
    "acknowledge": (nothing, lambda rig: [a.acknowledged for a in rig.snapshot.alarms.in_order()].count(True) == 1),
    "shelve": (nothing, lambda rig: "1 5 min   2 15 min   3 60 min" in rig.rows()[-1]),
    "unshelve": (shelved, lambda rig: not any(c.stands == "shelved" for c in rig.snapshot.alarms.quiet.values())),
    "reset": (latched, lambda rig: not any(alarm.latched for alarm in rig.snapshot.alarms.in_order())),
    "cursor_left": (looked_back, lambda rig: moved(rig) == -1),
    "cursor_right": (looked_back, lambda rig: moved(rig) == 1),
    "window_left": (looked_back, lambda rig: window(rig).cursor == 0),
    "window_right": (at_the_start, lambda rig: window(rig).cursor == window(rig).length > 0),
    "to_start": (nothing, lambda rig: window(rig).cursor == 0 and not window(rig).follows),
    "to_end": (looked_back, lambda rig: window(rig).follows),
    "zoom_in": (nothing, lambda rig: window(rig).width == SECOND),
    "zoom_out": (nothing, lambda rig: window(rig).width is None),
    "next_event": (at_the_start, lambda rig: window(rig).cursor == first_alarm(rig)),
    "event_before": (nothing, lambda rig: window(rig).cursor == first_alarm(rig)),
    "next_alarm": (at_the_start, lambda rig: window(rig).cursor == first_alarm(rig)),
    "next_mark": (marked, lambda rig: window(rig).cursor == rig.snapshot.marks[0].t - rig.snapshot.start),
    "set_end": (nothing, lambda rig: window(rig).ends == (window(rig).cursor,)),
    "clear_span": (spanned, lambda rig: window(rig).ends == ()),
    "write_span": (nothing, lambda rig: "no span to write" in rig.rows()[-1]),
    "whole_drive": (nothing, lambda rig: window(rig).width is None),
    "go_to": (nothing, lambda rig: "go to (1549 is 0:15:49):" in rig.rows()[-1]),
    "play": (looked_back, lambda rig: rig.dashboard._actions._cursor.goes),
    "play_slower": (looked_back, lambda rig: rig.dashboard._actions._cursor.speed == 0.5),
    "play_faster": (looked_back, lambda rig: rig.dashboard._actions._cursor.speed == 2.0),
    "choose_signals": (nothing, lambda rig: "signals on view" in rig.rows()[0]),
    "guide_go": (led, lambda rig: last_mark(rig) == "guided drive: pulls"),
    "guide_skip": (led, lambda rig: last_mark(rig) == "guided drive: pulls skipped"),
    "guide_stop": (led, lambda rig: last_mark(rig) == "guided drive: stopped"),
    "back_10_s": (in_review, lambda rig: window(rig).cursor == 0),
    "on_10_s": (nothing, lambda rig: rig.plan.going_to is not None),
    "faster": (nothing, lambda rig: rig.plan.speed == 2.0),
    "slower": (nothing, lambda rig: rig.plan.speed == 0.5),
    "show_moment": (nothing, lambda rig: shown(rig).view == "3" and not window(rig).follows),
    "try_now": (nothing, lambda rig: "controller does not wait for a try" in rig.text()),
    "raw_lines": (nothing, lambda rig: "raw lines of controller" in rig.text()),
    "raw_names": (nothing, lambda rig: " soc_reported " in rig.text()),
    "pause": (nothing, lambda rig: rig.plan.paused),
    **{f"view_{digit}": (nothing, lambda rig, digit=digit: shown(rig).view == digit) for digit in VIEWS},
    "help": (nothing, lambda rig: f"keys of the {VIEWS[shown(rig).view]} view" in rig.rows()[0]),
    "commands": (nothing, lambda rig: "What do you want to do?" in rig.rows()[1]),
    "change_light": (nothing, lambda rig: shown(rig).light == "dusk"),
    "mute": (nothing, lambda rig: "sound is off for this run" in rig.rows()[-1]),
    "test_sound": (nothing, lambda rig: "sound is off for this run" in rig.rows()[-1]),
    "session_below": (nothing, lambda rig: sessions(rig).chosen == 4),
    "session_above": (third_session, lambda rig: sessions(rig).chosen == 4),
    "review_session": (no_alarm, lambda rig: "in another terminal: shakedown review 5" in last_row(rig)),
    "find_sessions": (nothing, lambda rig: "find by machine, name, date, verdict, mark" in last_row(rig)),
    "report_session": (nothing, lambda rig: "report of session 5" in rig.rows()[0]),
    "compare_session": (nothing, lambda rig: "choose the session to compare 5 with" in last_row(rig)),
    "export_session": (nothing, lambda rig: "write session 5 to: session-5.csv" in last_row(rig)),
    "name_session": (third_session, lambda rig: "name of session 3: first hay" in last_row(rig)),
    "note_session": (nothing, lambda rig: "note on session 5:" in last_row(rig)),
    "show_cell": (
        one_down,
        lambda rig: (
            shown(rig).view == "3"
            and window(rig).lanes == ("cell_02_voltage", "cell_min_voltage", "pack_current")
            and "CELL 2" in rig.text()
        ),
    ),
    "order_cells": (nothing, lambda rig: order(rig) == [8, 1, 2, 3, 4, 5, 6, 7]),
    "back": (nothing, lambda rig: window(rig).follows),
    "leave": (nothing, lambda rig: "LEAVE?" in rig.rows()[-1] and not rig.run._stopping.is_set()),
}
MOVES: dict[tuple[str, str], tuple[Step, Callable[[Any], Any]]] = {
    **{("down", view): (nothing, lambda rig, view=view: shown(rig).chosen[view] == order(rig)[1]) for view in "245"},
    **{("up", view): (one_down, lambda rig, view=view: shown(rig).chosen[view] == order(rig)[0]) for view in "245"},
}


async def begun(rig: Any, pilot: Any, view: str) -> None:
    """A view of a run with two alarms past a warning, and a second link that was lost and comes first."""
    await rig.after(0.0, LinkChange(rig.now, "controller", "live"), LinkChange(rig.now, "pack", "live"))
    await rig.drive(5, lowest=3.17, **SOUND)
    await rig.drive(4, lowest=2.7, **LOW)
    await pilot.press(view)


@pytest.mark.parametrize(("row", "view"), ON_VIEWS, ids=[f"{row.key}-{VIEWS[view]}" for row, view in ON_VIEWS])
async def test_every_key_does_what_the_table_says(
    make_rig: Callable[..., Any], session_store: Path, row: Key, view: str
) -> None:
    title = "review of a test" if row.need == "review" else ""
    rig = make_rig(replay=row.need in ("replay", "review"), title=title, store=session_store)
    prepare, holds = MOVES.get((row.action, view)) or EFFECTS[row.action]
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await begun(rig, pilot, view)
        await prepare(rig, pilot)
        await pilot.press(row.key)
        rig.close()
        assert holds(rig)
        assert len(rig.snapshot.marks) == (row.action in MARKING)


@pytest.mark.parametrize("is_replay", [False, True])
@pytest.mark.parametrize("view", sorted(VIEWS))
async def test_keys_that_are_not_in_the_table_do_nothing(
    make_rig: Callable[..., Any], session_store: Path, view: str, is_replay: bool
) -> None:
    rig = make_rig(replay=is_replay, store=session_store)
    own = {row.key for row in keys_in(view, is_replay)}
    others = [*"abcdefghijklmnopqrstuvwxyz0123456789", "plus", "minus", "full_stop", "comma", "slash", "up", "down"]
    others += ["left", "right", "pageup", "pagedown", "home", "end", "tab", "insert", "delete", "f1", "f12", "ctrl+a"]
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await begun(rig, pilot, view)
        before = rig.rows()
        await pilot.press(*(key for key in others if key not in own))
        rig.close()
        assert rig.rows() == before
        assert not rig.snapshot.marks


async def test_play_pauses_a_replay_that_is_followed_and_runs_the_cursor_where_one_looks_back(
    make_rig: Callable[..., Any],
) -> None:
    rig = make_rig(replay=True)
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await begun(rig, pilot, "3")
        rig.rows()
        await pilot.press("p", "full_stop")
        assert rig.plan.paused is False, "a new speed plays"
        assert rig.plan.speed == 2.0
        await pilot.press("p")
        assert rig.plan.paused
        await looked_back(rig, pilot)
        await pilot.press("p")
        assert rig.dashboard._actions._cursor.goes
        assert rig.plan.paused
        at = window(rig).cursor
        await rig.wall.advance(1.0)
        rig.rows()
        assert window(rig).cursor == at + SECOND
        await rig.wall.advance(60.0)
        rig.rows()
        assert window(rig).follows, "it has caught up"


async def test_in_a_replay_a_mark_is_set_where_the_cursor_is_and_live_at_the_moment_of_the_key(
    make_rig: Callable[..., Any],
) -> None:
    for replay in (True, False):
        rig = make_rig(replay=replay)
        async with rig.screen.run_test(size=(120, 40)) as pilot:
            await begun(rig, pilot, "3")
            await looked_back(rig, pilot)
            cursor = rig.traces.cursor
            await pilot.press("space", "enter")
            rig.close()
            (mark,) = rig.snapshot.marks
            assert (mark.t == cursor) == replay
            if not replay:
                assert mark.t == rig.now


async def test_capitals_by_the_lock_key_mean_the_same(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("H")
        assert "keys of the drive view" in rig.rows()[0]
        await pilot.press("x", "T")
        assert shown(rig).light == "dusk"


async def test_a_command_is_found_by_typing_and_run(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await begun(rig, pilot, "1")
        await pilot.press("c", *"shelve", "space", *"pac", "space", *"15", "enter")
        rig.close()
        quiet = [c for c in rig.snapshot.alarms.quiet.values() if c.stands == "shelved"]
        assert [(c.limit, c.why) for c in quiet] == [("pack-voltage-low", "by the operator for 15 min")]
        assert not rig.snapshot.marks, "a blank is typed here"


async def test_a_limit_is_told_from_the_command_list(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("c", *"limit", "space", *"cell", "enter")
        assert "low cell voltage: the limit cell-voltage-low" in rig.rows()[0]
        assert "trip             2.500 V" in rig.text()
        await pilot.press("x")
        assert "limit▼" in rig.rows()[0]


async def test_the_band_of_an_alarm_is_above_help_and_commands(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await begun(rig, pilot, "1")
        await rig.drive(4, lowest=2.4, **LOW)
        for key in ("h", "c", "space"):
            await pilot.press(key)
            assert ("What is it?" in rig.rows()[0]) == (key == "space")
            band = " ".join(rig.rows()[19:23])
            assert "Release the throttle" in band, key
            await pilot.press("escape")


@pytest.mark.parametrize("view", sorted(VIEWS))
async def test_a_click_on_each_item_of_the_footer_does_what_its_key_does(rig: Any, view: str) -> None:
    async with rig.screen.run_test(size=(160, 45)) as pilot:
        await begun(rig, pilot, view)
        rig.rows()
        for target in list(rig.dashboard._actions.footer):
            pressed: list[str] = []
            rig.dashboard._actions.press = lambda key, _character, pressed=pressed: pressed.append(key)
            await pilot.click(offset=(target.x + target.width // 2, target.y))
            assert pressed == [target.press]
        assert len(rig.dashboard._actions.footer) >= 4


async def test_a_click_on_a_view_on_a_command_and_beside_a_page(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await begun(rig, pilot, "1")
        await pilot.click(offset=(rig.rows()[-1].index("1-6 views") + 2, 23))
        assert shown(rig).view == "6"
        await pilot.press("c", "t", "i", "m", "e")
        rows = rig.rows()
        await pilot.click(offset=(10, next(y for y, row in enumerate(rows) if "shelve an alarm for a time" in row)))
        assert "1 5 min   2 15 min" in rig.rows()[-1]
        await pilot.press("x", "h")
        await pilot.click(offset=(5, 5))
        assert "keys of the" not in rig.rows()[0]
        await pilot.press("space")
        await pilot.click(offset=(4, 1))
        rig.close()
        assert [mark.text for mark in rig.snapshot.marks] == ["hill"]


async def test_the_wheel_moves_a_page_and_chooses_a_command(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await begun(rig, pilot, "5")
        rig.rows()
        actions: Actions = rig.dashboard._actions
        actions.scroll(1)
        assert actions.shown.scrolled["5"] == min(3, actions.view_drawn.most) > 0
        actions.scroll(-1)
        assert actions.shown.scrolled["5"] == 0
        await pilot.press("c")
        actions.scroll(1)
        assert actions.prompt is not None
        assert actions.prompt.place == 1  # type: ignore[attr-defined]


@pytest.mark.parametrize("key", ["h", "c"])
async def test_what_covers_the_figures_closes_by_itself_while_the_machine_moves(rig: Any, key: str) -> None:
    """A glove that hits the wrong key costs the figures for 20 s at most; at rest a page stays."""
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        for current, stays in ((40.0, False), (0.0, True)):
            await rig.drive(70, **SOUND | {"pack_current": current})
            await pilot.press(key)
            await rig.drive(15, **SOUND | {"pack_current": current})
            await pilot.press("up" if key == "c" else "h", *([] if key == "c" else ["h"]))
            await rig.drive(15, **SOUND | {"pack_current": current})
            rig.rows()
            assert rig.dashboard._actions.prompt is not None, "a key keeps it open"
            await rig.drive(6, **SOUND | {"pack_current": current})
            rig.rows()
            assert (rig.dashboard._actions.prompt is not None) == stays
            await pilot.press("escape")


def test_the_table_is_whole() -> None:
    assert {row.action for row in KEYS} <= {*EFFECTS, "up", "down"}
    for view in VIEWS:
        for is_review in (False, True):
            keys = [row.key for row in keys_in(view, is_replay=True, is_review=is_review)]
            assert len(keys) == len(set(keys)), "one key, one meaning in a view"
        every = {row.key for row in KEYS if view in row.views}
        assert set(FOOTERS[view]) - {VIEWS_ITEM} <= every
    for row in KEYS:
        having = [part for part in PARTS if callable(getattr(part, row.action, None))]
        assert row.action.startswith("view_") or having[:1] == [Actions] or len(having) == 1
        assert set(row.views) <= set(ALL)
        assert row.does[:1].islower()
        assert not row.does.endswith(".")
