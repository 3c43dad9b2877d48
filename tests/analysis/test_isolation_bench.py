"""A fixed few of the benchmark's drives, in full and with less recorded: what the isolator may not fall below."""

from __future__ import annotations

import pytest

from tests.benchmarks.bench_isolation import Case, Score, judge

pytestmark = pytest.mark.slow

LEAST_RECORDED = Case("current and voltage", signals="current-voltage")
NO_THROTTLE = Case("no throttle", signals="no-throttle")


@pytest.fixture(scope="module")
def in_full() -> Score:
    score = judge("varied", "ci", Case("full"))
    return judge("other", "ci", Case("full"), score=score)


def test_most_parts_are_named_and_no_other_with_all_signals(in_full: Score) -> None:
    named, sound = in_full.sound
    assert in_full.right >= 9
    assert in_full.wrong <= 1
    assert named == 0
    assert sound == 6


def test_a_simulator_that_chose_nothing_is_judged_as_well() -> None:
    score = judge("third", "ci", Case("full"))
    assert score.right >= 5
    assert score.wrong == 0
    assert score.sound == (0, 3)


def test_events_are_found_where_they_are(in_full: Score) -> None:
    assert in_full.hits.total() >= 0.8 * in_full.events.total()


def test_probabilities_earn_their_confidence(in_full: Score) -> None:
    assert in_full.log_score < 0.5
    sure = [true for chance, true in in_full.stated if chance >= 0.9]
    assert sum(sure) >= 0.9 * len(sure)


def test_a_slow_recording_is_never_sure() -> None:
    score = judge("other", "ci", Case("1 Hz", rate_hz=1.0))
    assert all(chance < 0.9 for chance, _ in score.stated)


@pytest.mark.parametrize("case", [LEAST_RECORDED, NO_THROTTLE])
@pytest.mark.parametrize("machine", ["varied", "other", "third"])
def test_what_was_not_recorded_is_neither_named_nor_cleared(case: Case, machine: str) -> None:
    score = judge(machine, "ci", case)
    assert score.sound[0] == 0
    assert score.wrong <= 1
    blamed = {said for _, said in score.judged}
    assert not blamed & {"pedal-sensor", "controller"}
