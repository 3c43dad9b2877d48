"""Fault codes become alarms in words, wherever spans are cut, and are said beside the trip that they explain."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.alarms.reported import reported_beside, reported_text
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange, AlarmCondition
from telemetry.model.fault_names import FaultNames
from telemetry.pipeline.fault_watch import FaultWatch

SECOND = 1_000_000
NAN = float("nan")
GROUP = Group("pack", "status", ("extra_bms", "extra_code"))
NAMES = {
    "extra_bms": FaultNames({0: "cell voltage high", 4: "cell voltage low"}),
    "extra_code": FaultNames(codes={17: "throttle fault", 18: "cell voltage low"}),
}


def told(rows: list[tuple[float, float]], cuts: list[int]) -> list[tuple[int, str, bool, str]]:
    """Return what the watch tells of rows a second apart, cut into spans before the given rows."""
    watch, found = FaultWatch(NAMES), []
    edges = sorted({0, len(rows), *(cut for cut in cuts if cut < len(rows))})
    for first, after in pairwise(edges):
        t = np.arange(first, after, dtype=np.int64) * SECOND
        span = watch.advance(Span(int(t[-1]), (Batch(GROUP, t, np.array(rows[first:after])),)))
        found += [(e.t // SECOND, e.signal, e.on, e.why) for e in span.events if isinstance(e, AlarmCondition)]
    return found


def test_each_named_fault_begins_and_ends_with_its_bit() -> None:
    rows = [(0.0, 0.0), (17.0, 0.0), (16.0, 0.0), (NAN, 0.0), (18.0, 0.0), (0.0, 0.0)]
    assert told(rows, []) == [
        (1, "cell voltage high", True, "extra_bms, bit 0"),
        (1, "cell voltage low", True, "extra_bms, bit 4"),
        (2, "cell voltage high", False, ""),
        (5, "cell voltage low", False, ""),
    ]


def test_a_fault_that_two_signals_report_ends_with_the_last() -> None:
    rows = [(16.0, 0.0), (16.0, 18.0), (0.0, 18.0), (0.0, 0.0)]
    assert [entry[:3] for entry in told(rows, [])] == [(0, "cell voltage low", True), (3, "cell voltage low", False)]


@given(
    st.lists(st.tuples(st.sampled_from([0.0, 1.0, 16.0, 17.0, NAN]), st.sampled_from([0.0, 17.0, 18.0])), min_size=1),
    st.lists(st.integers(1, 30)),
)
def test_where_spans_are_cut_makes_no_difference(rows: list[tuple[float, float]], cuts: list[int]) -> None:
    assert told(rows, cuts) == told(rows, [])


def change(t: float, limit: str, signal: str, state: str = "raised") -> AlarmChange:
    return AlarmChange(round(t * SECOND), limit, signal, "trip", state, NAN, NAN)  # type: ignore[arg-type]


def test_a_trip_is_told_with_what_was_reported_within_five_seconds() -> None:
    trip = change(100, "discharge-disabled", "discharge_allowed")
    changes = [
        change(10, "fault-code", "long over"),
        change(20, "fault-code", "long over", "cleared"),
        change(30, "fault-code", "still on"),
        change(98, "fault-code", "just over"),
        change(99, "fault-code", "just over", "cleared"),
        trip,
        change(104, "fault-code", "polled late"),
        change(106, "fault-code", "too late"),
    ]
    found = reported_beside(trip, changes)
    assert found == ["still on", "just over", "polled late"]
    assert reported_text(found) == "reported at that time: still on, just over, polled late"
    assert not reported_text([])
    assert not reported_beside(change(100, "cell-voltage-low", "cell_min_voltage"), changes)


def test_what_a_device_reports_cannot_steer_the_terminal() -> None:
    trip = change(1, "supply-lost", "pack_current")
    assert reported_beside(trip, [change(1, "fault-code", "a\x1b[2J")]) == ["a\\x1b[2J"]
