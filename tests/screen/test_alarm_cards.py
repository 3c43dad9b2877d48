"""The alarms view: what a card says, what can be chosen, and its moment as a trace. Invented values throughout."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from telemetry.model.events import AlarmCondition, LinkChange, Mark
from telemetry.screen.alarm_cards import HOW_IT_STANDS
from telemetry.screen.words import STATE_WORDS

SOUND = {"pack_voltage": 25.4, "pack_current": 40.0, "soc_reported": 81.0, "pack_temperature_1": 24.0}


def row_with(rig: Any, text: str) -> int:
    """Return the number of the first row that holds ``text``."""
    return next(number for number, row in enumerate(rig.rows()) if text in row)


async def two_alarms(rig: Any) -> None:
    """A tripped cell that stands first, and a pack voltage past its warning."""
    await rig.drive(5, lowest=3.1, **SOUND)
    await rig.drive(4, lowest=3.1, **(SOUND | {"pack_voltage": 21.5}))
    await rig.drive(4, lowest=2.44, **(SOUND | {"pack_voltage": 21.4, "pack_current": 60.0}))


async def test_a_card_says_what_to_do_how_much_against_which_limit_since_when_and_why(rig: Any) -> None:
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await two_alarms(rig)
        await pilot.press("4")
        first = row_with(rig, "■ low cell voltage: cell 8")
        card = [row.replace("▌", "").rstrip() for row in rig.rows()[first : first + 6]]
        assert "active, not acknowledged; high priority" in card[0]
        assert [" ".join(row.split()) for row in card[1:]] == [
            "do Release the throttle and stop where it is safe.",
            "value 2.440 V raised 2.440 V worst 2.440 V now",
            "limit trip 2.500 V, warn 2.800 V, after 2 s; a bound for this test",
            "since trip at 0:00:12, 1.0 s ago",
            "why 60 A out of the pack at that moment; the other cells at 2.46 V or above",
        ]


async def test_a_stale_value_is_not_the_value_of_now(rig: Any) -> None:
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await two_alarms(rig)
        await pilot.press("4")
        await rig.after(20.0)
        assert "2.440 V worst   now not known" in rig.text()


async def test_enter_acknowledges_the_alarm_that_is_chosen(rig: Any) -> None:
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await two_alarms(rig)
        await pilot.press("4", "down", "enter")
        rig.close()
        seen = {alarm.change.limit: alarm.acknowledged for alarm in rig.snapshot.alarms.in_order()}
        assert seen == {"cell-voltage-low": False, "pack-voltage-low": True}
        await pilot.press("z", "1")
        rig.close()
        assert [change.limit for change in rig.snapshot.alarms.quiet.values() if change.stands == "shelved"] == [
            "pack-voltage-low"
        ]


async def test_a_click_chooses_a_card_and_one_on_the_footer_presses_its_key(rig: Any) -> None:
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await two_alarms(rig)
        await pilot.press("4")
        await pilot.click(offset=(20, row_with(rig, "▲ low pack voltage")))
        footer = rig.rows()[-1]
        await pilot.click(offset=(footer.index("acknowledge") + 2, 39))
        rig.close()
        seen = {alarm.change.limit: alarm.acknowledged for alarm in rig.snapshot.alarms.in_order()}
        assert seen == {"cell-voltage-low": False, "pack-voltage-low": True}


async def test_what_happened_is_listed_newest_first_and_can_be_shown_in_the_traces(rig: Any) -> None:
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await rig.drive(10, lowest=3.1, **SOUND)
        await rig.after(0.0, Mark(rig.now, "gate"))
        await rig.drive(90, lowest=3.1, **SOUND)
        await rig.after(0.0, Mark(rig.now, "barn"))
        await pilot.press("4")
        assert row_with(rig, "mark: barn") < row_with(rig, "mark: gate")
        await pilot.press("down", "v")
        assert " 0:00:10.0 " in rig.text()
        assert "◆ gate" in rig.text()
        assert "LOOKING BACK" in rig.rows()[0]
        await pilot.press("escape")
        assert rig.rows()[0].rstrip().endswith("NOW")
        assert " 0:01:40 " in rig.text()


async def test_the_moment_of_the_chosen_alarm_has_its_limit_and_its_time(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await two_alarms(rig)
        await pilot.press("4", "enter", "enter")
        rig.close()
        text = rig.text()
        assert "lowest cell V" in text
        assert "▲ 0:00:12" in text
        line = row_with(rig, "limit 2.5")
        assert "▁" in rig.rows()[line] or "─" in rig.rows()[line] or "▔" in rig.rows()[line]


async def test_a_trip_says_in_words_what_the_bms_reported(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await rig.drive(3, lowest=3.1, **SOUND)
        await rig.after(
            0.1,
            AlarmCondition(rig.now, "discharge-disabled", "discharge_allowed", True, "the BMS disabled discharge"),
            AlarmCondition(rig.now, "fault-code", "cell voltage low", True, "extra_bms, bit 4"),
        )
        band = " ".join(row[73:91] for row in rig.rows()[32:39])
        assert "BMS TRIP, cell voltage low: Stop with" in " ".join(band.replace("▌", "").split())
        await pilot.press("4")
        assert "the BMS disabled discharge; reported at that time: cell voltage low" in rig.text()
        assert "■ fault reported: cell voltage low" in rig.text()


async def test_a_link_that_was_lost_names_itself(rig: Any) -> None:
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await rig.after(0.0, LinkChange(rig.now, "pack", "live"))
        await rig.drive(3, lowest=3.1, **SOUND)
        await rig.after(0.1, LinkChange(rig.now, "pack", "lost", "unplugged"))
        await pilot.press("4")
        assert "■ link lost: pack" in rig.text()
        assert "unplugged" in rig.rows()[row_with(rig, "why")]


@pytest.mark.parametrize("state", sorted(STATE_WORDS))
def test_every_state_has_words(state: Any) -> None:
    assert HOW_IT_STANDS[state]
