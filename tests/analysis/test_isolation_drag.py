"""How likely a force against the motion is a fault: by itself, and beside what the machine took on earlier drives."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.force_balance import Force
from telemetry.analysis.fault_isolation.force_balance import odds_of_drag as odds_of_pieces


def odds_of_drag(level, deviation, earlier=()):
    return odds_of_pieces([Force(level, deviation, 120.0)], earlier)


LEVELS = st.floats(0.0, 0.25)


@given(low=LEVELS, more=st.floats(0.005, 0.1), deviation=st.floats(0.0, 0.02))
def test_more_force_never_speaks_less_for_drag(low, more, deviation):
    assert odds_of_drag(low + more, deviation) >= odds_of_drag(low, deviation) - 0.05


@pytest.mark.parametrize(
    ("level", "drags"),
    # Rolling resistance over weight of a wheel on firm soil, tilled firm soil and soft soil is 0.05 to 0.10 by the
    # equations of ASABE D497 (from memory); half as much again on top is a fault.
    [(0.03, False), (0.05, False), (0.07, False), (0.13, True), (0.16, True)],
)
def test_what_ground_takes_is_no_fault(level, drags):
    assert (odds_of_drag(level, 0.01) > 0) == drags


def test_earlier_drives_make_the_same_drag_stand_out():
    alone = odds_of_drag(0.085, 0.008)
    assert odds_of_drag(0.085, 0.008, (0.038, 0.042, 0.04)) > alone + 0.8
    assert odds_of_drag(0.085, 0.008, (0.08, 0.09, 0.085)) < alone - 1.0
    assert odds_of_drag(0.085, 0.008, (0.04,)) == alone  # one drive may have been on other ground


def test_slopes_cancel_better_over_more_pieces():
    one, many = [Force(0.085, 0.008, 120.0)], [Force(0.085, 0.008, 120.0)] * 6
    assert odds_of_pieces(many) > odds_of_pieces(one)
    assert odds_of_pieces([Force(0.05, 0.008, 120.0)] * 6) < odds_of_pieces([Force(0.05, 0.008, 120.0)])
