"""A figure against its bound, and the verdict over all steps."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.series import Series
from telemetry.guided.checks import WORDS, Word, at_least, at_most, told, unknown, worst
from telemetry.guided.judging import StepResult, verdict
from telemetry.guided.merging import merged
from telemetry.guided.settling import settle
from telemetry.guided.steps import STEPS
from tests.guided.course import machine
from tests.guided.outcomes import evidence_of, stated
from tests.guided.scripted import Act, driven

NUMBERS = st.floats(-1e3, 1e3)


def results(**words: Word) -> list[StepResult]:
    """Every step passed but those named."""
    return [StepResult(step, words.get(step.name.replace("-", "_"), "pass")) for step in STEPS]


@given(NUMBERS, NUMBERS, st.floats(0.0, 100.0), st.floats(0.0, 50.0))
def test_a_pass_takes_the_whole_interval_and_a_fail_too(
    value: float, limit: float, more: float, sigma: float
) -> None:
    word = at_most("x", "V", value, limit, "", fails=limit + more, sigma=sigma).word
    assert (word == "pass") == (value + 1.645 * sigma <= limit)
    assert (word == "fail") == (value - 1.645 * sigma > limit + more)
    mirrored = at_least("x", "V", -value, -limit, "", fails=-limit - more, sigma=sigma).word
    assert mirrored == word


@given(st.lists(st.sampled_from(WORDS)))
def test_one_fail_outweighs_everything_and_what_is_not_judged_every_pass(words: list[Word]) -> None:
    assert worst(words) == (max(words, key=WORDS.index) if words else "pass")
    assert ("fail" in words) == (worst(words) == "fail")


def test_figures_for_information_do_not_count() -> None:
    assert not told("x", "V", 1.0).counts
    assert not unknown("x", "V", "why").counts
    assert unknown("x", "V", "why", decides=True).counts


@pytest.mark.parametrize(
    ("words", "verdict_word", "said"),
    [
        ({}, "PASS", "Trusted for the season"),
        ({"launches": "remark"}, "REMARKS", "Full launches"),
        ({"work": "not judged", "recovery": "not judged"}, "PASS", "Not judged, not needed: Usual work"),
        ({"pulls": "not judged"}, "INCOMPLETE", "open: Gentle pulls"),
        ({"braking": "does not apply"}, "PASS", "Trusted"),
        ({"pulls": "not judged", "charge": "fail"}, "FAIL", "Failed: Charge back"),
    ],
)
def test_the_verdict_is_that_of_the_worst_step(words: dict[str, Word], verdict_word: str, said: str) -> None:
    found = verdict(results(**words))
    assert found.word == verdict_word
    assert said in found.reason


def test_a_stop_of_fit_is_a_fail_though_every_step_passed() -> None:
    assert verdict(results(), fit_stops=True).word == "FAIL"


def test_a_repeat_counts_and_what_it_repeated_is_kept() -> None:
    first = [replace(each, session="first") for each in results(pulls="fail", launches="pass")]
    second = [replace(each, session="second") for each in results(pulls="pass", launches="not judged")]
    drives = [evidence_of(driven(machine(12, "pulls"), 12, (Act(4),)).recording, stated(12))] * 2
    found, repeated = merged([first, second], drives)
    by_name = {each.step.name: each for each in found}
    assert by_name["pulls"].session == "second"
    assert by_name["launches"].session == "first"
    assert [each.word for each in repeated if each.step.name == "pulls"] == ["fail"]


@pytest.mark.parametrize("tau", [30.0, 120.0, 300.0])
def test_where_a_value_settles_is_found_from_two_time_constants(tau: float) -> None:
    import numpy as np

    seconds = np.arange(0.0, 4 * tau, tau / 100)
    noise = np.random.default_rng(1).normal(0.0, 0.02, len(seconds))
    found = settle(Series((1e6 * seconds).astype(np.int64), 53.0 - 0.8 * np.exp(-seconds / tau) + noise))
    assert found is not None
    assert found.end == pytest.approx(53.0, abs=max(0.01, 4 * found.sigma))
    assert found.tau_s == pytest.approx(tau, rel=0.15)


def test_what_goes_on_rising_has_no_end() -> None:
    import numpy as np

    seconds = np.arange(0.0, 600.0, 10.0)
    assert settle(Series((1e6 * seconds).astype(np.int64), 20.0 + 0.01 * seconds)) is None


def test_every_step_says_what_to_do_and_needs_attempts() -> None:
    assert len({step.name for step in STEPS}) == len(STEPS) == 13
    for step in STEPS:
        assert step.do.endswith(".")
        assert all(each.endswith((".", "!")) for each in step.cautions)
        assert all(count >= 1 for count in step.wanted.values())
        assert step.seen
        assert step.bounds
        assert math.isfinite(step.interval_s)
