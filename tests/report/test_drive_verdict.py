"""PARK, DRIVE GENTLY, DRIVE ON, NOT ENOUGH SEEN: what makes each, and what can never make a verdict better."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.alarms.figures import episodes_of
from telemetry.analysis.cell_findings import OddCell
from telemetry.analysis.parts_seen import Worst
from telemetry.analysis.session_figures import figures_of
from telemetry.model.events import AlarmChange
from telemetry.report.alarm_entries import alarm_entries
from telemetry.report.alarm_review import review_of
from telemetry.report.drive_verdict import BLOCKING, DRIVEN_S, LEAST_SET, LOAD_SHARE, Facts, judge
from telemetry.report.key_figures import could_not_show
from telemetry.report.part_row import Bound, make_row
from telemetry.report.part_table import WALL, WIDTH, part_html, part_lines, verdict_lines
from telemetry.report.session_report import report_of
from tests.report.drives import MACHINE, drive, machine

WORSE = {"DRIVE ON": 0, "NOT ENOUGH SEEN": 0, "DRIVE GENTLY": 1, "PARK": 2}
VALUES = {"holds": 50.0, "near": 95.0, "past": 110.0, "not judged": None}


def row(key, level):
    value = VALUES[level]
    bound = Bound(100.0, 90.0, "stated")
    return make_row(key, key, "A", None if value is None else Worst(value, 10.0), bound, "record it")


def facts(levels=None, **others):
    """Return a full drive on which every part of the least set holds, but for ``levels`` and ``others``."""
    rows = [row(key, (levels or {}).get(key, "holds")) for key in (*LEAST_SET, *(set(levels or {}) - set(LEAST_SET)))]
    return replace(Facts(rows, loaded_s=DRIVEN_S, load_pct=80.0), **others)


def raised(limit, signal="cell_min_voltage", level="trip", active_s=3.0):
    """Return the changes of an alarm that is raised at 0:15:12 for ``active_s``."""
    began = 912_000_000
    change = AlarmChange(began, limit, signal, level, "raised", 2.44, 2.5)
    return [change, replace(change, t=began + round(active_s * 1e6), state="cleared", stands="normal")]


def alarm(limit, priority="high", level="trip", active_s=3.0):
    (entry,) = alarm_entries(episodes_of(raised(limit, level=level, active_s=active_s), 10**12), 0)
    return replace(entry, priority=priority)


@pytest.mark.parametrize(
    ("stands", "word"),
    [
        ("normal", "DRIVE ON"),
        ("returned unacknowledged", "DRIVE ON"),
        ("acknowledged", "DRIVE GENTLY"),
        ("suppressed by design", "DRIVE GENTLY"),
    ],
)
def test_a_low_charge_counts_until_it_is_charged_and_is_no_more_than_perhaps(stands, word):
    (entry,) = alarm_entries(episodes_of(raised("soc-low", "soc_lower_bound"), 10**12), 0)
    found = judge(facts(alarms=[replace(entry, priority="medium", stands=stands)]))
    assert found.word == word
    assert ("perhaps 2.4 %" in found.reason) == (word == "DRIVE GENTLY")


def verdict(series, stated=MACHINE, alarms=()):
    return report_of(figures_of(series, stated), review_of("drive", "the limits", alarms, 0, 10**12))


def test_a_full_drive_on_which_all_holds_is_drive_on_and_says_how_many_parts():
    found = judge(facts({"motor-temperature": "not judged"}))
    assert found.word == "DRIVE ON"
    assert found.reason.startswith("7 of 8 parts judged, all within their limits")
    assert "80 % of the weakest rating" in found.reason


@pytest.mark.parametrize("key", LEAST_SET)
def test_each_part_of_the_least_set_is_needed(key):
    found = judge(facts({key: "not judged"}))
    assert found.word == "NOT ENOUGH SEEN"
    assert found.next == "Record it."


@pytest.mark.parametrize(
    ("others", "word"),
    [
        ({"loaded_s": DRIVEN_S - 1}, "under load"),
        ({"load_pct": LOAD_SHARE - 1}, "49 % of the weakest rating"),
        ({"charge_only": True}, "this was a charge"),
        ({"has_machine": False}, "machine file"),
        *[({"evidence": [(name, "Something is wrong.", "Mend it.")]}, "something is wrong") for name in BLOCKING],
    ],
)
def test_what_else_is_needed(others, word):
    found = judge(facts(**others))
    assert found.word == "NOT ENOUGH SEEN"
    assert word in found.reason.lower() + found.reason


def test_a_trip_of_the_bms_comes_first_whatever_else_is_past():
    found = judge(facts({"lowest-cell": "past"}, alarms=[alarm("cell-voltage-low"), alarm("discharge-disabled")]))
    assert found.word == "PARK"
    assert found.reason.startswith("BMS trip, discharge disabled at 0:15:12")
    assert "Find out why" in found.next
    assert judge(facts(alarms=[alarm("supply-lost", "medium")])).word == "PARK"


@pytest.mark.parametrize(
    ("alarms", "word"),
    [
        ([alarm("cell-voltage-low")], "PARK"),
        ([alarm("cell-voltage-low", level="warn")], "DRIVE GENTLY"),
        ([alarm("discharge-current", "medium")], "DRIVE GENTLY"),
        ([alarm("resistance-up", "low")], "DRIVE ON"),
        ([alarm("link", "medium")], "DRIVE ON"),
        ([alarm("cell-voltage-low", active_s=0.0)], "DRIVE ON"),
    ],
)
def test_alarms_count_by_their_priority(alarms, word):
    assert judge(facts(alarms=alarms)).word == word


def test_a_cell_that_stands_out_is_a_caution_and_what_it_wants_depends_on_whether_the_cause_is_known():
    named = judge(facts(odd=[OddCell(4, "low-capacity", 0.9, "")]))
    assert (named.word, named.why) == ("DRIVE GENTLY", "cell 4: low capacity")
    unnamed = judge(facts(odd=[OddCell(4, "unknown", 0.9, "")]))
    assert (unnamed.word, unnamed.why) == ("DRIVE GENTLY", "cell 4: cause not known")
    assert "Charge the pack to the end in one recording with a drive" in unnamed.next


KEYS = (*LEAST_SET, "motor-temperature", "path")
LEVELS = st.fixed_dictionaries({key: st.sampled_from(sorted(VALUES)) for key in KEYS})


@given(LEVELS, st.sampled_from(KEYS))
def test_a_part_that_gets_worse_never_makes_the_verdict_better(levels, key):
    order = ["holds", "near", "past"]
    if levels[key] == "not judged":
        return
    worse = order[min(order.index(levels[key]) + 1, 2)]
    assert WORSE[judge(facts(levels | {key: worse})).word] >= WORSE[judge(facts(levels)).word]


@given(LEVELS, st.sets(st.sampled_from(KEYS), min_size=1))
def test_fewer_parts_judged_never_make_drive_on_below_the_least_set(levels, gone):
    found = judge(facts(levels | dict.fromkeys(gone, "not judged")))
    if gone & set(LEAST_SET):
        assert found.word != "DRIVE ON"
    if found.word == "DRIVE ON":
        assert all(levels[key] == "holds" for key in set(LEAST_SET))


@pytest.mark.slow
@settings(max_examples=6)
@given(st.floats(20.0, 260.0), st.floats(1.0, 2.0))
def test_more_current_never_gives_a_better_verdict(amperes, factor):
    less, more = (verdict(drive(700, 1, amperes=each)).verdict_word for each in (amperes, factor * amperes))
    assert WORSE[more] >= WORSE[less]


FAULTS = (
    {"amperes": 240.0},
    {"changed": {"cell_17_voltage": -0.9}},
    {"changed": {"pack_temperature_1": 60.0}},
    {"path_ohm": 0.02},
    {"changed": {"pack_voltage": -20.0}},
)


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS, ids=str)
def test_removing_a_signal_of_the_least_set_never_turns_park_into_drive_on(fault):
    assert verdict(drive(700, 1, **fault)).verdict_word == "PARK"
    for gone in ("pack_current", "pack_voltage", "pack_temperature_1", "cells"):
        assert verdict(drive(700, 1, **fault, without=(gone,))).verdict_word != "DRIVE ON", gone


def test_a_drive_that_barely_loads_the_machine_clears_nothing():
    report = verdict(drive(amperes=40.0))
    assert report.verdict_word == "NOT ENOUGH SEEN"
    assert "the hardest pull reached only 31 % of the weakest rating" in report.verdict_reason


def test_thirty_seconds_clear_nothing():
    report = verdict(drive(30))
    assert report.verdict_word == "NOT ENOUGH SEEN"
    assert "only 30 s under load" in report.verdict_reason


def test_one_reading_a_second_is_enough():
    assert verdict(drive(hz=1)).verdict_word == "DRIVE ON"


def test_unseen_cells_are_no_drive_on():
    report = verdict(drive(without=("cells",)))
    assert report.verdict_word == "NOT ENOUGH SEEN"
    assert report.next == "Record the cell voltages."


def test_without_a_machine_file_nothing_is_judged():
    report = report_of(figures_of(drive(), None))
    assert report.verdict_word == "NOT ENOUGH SEEN"
    assert {each.level for each in report.parts} == {"not judged"}
    assert could_not_show(report)[0][0].startswith("Every part")


def test_the_wrong_sign_of_current_judges_no_current_and_no_alarm_on_one():
    series = drive()
    current = series.signals["pack_current"]
    turned = replace(series, signals={**series.signals, "pack_current": replace(current, values=-current.values)})
    report = verdict(turned, alarms=raised("charge-current", "charge_current_average"))
    assert report.verdict_word == "NOT ENOUGH SEEN"
    levels = {each.key: each.level for each in report.parts}
    assert levels["pack-steady-current"] == levels["fuse-current"] == levels["path"] == "not judged"
    assert levels["pack-low-voltage"] == "holds"


def test_a_charge_alone_says_so_and_judges_the_charger_s_way():
    series = drive(3600, 1, without=("cells",))
    t = series.signals["pack_current"].t
    rise = 78.0 + 4.0 * np.arange(len(t)) / len(t)
    signals = dict(series.signals)
    signals["pack_current"] = replace(signals["pack_current"], values=np.full(len(t), -18.0))
    signals["pack_voltage"] = replace(signals["pack_voltage"], values=rise)
    report = verdict(replace(series, signals=signals), machine())
    assert report.verdict_word == "NOT ENOUGH SEEN"
    assert "this was a charge" in report.verdict_reason
    levels = {each.key: each.level for each in report.parts}
    assert levels["pack-charge-current"] == "holds"
    assert levels["pack-steady-current"] == "not judged"


@pytest.mark.parametrize("series", [drive(), drive(amperes=220.0), drive(30, without=("cells",))])
@pytest.mark.parametrize("stated", [MACHINE, None])
def test_the_terminal_shows_all_of_it_in_eighty_columns(series, stated):
    report = report_of(figures_of(series, stated))
    lines = [*verdict_lines(report), *part_lines(report)]
    assert max(map(len, lines)) <= WIDTH
    text = " ".join(" ".join(lines).split())
    assert report.verdict_word in text
    assert report.next in text
    walls = {line.index(WALL) for line in lines if line[:1] in "■▲●?" and WALL in line}
    assert len(walls) == 1  # every bar ends at the same wall
    page = part_html(report)
    assert page.count("<tr>") == len(report.parts) + 1
