"""The table of acts: complete, safe to follow, short enough to draw."""

from __future__ import annotations

import re
import textwrap
from fnmatch import fnmatchcase
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.alarms.acts import ACT_TABLE, ALARM_NAMES, MOVING, SITUATIONS, act_for, alarm_name
from telemetry.machine.limits import LIMIT_NAMES
from telemetry.model.events import AlarmLevel, Situation

LEVELS: tuple[AlarmLevel, ...] = ("warn", "trip")
KNOWN = sorted({*LIMIT_NAMES, *ALARM_NAMES, "link", "recording"})
CASES = list(product(KNOWN, LEVELS, SITUATIONS))
# A plug is named only to forbid it.
FORBIDDEN = re.compile(
    r"\b(touch|tighten|loosen|unplug|disconnect|unscrew|remove|pull|open|lug|joint|terminal|bolt|wiggle)s?\b",
    re.IGNORECASE,
)
PROHIBITION = "Never pull a plug under load."
EYES = re.compile(r"\b(look|read|view|screen|watch|see|check|display|report)\b", re.IGNORECASE)
LEAST_ROWS, LEAST_COLUMNS = 2, 58


@pytest.mark.parametrize("limit", KNOWN)
def test_every_alarm_has_a_name_and_acts_of_its_own(limit: str) -> None:
    assert alarm_name(limit) == ALARM_NAMES[limit]
    for level, situation in product(LEVELS, SITUATIONS):
        fits = [
            r for r in ACT_TABLE if level in r.levels and situation in r.situations and fnmatchcase(limit, r.limit)
        ]
        assert fits[0].limit != "*", (level, situation)
        assert act_for(limit, level, situation).where


@pytest.mark.parametrize(("limit", "level", "situation"), CASES)
def test_an_act_is_safe_to_follow(limit: str, level: AlarmLevel, situation: Situation) -> None:
    act = act_for(limit, level, situation, "", 110, 12.34)
    assert not FORBIDDEN.search(act.do.replace(PROHIBITION, "").replace("fuse, contactor, joint and", "")), act
    assert re.fullmatch(r"[A-Z][^{]*\.", act.do)
    if situation in MOVING:
        assert act.do.count(".") - len(re.findall(r"\d\.\d", act.do)) == 1, "one action"
        assert len(act.do) <= 64
        assert not EYES.search(f"{act.word} {act.do}"), "nothing may draw the eyes from the course"
        assert level == "warn" or act.word or limit.startswith(("cell-", "resistance"))


def test_a_limit_of_a_later_version_is_called_by_its_own_words() -> None:
    assert alarm_name("coolant-level-low") == "coolant level low"
    assert alarm_name("x\x1b[2J") == "x\\x1b[2J"


def test_no_charge_is_said_only_where_charging_is_what_fails() -> None:
    assert act_for("charge-disabled", "trip", "charging").where == "NO CHARGE"
    assert act_for("charge-disabled", "trip", "braking").where != "NO CHARGE"
    assert act_for("pack-voltage-low", "trip", "resting").where == "PACK"


@pytest.mark.parametrize(("limit", "level", "situation"), CASES)
def test_an_act_fits_the_smallest_band(limit: str, level: AlarmLevel, situation: Situation) -> None:
    act = act_for(limit, level, situation, "", 110, 99.99)
    assert len(textwrap.wrap(act.do, LEAST_COLUMNS)) <= LEAST_ROWS
    assert len(act.word) <= 9
    assert len(act.where) <= 14


def test_a_number_in_an_act_is_the_bound_in_force() -> None:
    low = act_for("cell-voltage-low", "warn", "driving", "cell_min_voltage", 17, 2.8)
    assert (low.word, low.where, low.do) == ("SLOW", "CELL 17", "Half throttle until it is above 2.80 V.")
    assert act_for("discharge-current", "trip", "driving", bound=142.4).do.endswith("below 142 A.")
    assert "below 40 A" in act_for("charge-current", "warn", "charging", bound=-40.0).do, "a charger counts upward"
    assert "above -20 °C" in act_for("pack-temperature-low", "trip", "resting", "pack_temperature_2", bound=-20.0).do
    assert act_for("pack-temperature-high", "warn", "driving", "pack_temperature_2", bound=50.0).where == "HOT PACK 2"
    assert "the limit" in act_for("cell-voltage-low", "warn", "driving").do, "no number is made up"


@pytest.mark.parametrize(("bound", "deep"), [(2.5, "2.00 V"), (3.0, "2.50 V"), (float("nan"), "the limit")])
def test_a_cell_that_was_drained_far_below_its_limit_is_not_charged(bound: float, deep: str) -> None:
    resting = act_for("cell-voltage-low", "trip", "resting", bound=bound).do
    assert f"if it rests below {deep}, do not charge it" in resting
    assert f"Below {deep}: switch the charger off" in act_for("cell-voltage-low", "trip", "charging", bound=bound).do


def test_a_pack_that_nobody_watches_is_stopped_and_another_link_is_not() -> None:
    assert act_for("link", "trip", "driving", "pack").do == "Stop where it is safe."
    assert act_for("link", "trip", "driving", "gps", pack_link=False).do == "Drive on gently."
    assert act_for("link", "trip", "charging", "gps", pack_link=False).do.startswith("Keep charging")
    assert act_for("source-frozen", "trip", "braking", "gps").where == "GPS"


@given(st.text(), st.sampled_from(LEVELS), st.sampled_from(SITUATIONS), st.text(), st.floats())
def test_a_name_that_only_a_newer_program_knows_gets_the_cautious_act(
    limit: str, level: AlarmLevel, situation: Situation, signal: str, bound: float
) -> None:
    act = act_for(limit, level, situation, signal, bound=bound)
    assert act.where
    assert act.do
    assert (act.where + act.do).isprintable()
