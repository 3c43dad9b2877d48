"""The huge word with its act: every act stands whole on the screen, at every size, in every situation."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import pytest

from telemetry.alarms.acts import ALARM_NAMES, SITUATIONS, act_for, alarm_name
from telemetry.screen.formats import wrapped
from telemetry.screen.lower import headline_rows
from telemetry.screen.words import Headline

SOUND = {"pack_voltage": 25.6, "pack_current": 40.0, "soc_reported": 80.0, "pack_temperature_1": 20.0}
# Rows below the figures: at 60x17 the word takes the place of the lower two figures.
ROOM = {(80, 24): 6, (60, 17): 7, (120, 40): 12, (160, 45): 17}


def headlines() -> list[Headline]:
    found = {}
    for limit, situation in product(sorted(ALARM_NAMES), SITUATIONS):
        act = act_for(limit, "trip", situation, "pack_temperature_2" if "pack-temp" in limit else "", 110, 888.88)
        details = ("raised 2.470 V, worst 2.410 V, now 2.520 V, limit 2.500 V", "warn at 0:12:01, trip at 0:12:31")
        if act.word:
            found[limit, situation] = Headline(act.word, (f"{act.where}: {alarm_name(limit)}", act.do), details, True)
    return list(found.values())


@pytest.mark.parametrize("size", sorted(ROOM))
def test_every_act_stands_whole(size: tuple[int, int]) -> None:
    width = size[0] - 4
    for wrong in headlines():
        rows = headline_rows(wrong, width, ROOM[size])
        assert len(rows) <= ROOM[size]
        assert max(map(len, rows)) <= width, wrong
        words = [word.rstrip(".") for word in " ".join(rows).split()]
        for text in wrong.texts:
            wanted = iter(words)
            assert all(word.rstrip(".") in wanted for word in text.split()), (wrong, rows)
        if size[0] >= 120 and len(wrong.word) <= 5:
            assert all(detail.split()[-1] in words for detail in wrong.details)


def test_a_number_is_not_parted_from_its_unit() -> None:
    assert wrapped("worst 2.390 V, now 3.100 V", 25) == ["worst 2.390 V, now", "3.100 V"]
    assert wrapped("below 142 A, above -20 °C", 12) == ["below 142 A,", "above -20 °C"]
    assert wrapped("", 10) == []


@pytest.mark.parametrize("size", sorted(ROOM))
async def test_an_alarm_says_what_to_do_at_every_size(make_rig: Callable[..., Any], size: tuple[int, int]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=size):
        await rig.drive(4, lowest=2.7, **SOUND)
        assert "Half throttle until it is above 2.80 V." in rig.text()
        assert "low cell voltage: cell 8, 2.700 V" in rig.text()
        await rig.drive(4, lowest=2.4, **SOUND)
        said = " ".join(rig.text().split())
        assert "CELL 8: low cell voltage" in said
        assert all(word in said for word in ("Release the throttle", "safe."))
        assert max(map(len, rig.rows())) <= size[0]


async def test_an_act_follows_what_the_machine_does(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=(120, 40)):
        await rig.drive(4, **SOUND | {"pack_voltage": 30.0})
        assert "Brake with the mechanical brake only." in rig.text()
        await rig.drive(70, **SOUND | {"pack_voltage": 30.0, "pack_current": 0.0})
        assert "Key off and do not charge." in rig.text()
        await rig.drive(3, **SOUND | {"pack_voltage": 30.0, "pack_current": -20.0})
        assert "Switch the charger off at the wall socket. Never pull a plug under load." in rig.text()


async def test_the_alarm_list_says_everything_and_cuts_nothing_at_sixty_columns(make_rig: Callable[..., Any]) -> None:
    rig = make_rig()
    async with rig.screen.run_test(size=(60, 30)) as pilot:
        await rig.drive(5, lowest=2.7, **SOUND)
        await rig.drive(5, lowest=2.45, **SOUND)
        await rig.drive(2, lowest=2.40, **SOUND)
        await pilot.press("4")
        said = " ".join(rig.text().split())
        assert "do: Release the throttle and stop where it is safe." in said
        assert "raised 2.450 V, worst 2.400 V, now 2.400 V, limit 2.500 V" in said
        assert "warn at 0:00:03, trip at 0:00:08" in said
        assert "a bound for this test" in said
        assert "high priority" in said
