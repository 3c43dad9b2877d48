"""One excursion is one alarm, at the highest level it reached."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.alarms.signal_alarms import SignalAlarms
from telemetry.machine.limits import Limit
from telemetry.model.events import Acknowledge

LIMIT = Limit("discharge-current", "pack_current", "high", 60.0, 90.0, 2.0, 0.0, 0.0, "test")


def told(values: list[float], acknowledged_at: list[int] | None = None, limit: Limit = LIMIT):
    inputs = [Acknowledge(t) for t in acknowledged_at or []]
    t = np.arange(len(values), dtype=np.int64) * 10
    changes = SignalAlarms([limit], limit.signal).take(t, np.array(values), inputs, 10 * len(values) + 50)
    return [(c.t, c.level, c.state) for c in changes]


def test_a_trip_takes_over_from_a_warn_and_clears_as_one() -> None:
    assert told([50, 70, 95, 70, 50]) == [
        (10, "warn", "raised"),
        (20, "trip", "raised"),
        (40, "trip", "cleared"),
    ]


def test_straight_to_trip_is_one_alarm() -> None:
    assert told([50, 95, 50]) == [(10, "trip", "raised"), (20, "trip", "cleared")]


def test_a_rise_must_be_acknowledged_again() -> None:
    assert told([70, 70, 95, 95], [5, 7, 25]) == [
        (0, "warn", "raised"),
        (5, "warn", "acknowledged"),
        (20, "trip", "raised"),
        (25, "trip", "acknowledged"),
    ]


def test_what_returned_by_itself_can_still_be_acknowledged() -> None:
    assert told([95, 50], [15])[-1] == (15, "trip", "acknowledged")
    assert told([50, 50], [15]) == []


@given(st.lists(st.floats(0, 120), min_size=1, max_size=60))
def test_nothing_inside_the_warn_by_more_than_the_margin_stays_active(values) -> None:
    changes = told([*values, 57.0])
    assert not changes or changes[-1][2] == "cleared"
    raised = [c for c in changes if c[2] == "raised"]
    cleared = [c for c in changes if c[2] == "cleared"]
    assert len(cleared) <= len(raised) <= 2 * len(cleared)
