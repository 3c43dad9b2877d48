"""The worst value of an excursion: from the first row beyond, whatever the delays, the level and the cuts."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.alarms.signal_alarms import SignalAlarms
from telemetry.machine.limits import Limit
from telemetry.model.events import Acknowledge, AlarmChange, Shelve

S = 1_000_000
CURRENT = Limit("discharge-current", "pack_current", "high", 60.0, 90.0, 5.0, 2.0, 2.0, "")
VOLTAGE = Limit("pack-voltage-low", "pack_voltage", "low", 48.0, 45.0, 0.5, 2.0, 2.0, "")


def run(limit: Limit, values: list[float], cuts: tuple[int, ...] = (), inputs: tuple = ()) -> list[AlarmChange]:  # type: ignore[type-arg]
    """One value a second, spans ended at ``cuts``; how each alarm stands at the end comes last."""
    alarms = SignalAlarms((limit,), limit.signal)
    t, v = np.arange(len(values), dtype=np.int64) * S, np.array(values, dtype=float)
    end = len(values) * S
    found: list[AlarmChange] = []
    last = -1
    for cut in [*sorted(cuts), end]:
        inside = (t > last) & (t <= cut)
        found += alarms.take(t[inside], v[inside], [i for i in inputs if last < i.t <= cut], cut)
        last = cut
    return [*found, *alarms.standing_at(end)]


def test_the_worst_counts_from_the_first_row_beyond_and_is_kept_after_clearing() -> None:
    changes = run(CURRENT, [50, 80, 65, 65, 70, 50, 50, 50, 50], inputs=(Acknowledge(8 * S + 1),))
    assert [(c.state, c.value, c.worst) for c in changes] == [
        ("raised", 65.0, 80.0),  # the highest came before the raise delay was over
        ("cleared", 50.0, 80.0),
        ("acknowledged", 50.0, 80.0),
    ]


def test_times_before_the_beginning_of_the_clock_are_times_like_others() -> None:
    values = [50, 80, 65, 65, 70, 50, 50, 50, 50]
    alarms = SignalAlarms((CURRENT,), CURRENT.signal)
    t = np.arange(len(values), dtype=np.int64) * S - 10**15
    changes = alarms.take(t, np.array(values, dtype=float), [], int(t[-1]))
    assert [(c.t, c.state, c.worst) for c in changes] == [
        (3 * S - 10**15, "raised", 80.0),
        (7 * S - 10**15, "cleared", 80.0),
    ]


def test_a_rise_keeps_the_worst_of_the_whole_excursion_and_a_new_one_begins_anew() -> None:
    low = run(VOLTAGE, [50, 47, 46, 44, 43, 44, 44, 46.0, 50, 50, 50, 47, 47.5, 47, 47])
    raised = [(c.level, c.worst) for c in low if c.state == "raised"]
    assert raised == [("warn", 44.0), ("trip", 43.0), ("warn", 47.0)]
    assert [c.worst for c in low if c.state == "cleared"] == [43.0]


def test_an_alarm_that_holds_at_the_end_of_the_session_says_its_worst_and_its_latest() -> None:
    last = run(VOLTAGE, [50, 47, 47, 47, 46, 47.5])[-1]
    assert (last.state, last.stands, last.value, last.worst) == ("standing at end", "unacknowledged", 47.5, 46.0)
    assert run(VOLTAGE, [50, 47, 47, 47, 50, 50, 50, 50])[-1].state == "cleared"


def test_what_is_done_after_an_excursion_is_over_has_no_worst_of_it() -> None:
    inputs = (Acknowledge(4 * S), Shelve(12 * S, CURRENT.name, None, 60.0))
    changes = run(CURRENT, [50, 80, 80, 80, 80, *[50] * 10], inputs=inputs)
    assert changes[-1].state == "shelved"
    assert math.isnan(changes[-1].worst)


@given(
    st.lists(st.sampled_from([40.0, 54.0, 58.0, 61.0, 70.0, 95.0, 120.0]), min_size=1, max_size=40),
    st.sets(st.integers(1, 39), max_size=8),
)
def test_the_worst_is_that_of_all_rows_of_the_excursion(values: list[float], cuts: set[int]) -> None:
    """Against the rows themselves: from the first of the unbroken run beyond the warning up to the change."""
    within = tuple(cut * S + S // 2 for cut in cuts if cut < len(values))
    changes = run(CURRENT, values, within)
    assert repr(changes) == repr(run(CURRENT, values))
    began: int | None = None
    for change in changes:
        at = min(change.t // S, len(values) - 1)
        if change.state == "raised" and began is None:
            began = at
            while began and values[began - 1] > 60.0:
                began -= 1
            began = min(began, change.t // S - 2)
        assert began is not None
        assert change.worst == max(values[began : at + 1])
        if change.stands == "normal" or change.state == "cleared":
            began = None
