"""Guided drives of simulated machines: what is done well is judged, and what is done badly never is.

``python -m tests.guided`` does the same hundreds of times; here are the drives that are over in a second.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from telemetry.guided.judged_pulling import climb
from telemetry.guided.steps import JOINT_RISE
from tests.guided.__main__ import FLOORS
from tests.guided.course import machine
from tests.guided.figures import GOALS, Error, braking_error, climb_error
from tests.guided.outcomes import Outcome, evidence_of, outcome_of, stated
from tests.guided.scripted import Act, driven
from tests.guided.ways import every_way, task

pytestmark = pytest.mark.slow

QUICK = {
    "zero": ("too short",),
    "wheels-up": ("well", "no stop"),
    "pulls": ("well, cells missing",),
    "launches": ("well", "not fully down"),
    "coast-down": ("well", "too short"),
    "braking": ("well", "did not stop"),
    "implement": ("well", "too short"),
    "charge": ("broken off", "not plugged in"),
    "close": ("well", "one drive"),
}
WAYS = [(step, how) for step, ways in QUICK.items() for how in ways]


def first_outcome(step: str, how: str) -> Outcome:
    """Return the outcome with the first of the tests' seeds whose machine can do it."""
    return next(outcome_of(one) for seed in FLOORS if (one := task(step, how, seed)) is not None)


@pytest.mark.parametrize(("step", "how"), WAYS, ids=[" ".join(way) for way in WAYS])
def test_it_is_judged_or_refused_for_the_right_reason(step: str, how: str) -> None:
    outcome = first_outcome(step, how)
    assert outcome.kind == "right", outcome.result


@pytest.mark.parametrize("error_of", [braking_error, climb_error])
def test_a_figure_is_near_the_truth(error_of: Callable[[int], Error | None]) -> None:
    found = [error for seed in FLOORS[:4] if (error := error_of(seed)) is not None]
    known = [each for each in found if not math.isnan(each.error)]
    assert len(known) >= 0.5 * len(found) > 0
    assert all(abs(each.error) <= 1.5 * GOALS[each.figure][1] for each in known)


@pytest.mark.parametrize(("rise_k", "word"), [(12.0, "pass"), (41.0, "fail"), (None, "not judged")])
def test_a_hot_joint_that_was_measured_after_the_climb_fails(rise_k: float | None, word: str) -> None:
    mark = "" if rise_k is None else JOINT_RISE.mark(rise_k)
    drive = driven(machine(FLOORS[0], "climb"), FLOORS[0], (Act(4), Act(2, mark=mark)))
    checks = climb(evidence_of(drive.recording, stated(FLOORS[0])))
    assert next(each.word for each in checks if each.label.startswith("hottest joint")) == word


def test_every_step_that_is_driven_has_good_and_bad_drives() -> None:
    ways = every_way()
    for well in (True, False):
        assert {step for step, how in ways if how.startswith("well") == well} == set(dict(ways))
    assert set(WAYS) <= set(ways)
