"""The recogniser looks forward only: its attempts depend neither on where spans are cut nor on what comes later."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.guided.attempts import Attempt
from telemetry.guided.recogniser import Recogniser, Stamp
from telemetry.guided.steps import LED
from telemetry.model.batch import Batch
from tests.guided.course import STOP, machine
from tests.guided.outcomes import stated
from tests.guided.scripted import Act, Driven, driven

SEED = 12


@cache
def drive() -> Driven:
    """A rest, a pull, a roll, and a stop, with a mark."""
    acts = (Act(24), Act(11, throttle=0.5, mark="turned round"), Act(12), *STOP, Act(6, throttle=1.0), *STOP)
    return driven(machine(SEED, "pulls"), SEED, acts, position=True)


def attempts(rows: int, until: int | None = None) -> list[Attempt]:
    """Return the attempts in spans of so many rows."""
    recogniser, found = Recogniser(stated(SEED)), list[Attempt]()
    for span in drive().recording.spans(rows):
        if until is not None and span.end > until:
            return found
        found += recogniser.advance(span)
    return [*found, *recogniser.end()]


@settings(max_examples=6)
@given(st.integers(5, 400))
def test_no_attempt_depends_on_where_spans_are_cut(rows: int) -> None:
    assert attempts(rows) == attempts(8192)


def test_an_attempt_is_there_as_soon_as_it_has_ended() -> None:
    whole = attempts(8192)
    pull = next(each for each in whole if each.step == "pulls")
    assert pull.accepted
    early = attempts(20, pull.end + 1_000_000)
    assert pull in early
    assert early == whole[: len(early)]


def test_what_is_led_after_the_wheels_were_up_is_done_on_the_ground() -> None:
    up, led = Act(9, mark=f"{LED}: wheels up"), Act(9, mark=f"{LED}: pulls")
    for acts, is_up in (((up,), True), ((up, led), False)):
        recording = driven(machine(SEED, "pulls"), SEED, (*acts, Act(11, throttle=0.5), Act(8), *STOP)).recording
        found = Recogniser(stated(SEED))
        steps = {each.step for span in recording.spans() for each in found.advance(span) if each.accepted}
        assert ("wheels-up" in steps) == is_up
        assert "pulls" in steps


def test_a_pull_in_which_the_link_was_lost_does_not_count() -> None:
    acts = (Act(8), Act(24, throttle=0.5), Act(6))
    recording = driven(machine(SEED, "pulls"), SEED, acts).recording
    lost = tuple(_without(each, 14e6, 26e6) for each in recording.batches)
    found = Recogniser(stated(SEED))
    every = [a for s in replace(recording, batches=lost).spans() for a in found.advance(s)]
    assert [each.refused for each in every if each.step == "pulls"] == ["too short: 5 of 10 s"]


def _without(batch: Batch, start: float, end: float) -> Batch:
    """Return a batch without its rows from ``start`` to ``end``, microseconds."""
    kept = (batch.t < start) | (batch.t > end)
    return Batch(batch.group, batch.t[kept], batch.values[kept])


def test_the_stamp_is_of_the_rows_and_not_of_the_spans() -> None:
    stamps = set()
    for rows in (7, 8192):
        stamp = Stamp()
        for span in drive().recording.spans(rows):
            stamp.add(span)
        stamps.add(stamp.text())
    assert len(stamps) == 1
    less = Stamp()
    less.add(next(iter(drive().recording.spans(7))))
    assert less.text() not in stamps


@pytest.mark.parametrize(("seconds", "counts"), [(11.0, True), (8.0, False)])
def test_a_pull_counts_from_ten_seconds_on(seconds: float, counts: bool) -> None:
    acts = (Act(8), Act(seconds, throttle=0.5), Act(4))
    found = Recogniser(stated(SEED))
    every = [a for s in driven(machine(SEED, "pulls"), SEED, acts).recording.spans() for a in found.advance(s)]
    pulls = [each for each in every if each.step == "pulls"]
    assert [each.accepted for each in pulls] == [counts]
    assert counts or pulls[0].refused == "too short: 8 of 10 s"
