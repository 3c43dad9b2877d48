"""The dashboard under its own keys, at several sizes, with real spans behind it. Invented values throughout."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from rich.cells import cell_len

from telemetry.machine.kinds import TAKEN
from telemetry.machine.limits import Limit
from telemetry.model.events import LinkChange, Loss, Mark, SavingChange
from telemetry.screen.canvas import Canvas
from telemetry.screen.digits import figure_rows, word_rows
from telemetry.screen.keys import KEYS, VIEWS, footer_items
from telemetry.screen.links_view import LinksShown
from telemetry.screen.mark_entry import OPEN_US, PRESETS
from telemetry.screen.panel import Panel
from telemetry.screen.scene import Shown
from telemetry.screen.views import draw_view

SIZES = ((80, 24), (160, 45))
SOUND = {"pack_voltage": 25.4, "pack_current": 40.0, "soc_reported": 81.0, "pack_temperature_1": 24.0}


def holds(rows: list[str], block: tuple[str, ...]) -> bool:
    """Tell whether ``block`` stands somewhere, one part below the other at the same place."""
    first = [place for place in range(len(rows)) if block[0].strip() in rows[place]]
    for top in first:
        for column in range(len(rows[0]) - len(block[0]) + 1):
            if all(rows[top + n][column : column + len(part)] == part for n, part in enumerate(block)):
                return True
    return False


async def sound_run(rig: Any) -> None:
    """Five quiet seconds with a link that is live."""
    await rig.after(0.0, LinkChange(rig.now, "pack", "live"))
    await rig.drive(5, lowest=3.17, **SOUND)


@pytest.mark.parametrize("size", SIZES)
async def test_a_trip_stands_huge_until_acknowledged(rig: Any, size: tuple[int, int]) -> None:
    async with rig.screen.run_test(size=size) as pilot:
        await rig.drive(4, lowest=2.4, **SOUND)
        word = word_rows("STOP", 1 if size == (80, 24) else 2, lowered=True)
        assert holds(rig.rows(), word)
        assert "■ CELL 8" in rig.text()
        assert "0.10 V past" in rig.text()
        await pilot.press("enter")
        rig.close()
        assert not holds(rig.rows(), word)
        assert "■ low cell voltage: cell 8, 2.400 V, ack" in rig.text()
        assert "Release the throttle and stop where it is safe." in rig.text()
        assert [alarm.acknowledged for alarm in rig.snapshot.alarms.in_order()] == [True]


async def test_enter_acknowledges_what_stands_first_and_only_that(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await rig.drive(4, lowest=2.4, **(SOUND | {"pack_voltage": 19.0}))
        first = rig.snapshot.alarms.in_order()[0].change.limit
        await pilot.press("enter")
        rig.close()
        state = {alarm.change.limit: alarm.acknowledged for alarm in rig.snapshot.alarms.in_order()}
        assert state == {
            "cell-voltage-low": first == "cell-voltage-low",
            "pack-voltage-low": first != "cell-voltage-low",
        }
        await pilot.press("enter", "enter")
        rig.close()
        assert all(alarm.acknowledged for alarm in rig.snapshot.alarms.in_order())
        assert "no alarm waits" in rig.text()


async def test_what_returned_unseen_waits_for_a_key_and_says_so(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await rig.drive(12, **(SOUND | {"pack_voltage": 19.0}))
        await rig.drive(12, **SOUND)
        assert holds(rig.rows(), word_rows("NOTE", lowered=True))
        assert "It is back inside its limit." in rig.text()
        await pilot.press("enter")
        rig.close()
        assert "● no alarm" in rig.text()


async def test_a_latched_trip_is_acknowledged_then_reset(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await rig.drive(4, lowest=2.4, **SOUND)
        await rig.drive(12, lowest=3.2, **SOUND)
        assert holds(rig.rows(), word_rows("NOTE", lowered=True))
        assert "Look into it at the next stop." in rig.text()
        await pilot.press("r")
        assert "acknowledge it first" in rig.text()
        await pilot.press("enter")
        rig.close()
        assert "► low cell voltage: cell 8, 2.400 V, latched, ack" in rig.text()
        await rig.wall.advance(5.0)
        assert "r reset" in rig.rows()[-1]
        await pilot.press("4")
        assert "latched: r resets it" in rig.text()
        await pilot.press("r")
        rig.close()
        assert not rig.snapshot.alarms
        assert not rig.snapshot.marks


async def test_shelving_asks_how_long_ends_by_itself_and_is_not_forgotten(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("z")
        assert "no alarm to shelve" in rig.text()
        low = SOUND | {"pack_voltage": 21.0}
        await rig.drive(4, **low)
        await pilot.press("z", "x")
        assert "nothing was shelved" in rig.text()
        await rig.wall.advance(5.0)
        assert "z shelve" in rig.rows()[-1]
        await pilot.press("z")
        assert "1 5 min   2 15 min   3 60 min" in rig.rows()[-1]
        await pilot.press("1")
        rig.close()
        assert "shelved for 5 min: low pack voltage" in rig.text()
        assert "no alarm; 1 shelved" in rig.text()
        await pilot.press("4")
        assert "kept quiet" in rig.text()
        assert "low pack voltage: shelved" in rig.text()
        assert "by the operator for 5 min" in rig.text()
        await rig.after(290.0, **low)
        assert not rig.snapshot.alarms
        await rig.after(11.0, **low)
        assert [alarm.state for alarm in rig.snapshot.alarms.in_order()] == ["unacknowledged"]
        await pilot.press("z", "3")
        rig.close()
        await pilot.press("u")
        rig.close()
        assert [alarm.state for alarm in rig.snapshot.alarms.in_order()] == ["unacknowledged"]
        assert not rig.snapshot.marks


async def test_a_chattering_alarm_and_a_flood_are_told_with_what_to_change(make_rig: Callable[..., Any]) -> None:
    rig = make_rig([Limit("pack-voltage-low", "pack_voltage", "low", 22.0, 20.0, 0.05, 0.0, 0.0, "test")])
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        for _ in range(11):
            await rig.after(1.0, **(SOUND | {"pack_voltage": 21.9}))
            await rig.after(1.0, **(SOUND | {"pack_voltage": 22.4}))
        await pilot.press("enter")
        rig.close()
        assert "FLOOD: 11 alarms in 10 min" in rig.text()
        await pilot.press("4")
        text = rig.text()
        assert "low pack voltage chatters" in text
        assert "clear_margin = 0.4" in text
        assert "FLOOD of alarms" in text


async def test_only_an_unacknowledged_danger_flashes_and_slowly(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:

        async def phases() -> set[tuple[Any, ...]]:
            seen = set()
            for _ in range(4):
                await rig.wall.advance(0.25)
                rig.screen.paint()
                seen.add(tuple(rig.screen.query_one(Panel).drawn))
            return seen

        await sound_run(rig)
        assert len(await phases()) == 1
        await rig.drive(4, lowest=2.4, **SOUND)
        # W3C WCAG 2.1, 2.3.1: no more than three flashes in a second; here one.
        assert len(await phases()) == 2
        await pilot.press("enter")
        rig.close()
        await rig.after(5.0, lowest=2.4, **SOUND)
        assert len(await phases()) == 1


async def test_a_lost_link_and_a_lost_recording_stand_huge_with_their_reasons(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await sound_run(rig)
        await rig.after(0.1, LinkChange(rig.now, "pack", "lost", "the plug was pulled; plug it in again"))
        assert holds(rig.rows(), word_rows("NO DATA", lowered=True))
        assert "Stop where it" in rig.text()
        assert "■ pack link lost" in rig.text()
        await pilot.press("4")
        assert "the plug was pulled; plug it in again" in rig.text()
        await pilot.press("1", "enter")
        await rig.after(0.1, Loss(rig.now, "store", 240, "the disk is full; free some space"))
        assert holds(rig.rows(), word_rows("NOT SAVED", lowered=True))
        assert "DISK: Drive on; free the disk at the next stop." in rig.text()
        assert "■ 240 values not saved" in rig.text()


async def test_a_store_that_cannot_be_written_is_shown_at_once_and_until_it_can(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)):
        await sound_run(rig)
        assert "● recording" in rig.rows()[0]
        await rig.after(0.1, SavingChange(rig.now, "store", rig.now, "the disk is full; free some space"))
        assert "■ not saving, 0 s held" in rig.rows()[0]
        assert holds(rig.rows(), word_rows("NOT SAVED", lowered=True))
        await rig.after(12.0)
        assert "■ not saving, 12 s held" in rig.rows()[0]
        await rig.after(0.1, Loss(rig.now, "store", 240, "the disk is full; free some space"))
        assert "■ not saving, 240 values lost" in rig.rows()[0]
        await rig.after(0.1, SavingChange(rig.now, "store", None))
        assert "■ 240 values not saved" in rig.rows()[0]


async def test_links_without_room_are_summed_up_worst_first(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)):
        await sound_run(rig)
        await rig.after(
            0.1, LinkChange(rig.now, "controller", "live"), LinkChange(rig.now, "position", "live"), **SOUND
        )
        assert "● 3 links" in rig.rows()[0]
        await rig.after(0.1, LinkChange(rig.now, "controller", "silent", "nothing has come for 3 s"))
        assert "■ controller silent" in rig.rows()[0]


async def test_a_link_that_never_lived_stands_huge_too(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)):
        await rig.after(0.1, LinkChange(rig.now, "pack", "lost", "there is no such port"))
        assert holds(rig.rows(), word_rows("NO DATA", lowered=True))
        assert "There is no" in rig.text()


async def test_the_band_is_below_every_other_view_too(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await rig.drive(4, lowest=2.4, **SOUND)
        for view in ("2", "3", "4"):
            await pilot.press(view)
            assert holds(rig.rows()[-5:-1], word_rows("STOP", lowered=True))
            assert "Release the throttle and stop where it is safe." in rig.text()


async def test_a_mark_is_kept_at_once_and_its_words_follow(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await sound_run(rig)
        pressed = rig.now
        await pilot.press("space")
        await rig.after(4.0, **SOUND)
        assert list(rig.snapshot.marks) == [Mark(pressed, "mark", "operator")]
        await pilot.press("s", "t", "o", "n", "e", "x", "backspace", "space", "Q")
        assert "mark at 0:00:05.0, kept. What is it? stone Q" in rig.text()
        await pilot.press("enter")
        rig.close()
        assert list(rig.snapshot.marks) == [Mark(pressed, "stone Q", "operator")]
        assert "mark set at 0:00:05: stone Q" in rig.text()


async def test_one_key_sets_a_preset_and_space_alone_sets_plain_marks(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("space", "2", "space", "space", "space", "escape")
        rig.close()
        assert [mark.text for mark in rig.snapshot.marks] == [PRESETS[1], "mark", "mark", "mark"]


async def test_an_entry_left_open_keeps_its_mark_by_itself(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        pressed = rig.now
        await pilot.press("space", "h")
        await rig.after(OPEN_US / 1e6 + 1)
        rig.screen.paint()
        rig.close()
        assert list(rig.snapshot.marks) == [Mark(pressed, "h")]
        assert "What is it?" not in rig.text()


async def test_escape_keeps_a_mark_without_words(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        pressed = rig.now
        await pilot.press("space", "h", "escape")
        rig.close()
        assert list(rig.snapshot.marks) == [Mark(pressed, "mark")]


async def test_backspace_takes_a_mark_back_and_it_stays_in_the_record(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        pressed = rig.now
        await pilot.press("space", "backspace")
        rig.close()
        assert list(rig.snapshot.marks) == [Mark(pressed, "mark", taken_back=True)]
        assert "mark at 0:00:00 taken back" in rig.text()
        await rig.after(1.0)
        later = rig.now
        await pilot.press("space", "1")
        await rig.after(9.0)
        await pilot.press("backspace")
        rig.close()
        assert rig.snapshot.marks[-1] == Mark(later, PRESETS[0], taken_back=True)
        await pilot.press("4")
        assert sum("taken back" in row for row in rig.rows()[:-1]) == 2


async def test_a_mark_is_not_taken_back_after_ten_seconds(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("space", "enter")
        await rig.after(11.0)
        await pilot.press("backspace")
        rig.close()
        assert [mark.taken_back for mark in rig.snapshot.marks] == [False]


async def test_keys_that_are_not_listed_do_nothing(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        before = rig.rows()
        await pilot.press("x", "X", "question_mark", "f1", "f5", "pagedown", "left", "right", "up", "p", "9", "tab")
        await pilot.press("ctrl+a", "escape", "backspace", "delete", "v", "y", "d", "w", "plus", "minus")
        rig.close()
        assert not rig.snapshot.marks
        assert rig.rows() == before


async def test_the_keys_that_the_machine_file_names_set_plain_marks(make_rig: Callable[..., Any]) -> None:
    rig = make_rig(mark_keys=("f5", "x", "."))
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("f5", "x", "X", "full_stop", "y", "f6")
        rig.close()
        assert [mark.text for mark in rig.snapshot.marks] == ["mark"] * 4
        assert "mark set at" in rig.text()


async def test_a_button_pressed_while_words_are_typed_drops_neither_mark(make_rig: Callable[..., Any]) -> None:
    rig = make_rig(mark_keys=("f5", "x"))
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("space", "b", "o", "x", "f5", "q", "x")
        rig.close()
        assert [mark.text for mark in rig.snapshot.marks] == ["box", "mark", "mark"]
        assert not rig.run._stopping.is_set()


def test_keys_of_the_screen_are_refused_as_keys_that_mark_but_for_those_of_the_traces() -> None:
    """A button that sends "b", "page down" or "right" is common: it marks in the traces and in a replay too."""
    others = [row for row in KEYS if set(row.views) - {"3"}]
    live = {row.key for row in others if row.is_in(is_replay=False, is_review=False)}
    assert live <= set(TAKEN) <= {row.key for row in others} - {"left", "right"}


async def test_a_replay_that_cannot_keep_marks_says_so_before_words_are_typed(make_rig: Callable[..., Any]) -> None:
    rig = make_rig(replay=True, why_no_marks="no mark set: add --record", mark_keys=("f5",))
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        for key in ("space", "f5"):
            await pilot.press(key)
            assert "no mark set: add --record" in rig.text()
            assert "What is it?" not in rig.text()
        rig.close()
        assert not rig.snapshot.marks


async def test_digits_choose_views(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await sound_run(rig)
        await rig.after(0.1, Mark(rig.now, "gate"))
        seen = {}
        for view in VIEWS:
            await pilot.press(view)
            seen[view] = rig.text()
        assert "VOLTAGE" in seen["1"]
        assert "8▼ 3.170   -40" in seen["2"]
        assert "LOWEST CELL" in seen["3"]
        assert "mark: gate" in seen["4"]
        assert "pack current" in seen["5"]
        assert len(rig.snapshot.marks) == 1


async def test_stale_cells_and_signals_are_unknown_with_their_age(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await sound_run(rig)
        await rig.after(30.0)
        await pilot.press("2")
        text = rig.text()
        assert "no cell has sent a value for 30 s" in text
        assert "cell 1: no fresh value" in text
        await pilot.press("5", "w")
        row = next(row for row in rig.rows() if row.startswith(" pack_voltage"))
        assert row.split() == ["pack_voltage", "--", "30", "s"]


async def test_leaving_asks_a_second_key_and_ends_the_run_first(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
        assert "q again ends the run and leaves." in rig.text()
        await pilot.press("x")
        assert "space mark" in rig.text()
        await pilot.press("q")
        await rig.wall.advance(7.0)
        await pilot.press("ctrl+c")
        assert not rig.run._stopping.is_set(), "the first key had been too long ago"
        await pilot.press("q")
        assert rig.run._stopping.is_set()
        assert "saving: the run is being ended" in rig.text()
        assert rig.screen.is_running
        rig.dashboard.run_ended("the run has ended")
        await pilot.pause()
        assert rig.screen._exit
        rig.close()
        assert not rig.snapshot.marks, "the key that goes on is no mark"


async def test_an_ended_run_keeps_its_last_figures_until_a_key(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await sound_run(rig)
        rig.dashboard.run_ended("the recording is complete")
        await rig.after(60.0)
        rows = rig.rows()
        assert holds(rows, figure_rows("25.4"))
        assert "► run ended" in rows[0]
        assert "the recording is complete; any key leaves" in rows[-1]
        await pilot.press("space")
        assert rig.screen._exit


async def test_a_run_may_leave_at_its_end(make_rig: Callable[..., Any]) -> None:
    rig = make_rig(leave_at_end=True)
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        rig.dashboard.run_ended("time is up")
        await pilot.pause()
        assert rig.screen._exit


async def test_a_run_that_ended_before_the_screen_came_up_leaves_too(make_rig: Callable[..., Any]) -> None:
    rig = make_rig(leave_at_end=True)
    rig.dashboard.run_ended("nothing to play")
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert rig.screen._exit


async def test_replay_keys_pause_and_step_the_speed(make_rig: Callable[..., Any]) -> None:
    rig = make_rig(replay=True, recorded=False)
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        assert "replay x1" in rig.text()
        await pilot.press("up", "up")
        assert rig.plan.speed == 4.0
        await pilot.press("p")
        assert rig.plan.paused
        assert "replay paused" in rig.text()
        await pilot.press("p", "down")
        assert not rig.plan.paused
        assert rig.plan.speed == 2.0
        await pilot.press(*["up"] * 6)
        assert rig.plan.speed is None
        assert "replay at most speed" in rig.text()
        assert not rig.snapshot.marks


@pytest.mark.parametrize("is_replay", [False, True])
async def test_items_of_the_footer_are_whole_at_sixty_columns(make_rig: Callable[..., Any], is_replay: bool) -> None:
    rig = make_rig(replay=is_replay)
    async with rig.screen.run_test(size=(60, 24)):
        shown = rig.rows()[-1].strip()
        offered = footer_items("1", 60, set(), is_replay)
        assert shown == "  ".join(f"{item.shown} {item.words}" for item in offered)
        assert {"space", "enter", "q"} <= {item.press for item in offered}


@pytest.mark.parametrize("view", sorted(VIEWS))
@pytest.mark.parametrize("is_replay", [False, True])
@pytest.mark.parametrize("needs", [set(), {"alarm"}, {"alarm", "latched", "shelved", "fresh mark"}])
def test_footers_keep_the_first_keys_and_never_more_than_six(view: str, is_replay: bool, needs: Any) -> None:
    for width in (60, 80, 120, 200):
        offered = footer_items(view, width, needs, is_replay)
        gap = "  " if width < 70 else "   "
        assert len(" " + gap.join(f"{item.shown} {item.words}" for item in offered)) <= width
        assert 4 <= len(offered) <= 6
        assert {"views", "enter"} <= {item.press for item in offered}
        assert "latched" not in needs or view not in "14" or "r" in {item.press for item in offered}


async def test_names_from_outside_can_neither_steer_the_terminal_nor_be_markup(make_rig: Callable[..., Any]) -> None:
    evil = "\x1b[2J\x9b31m[red]cart[/red]\u202e\r\n"
    rig = make_rig(machine_name=evil)
    async with rig.screen.run_test(size=(160, 45)) as pilot:
        await sound_run(rig)
        await rig.after(0.1, LinkChange(rig.now, evil, "live"), Mark(rig.now, evil))
        await rig.after(0.1, LinkChange(rig.now, evil, "lost", evil), Loss(rig.now, evil, 3, evil))
        for view in VIEWS:
            await pilot.press(view)
            for row in rig.rows():
                assert row.isprintable(), repr(row)
        await pilot.press("4")
        assert "[red]cart[/red]" in rig.text()


async def test_what_has_not_changed_is_not_drawn_anew(rig: Any) -> None:
    """A frame costs a sixth where lines, bars and traces of the frame before are taken over."""
    async with rig.screen.run_test(size=(120, 40)):
        await sound_run(rig)
        before = rig.dashboard.drawn_lines(120, 40, 0)
        assert all(old is new for old, new in zip(before, rig.dashboard.drawn_lines(120, 40, 0), strict=True))


async def test_only_lines_that_changed_are_redrawn(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)):
        await sound_run(rig)
        rig.screen.paint()
        panel = rig.screen.query_one(Panel)
        before, drawn = panel.redrawn, panel.drawn
        rig.screen.paint()
        assert panel.redrawn == before
        assert all(old is new for old, new in zip(drawn, panel.drawn, strict=True)), "nor made anew"
        await rig.after(1.0, **(SOUND | {"soc_reported": 70.0}))
        rig.screen.paint()
        assert 4 <= panel.redrawn - before <= 9, "three rows of digits, the time, and the trace's newest column"


@pytest.mark.parametrize("view", sorted(VIEWS))
@pytest.mark.parametrize("wrong", [False, True])
async def test_every_line_is_as_wide_as_the_window_at_any_size(rig: Any, view: str, wrong: bool) -> None:
    async with rig.screen.run_test(size=(80, 24)):
        await sound_run(rig)
        if wrong:
            await rig.after(0.1, LinkChange(rig.now, "電池", "lost", "電" * 90), Mark(rig.now, "丘" * 20))
        scene = rig.dashboard._scene(0)
        for width in (1, 7, 19, 33, 59, 60, 79, 80, 81, 119, 120, 159, 201):
            for height in (1, 2, 5, 9, 16, 17, 23, 24, 31, 40, 45, 70):
                canvas = Canvas(width, height, rig.dashboard._palette)
                shown = Shown(view, chosen={"4": 0, "5": "pack"})
                draw_view(shown, LinksShown, canvas, scene)
                lines = canvas.lines()
                assert len(lines) == height
                assert {sum(cell_len(text) for text, _ in line) for line in lines} == {width}


async def test_a_resized_window_is_drawn_anew(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await sound_run(rig)
        await pilot.resize_terminal(160, 45)
        await pilot.pause()
        rows = rig.rows()
        assert len(rows) == 45
        assert {len(row) for row in rows} == {160}


async def test_without_limits_nothing_is_called_free_of_alarms(make_rig: Any) -> None:
    rig = make_rig(limits=(), replay=True)
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await rig.drive(4, lowest=2.4, **SOUND)
        assert "▲ no limits" in rig.text()
        assert "nothing is judged without a machine file" in rig.text()
        await pilot.press("4")
        assert "no limits, so nothing is judged" in rig.text()
