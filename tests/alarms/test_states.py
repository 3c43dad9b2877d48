"""The transition table, walked exhaustively: every state by every event."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path
from typing import get_args

import pytest

from telemetry.alarms.states import ACTIVE, LATCHED, MASKED, TRANSITIONS, WAITING, AlarmEvent, next_state
from telemetry.model.events import AlarmState

STATES: tuple[AlarmState, ...] = get_args(AlarmState)
EVENTS: tuple[AlarmEvent, ...] = get_args(AlarmEvent)
MASKS = {"shelved": "shelved", "suppressed": "suppressed by design", "removed": "out of service"}
RELEASES = {
    "released normal": "normal",
    "released exceeded": "unacknowledged",
    "released latched": "latched unacknowledged",
}
PAGE = Path(__file__).parents[2] / "docs" / "alarms.md"


def by_three_facts(state: str, event: str) -> str:
    """The same by another way: a state as (exceeded?, seen?, latched?), or as what keeps it quiet."""
    if event in MASKS:
        return MASKS[event]
    if state in MASKS.values():
        return RELEASES.get(event, state)
    facts = {
        "normal": (False, True, False),
        "unacknowledged": (True, False, False),
        "acknowledged": (True, True, False),
        "returned unacknowledged": (False, False, False),
        "latched unacknowledged": (False, False, True),
        "latched acknowledged": (False, True, True),
    }
    exceeded, seen, latched = facts[state]
    if event == "exceeded" and not exceeded:
        exceeded, seen, latched = True, False, False
    elif event == "rose" and exceeded:
        seen = False
    elif event in ("returned", "latched") and exceeded:
        exceeded, latched = False, event == "latched"
    elif event == "acknowledged":
        seen = True
    elif event == "reset" and seen:
        latched = False
    return next(name for name, found in facts.items() if found == (exceeded, seen, latched))


def test_the_states_are_the_nine_of_the_standard() -> None:
    # ISA-18.2-2016 and IEC 62682, alarm state transition diagram, states A to I (from memory).
    assert len(STATES) == 9
    assert set(TRANSITIONS) == set(STATES)
    assert {event for row in TRANSITIONS.values() for event in row} == set(EVENTS)


@pytest.mark.parametrize(("state", "event"), list(product(STATES, EVENTS)))
def test_every_state_by_every_event(state: AlarmState, event: AlarmEvent) -> None:
    assert next_state(state, event) == by_three_facts(state, event)


def test_only_an_acknowledgement_or_a_mask_ends_waiting() -> None:
    for state, event in product(WAITING - MASKED, EVENTS):
        if event not in MASKS and event != "acknowledged":
            assert next_state(state, event) in WAITING, (state, event)


def test_a_latch_goes_only_by_a_reset_after_it_was_acknowledged() -> None:
    left = {(s, e) for s, e in product(LATCHED, EVENTS) if next_state(s, e) not in LATCHED and e not in MASKS}
    assert left == {
        ("latched acknowledged", "reset"),
        ("latched acknowledged", "exceeded"),
        ("latched unacknowledged", "exceeded"),
    }


def test_every_state_is_reached_and_each_can_become_normal_again() -> None:
    def reach(start: AlarmState) -> set[AlarmState]:
        found, ahead = {start}, [start]
        while ahead:
            state = ahead.pop()
            for event in EVENTS:
                after = next_state(state, event)
                if after not in found:
                    found.add(after)
                    ahead.append(after)
        return found

    assert reach("normal") == set(STATES)
    assert all("normal" in reach(state) for state in STATES)
    assert ACTIVE.isdisjoint(LATCHED | MASKED)


def test_the_page_describes_every_state() -> None:
    heads = re.findall(r"^- (\*[^*].*?\*): ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert {state.strip("*") for head in heads for state in head.split(", ")} == set(STATES)
