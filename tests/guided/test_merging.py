"""Several drives as one result: attempts add up until a change, and the drag is compared with the first drive's."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import pytest

from telemetry.guided.evidence import Evidence
from telemetry.guided.judging import StepResult, judge
from telemetry.guided.merging import merged
from telemetry.guided.steps import STEPS, again_mark
from telemetry.model.events import Mark
from tests.guided.course import machine
from tests.guided.outcomes import evidence_of, stated
from tests.guided.scripted import MarkedRecording, driven
from tests.guided.ways import WAYS

SEED = 20_000
DAY = 86_400_000_000
START = 1_780_000_000_000_000
STEP = {step.name: step for step in STEPS}


@cache
def launches(count: int) -> MarkedRecording:
    """Return a drive with so many full launches."""
    what = machine(SEED, "launches")
    acts = WAYS["launches"]["well"][0](what, random.Random(7), count=count)  # type: ignore[call-arg]
    return driven(what, SEED, acts).recording


@cache
def rolls(times: float) -> MarkedRecording:
    """Return three pairs of rolls of a machine with so many times its rolling resistance."""
    what = machine(SEED, "coast-down")
    what = replace(what, vehicle=replace(what.vehicle, resistance=times * what.vehicle.resistance))
    return driven(what, SEED, WAYS["coast-down"]["well"][0](what, random.Random(7))).recording


def judged(step: str, drives: Sequence[MarkedRecording]) -> tuple[StepResult, list[Evidence]]:
    """Return a step as drives show it together."""
    found = [evidence_of(each, stated(SEED)) for each in drives]
    results = [judge(on, f"session {number}") for number, on in enumerate(found, 1)]
    final, _ = merged(results, found)
    return next(each for each in final if each.step.name == step), found


def test_attempts_of_two_days_add_up() -> None:
    two, one = launches(2).dated(START), launches(1).dated(START + DAY)
    result, _ = judged("launches", [two, one])
    assert result.word in ("pass", "remark")
    assert (result.session, len(result.attempts)) == ("session 1 + session 2", 3)
    whole, _ = judged("launches", [launches(3).dated(START)])
    peaks = [next(each for each in found.checks if each.label == "peak current") for found in (result, whole)]
    assert peaks[0].value == pytest.approx(peaks[1].value, rel=0.02)


@pytest.mark.parametrize(
    ("text", "machine_text"),
    [("new lug at the controller", None), (again_mark(STEP["launches"]), None), ("", "[pack]")],
)
def test_they_do_not_after_a_change(text: str, machine_text: str | None) -> None:
    marks = [Mark(0, text)] if text else []
    two, one = launches(2).dated(START), launches(1).dated(START + DAY, marks, machine_text)
    result, _ = judged("launches", [two, one])
    assert result.word == "not judged"
    assert "2 of 3" in result.why


def test_nor_without_dates() -> None:
    assert judged("launches", [launches(2), launches(1)])[0].word == "not judged"


def test_nor_where_the_clock_was_set_back_so_that_they_overlap() -> None:
    two, one = launches(2).dated(START), launches(1).dated(START + 20_000_000)
    assert judged("launches", [two, one])[0].word == "not judged"


def test_the_same_attempt_counts_once() -> None:
    result, _ = judged("launches", [launches(2).dated(START)] * 2)
    assert (result.word, len(result.attempts)) == ("not judged", 2)


@pytest.mark.parametrize(("times", "word"), [(1.0, "pass"), (1.6, "remark")])
def test_more_drag_than_in_the_first_drive_is_a_remark(times: float, word: str) -> None:
    result, _ = judged("coast-down", [rolls(1.0).dated(START), rolls(times).dated(START + DAY)])
    more = next(each for each in result.checks if each.label == "rolling resistance against the first drive")
    assert (more.word, result.session) == (word, "session 2")
    assert more.value == pytest.approx(times, rel=0.1)
