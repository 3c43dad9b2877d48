"""Events: two sorts, each kind with a name of its own."""

from __future__ import annotations

import dataclasses
import inspect

import pytest

from telemetry.model import events
from telemetry.model.events import Event, Gap, Mark

KINDS = [e for _, e in inspect.getmembers(events, inspect.isclass) if issubclass(e, Event) and not e.__subclasses__()]


def test_each_kind_has_a_name_of_its_own():
    assert len({kind.kind for kind in KINDS}) == len(KINDS)
    assert Event.kind not in {kind.kind for kind in KINDS}


def test_what_comes_from_outside_is_an_input_and_what_stages_find_is_not():
    # Inputs are recorded and replayed; findings are made anew, so a kind in the wrong sort would double or vanish.
    assert {kind.__name__ for kind in KINDS if kind.is_input} == {
        "LinkChange",
        "Mark",
        "MarkChange",
        "Acknowledge",
        "Shelve",
        "Unshelve",
        "ResetLatch",
        "Loss",
        "SavingChange",
    }
    assert {kind.__name__ for kind in KINDS if not kind.is_input} == {
        "Gap",
        "AlarmChange",
        "AlarmCondition",
        "AlarmFinding",
    }


def test_events_do_not_change():
    mark = Mark(5, "gate")
    with pytest.raises(dataclasses.FrozenInstanceError):
        mark.t = 6


def test_a_gap_is_as_long_as_nothing_was_known():
    assert Gap(3_500_000, "pack", "pack_current", 1_000_000).duration_s == 2.5
