"""Leading a driver: one word at a time, attempts counted, an alarm that lets off, marks that a recording keeps."""

from __future__ import annotations

from dataclasses import replace

import pytest

from telemetry.alarms.acts import ACT_TABLE
from telemetry.guided.leading import Leader
from telemetry.guided.steps import JOINT_RISE, LED, STEPS, Step
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.screen.digits import WORD_CHARACTERS
from tests.guided.course import STOP, machine
from tests.guided.outcomes import stated
from tests.guided.scripted import Act, driven

SEED = 12
PULLS = next(step for step in STEPS if step.name == "pulls")
ALARM = AlarmChange(0, "cell-voltage-low", "cell_03_voltage", "trip", "raised", 2.4, 2.5, "unacknowledged", "why")


def leader(*steps: Step) -> Leader:
    return Leader(stated(SEED), steps or (PULLS,))


def words_of(lead: Leader, *acts: Act) -> list[str]:
    """Drive, and return each large word that was shown, once for each change."""
    words = list[str]()
    for span in driven(machine(SEED, "pulls"), SEED, acts).recording.spans(8):
        lead.take(span)
        if lead.ask is not None and [lead.ask.word] != words[-1:]:
            words.append(lead.ask.word)
    return words


def test_a_good_pull_and_a_short_one_are_told_apart_while_driving() -> None:
    lead = leader()
    assert lead.ask is not None
    assert lead.ask.word == "READY"
    assert lead.go() == f"{LED}: pulls"
    acts = (Act(8), Act(11, throttle=0.5), Act(8), *STOP, Act(7), Act(7, throttle=0.5), Act(8))
    assert words_of(lead, *acts) == ["PULL AWAY", "HOLD", "GOOD", "PULL AWAY", "HOLD", "AGAIN", "PULL AWAY"]
    assert lead.ask is not None
    assert (lead.ask.step, lead.ask.count) == ("1/1 Gentle pulls", "1 of 6")


@pytest.mark.parametrize("after", [(), STOP], ids=["rolling", "standing"])
def test_what_must_be_read_gives_way_to_the_word_until_the_machine_stands(after: tuple[Act, ...]) -> None:
    lead = leader()
    assert words_of(lead, Act(4), Act(5, throttle=0.5), *after) == ["READY"]
    assert lead.ask is not None
    text = lead.ask.do if after else lead.ask.detail
    assert text.startswith(PULLS.do)
    assert bool(lead.ask.do) == bool(after)


def test_a_link_that_is_lost_in_mid_step_is_said_and_the_attempt_does_not_count() -> None:
    lead = leader()
    lead.go()
    words_of(lead, Act(8), Act(6, throttle=0.5))
    assert lead.ask is not None
    assert lead.ask.word == "HOLD"
    lead.take(Span(30_000_000))
    assert lead.ask.word == "WAIT"
    assert lead.ask.count == "0 of 6"


def test_good_attempts_of_an_earlier_drive_count_on() -> None:
    lead = Leader(stated(SEED), [PULLS], {"pulls": {"": 5}})
    lead.go()
    words_of(lead, Act(8), Act(11, throttle=0.5), Act(8))
    assert lead.step is None
    again = Leader(stated(SEED), [PULLS], again=True)
    assert again.go() == f"{LED}: pulls again"


def test_enough_good_attempts_lead_to_the_next_step_and_after_the_last_it_says_so() -> None:
    lead = leader(replace(PULLS, wanted={"": 1}), PULLS)
    lead.go()
    words = words_of(lead, Act(8), Act(11, throttle=0.5), Act(8))
    assert words == ["PULL AWAY", "HOLD", "READY"]
    assert lead.cue == "good"
    assert lead.skip() == f"{LED}: pulls skipped"
    assert lead.ask is not None
    assert lead.ask.word == "DONE"
    assert lead.step is None
    assert lead.go() == lead.skip() == lead.stop() == ""
    assert lead.ask is None


def test_an_attempt_that_began_before_the_driver_was_ready_does_not_count() -> None:
    lead = leader()
    assert words_of(lead, Act(8), Act(11, throttle=0.5), Act(8)) == ["READY"]
    assert lead.cue is None


def test_a_rest_that_had_begun_before_the_driver_said_go_counts() -> None:
    lead, spans = leader(STEPS[0]), driven(machine(SEED, "zero"), SEED, (Act(90, key=False), Act(5))).recording
    for span in spans.spans(8):
        if span.end > 20_000_000 and lead.ask is not None and lead.ask.word == "READY":
            lead.go()
        lead.take(span)
    assert lead.ask is not None
    assert lead.ask.count == "0 of 1 key on"


@pytest.mark.parametrize("level", ["warn", "trip"])
def test_only_an_alarm_of_high_priority_lets_off_and_the_step_begins_anew(level: str) -> None:
    lead = leader()
    lead.go()
    lead.take(Span(1_000_000, events=(replace(ALARM, level=level),)))
    assert lead.ask is not None
    assert (lead.ask.word == "LET OFF") == (level == "trip")
    if level == "trip":
        assert lead.go() == f"{LED}: pulls"
        assert lead.ask.word == "PULL AWAY"


def test_no_step_begins_with_a_cold_pack() -> None:
    lead, group = leader(), Group("pack", "cells", ("pack_temperature_1",))
    lead.take(Span(1_000_000, (Batch.of_rows(group, [1_000_000], [[2.0]]),)))
    assert lead.ask is not None
    assert lead.ask.word == "WARM UP"
    assert lead.go() == ""
    lead.take(Span(2_000_000, (Batch.of_rows(group, [2_000_000], [[12.0]]),)))
    assert lead.go() != ""


def test_the_marks_are_those_that_the_recogniser_reads() -> None:
    by_name = {step.name: step for step in STEPS}
    wheels = leader(by_name["wheels-up"])
    assert (wheels.go(), wheels.skip()) == (f"{LED}: wheels up", f"{LED}: wheels-up skipped")
    coast = leader(by_name["coast-down"])
    assert (coast.go(), coast.go()) == (f"{LED}: coast down", f"{LED}: turned round")
    implement = leader(by_name["implement"])
    assert [implement.go() for _ in range(3)][1:] == [f"{LED}: implement on", f"{LED}: implement off"]
    recovery = leader(by_name["recovery"])
    assert (recovery.go(), recovery.go()) == (f"{LED}: recovery", f"{LED}: recovery done")
    assert recovery.step is None


def test_a_reading_is_asked_for_once_the_step_is_done_and_kept_as_a_mark() -> None:
    charge = leader(next(step for step in STEPS if step.name == "charge"), PULLS)
    assert (charge.go(), charge.go()) == (f"{LED}: charge", f"{LED}: charge done")
    assert charge.ask is not None
    assert charge.ask.word == "MEASURE"
    assert charge.go() == ""
    assert charge.reading is not None
    assert charge.read(6.4) == f"{LED}: wall energy 6.4 kWh"
    assert charge.reading is None


@pytest.mark.parametrize(
    ("texts", "value"),
    [
        ([], None),
        (["gate", JOINT_RISE.mark(12.5)], 12.5),
        ([JOINT_RISE.mark(12.5), JOINT_RISE.mark(41)], 41.0),
        ([f"{LED}: joint rise hot K"], None),
        (["joint rise 12 K"], None),
    ],
)
def test_a_reading_is_found_among_the_marks(texts: list[str], value: float | None) -> None:
    assert JOINT_RISE.found(texts) == value


def test_no_word_is_one_of_an_alarm_and_each_can_be_drawn_large() -> None:
    words = {word for step in STEPS for word in step.words} | {
        "READY",
        "WAIT",
        "GOOD",
        "AGAIN",
        "LET OFF",
        "WARM UP",
        "MEASURE",
        "DONE",
    }
    assert words & {row.word for row in ACT_TABLE} == set()
    assert set("".join(words)) <= set(WORD_CHARACTERS)
