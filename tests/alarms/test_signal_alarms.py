"""Alarms of one signal: returned, latched, shelved, suppressed; one event one alarm; nothing depends on the cuts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.alarms.alarm import Suppress
from telemetry.alarms.rules import AlarmRules
from telemetry.alarms.signal_alarms import AlarmInput, SignalAlarms
from telemetry.alarms.states import ACTIVE, MASKED
from telemetry.machine.limits import Limit, limits_for
from telemetry.machine.machine_file import parse_machine
from telemetry.model.events import Acknowledge, AlarmChange, ResetLatch, Shelve, Unshelve

S = 1_000_000
RATING = Limit("discharge-current", "pack_current", "high", 60.0, 90.0, 2.0, 0.0, 0.0, "the rating")
PEAK = Limit("discharge-peak", "pack_current", "high", 110.0, 120.0, 2.0, 0.0, 0.0, "the peak")
LATCHING = AlarmRules(latched={"discharge-current": True})


def run(
    values: Sequence[float],
    inputs: Sequence[AlarmInput] = (),
    limits: Sequence[Limit] = (RATING,),
    rules: AlarmRules | None = None,
    cuts: Sequence[int] = (),
) -> list[AlarmChange]:
    """One value a second; returns all changes."""
    alarms = SignalAlarms(limits, "pack_current", rules)
    t, v = np.arange(len(values), dtype=np.int64) * S, np.array(values, dtype=float)
    found: list[AlarmChange] = []
    last = -1
    for cut in [*sorted(cuts), len(values) * S]:
        inside = (t > last) & (t <= cut)
        found += alarms.take(t[inside], v[inside], [i for i in inputs if last < i.t <= cut], cut)
        last = cut
    return found


def brief(changes: list[AlarmChange]) -> list[tuple[int, str, str]]:
    return [(c.t // S, c.state, c.stands) for c in changes]


def test_a_shelving_ends_in_time_though_nothing_arrives_any_more() -> None:
    alarms = SignalAlarms((RATING,), "pack_current")
    t = np.arange(4, dtype=np.int64) * S
    alarms.take(t, np.array([50.0, 70.0, 50.0, 50.0]), [Shelve(2 * S, "discharge-current", None, 5.0)], 3 * S)
    later = alarms.take(np.empty(0, np.int64), np.empty(0), [], 20 * S)
    assert [(t, state) for t, state, _ in brief(later)] == [(7, "unshelved")]


def test_what_cleared_before_anybody_saw_it_waits_as_returned() -> None:
    assert brief(run([50, 70, 50, 50, 50], [Acknowledge(3 * S)])) == [
        (1, "raised", "unacknowledged"),
        (2, "cleared", "returned unacknowledged"),
        (3, "acknowledged", "normal"),
    ]


def test_every_change_bears_the_value_of_its_time_and_the_bound() -> None:
    inputs = [Acknowledge(S + 1), Shelve(3 * S, "discharge-current", None, 1.5)]
    changes = run([50, 70, 71, 72, 73, 74], inputs)
    assert [(c.state, c.value, c.bound) for c in changes] == [
        ("raised", 70.0, 60.0),
        ("acknowledged", 70.0, 60.0),
        ("shelved", 72.0, 60.0),
        ("unshelved", 73.0, 60.0),
    ]


def test_of_two_that_a_charge_kept_quiet_only_the_one_that_speaks_is_told_when_it_ends() -> None:
    both = ("warn", "trip")
    names = ("discharge-peak", "discharge-current")
    inputs = [Suppress(0, name, "charging", both, True, "it is charging") for name in names]
    inputs += [Suppress(3 * S, name, "charging", both, False, "it is charging") for name in names]
    changes = run([130] * 6, inputs, (RATING, PEAK))
    assert [(c.t // S, c.limit, c.state) for c in changes if c.t == 3 * S] == [(3, "discharge-peak", "unsuppressed")]


def test_a_trip_of_two_equally_far_out_silences_no_trip() -> None:
    slower = Limit("discharge-peak", "pack_current", "high", 60.0, 90.0, 2.0, 3.0, 0.0, "as far out, but slower")
    changes = run([70] * 5 + [95] * 6, limits=(RATING, slower))
    assert [(c.t // S, c.level, c.state) for c in changes if c.limit == "discharge-peak"] == [
        (3, "warn", "raised"),
        (5, "warn", "suppressed"),
        (8, "trip", "raised"),
    ]


def test_one_that_is_quiet_from_the_start_is_told_at_the_level_that_it_would_reach_first() -> None:
    peak = Limit("discharge-peak", "pack_current", "high", None, 120.0, 2.0, 0.0, 0.0, "only a trip")
    told = [
        run([50] * 3, [Suppress(0, limit.name, "charging", ("warn", "trip"), True, "it is charging")], (limit,))
        for limit in (RATING, peak)
    ]
    assert [[(c.state, c.level, c.bound) for c in changes] for changes in told] == [
        [("suppressed", "warn", 60.0)],
        [("suppressed", "trip", 120.0)],
    ]


def test_a_shelving_says_how_long_it_lasts() -> None:
    spans = {5.5: "5.5 s", 59.0: "59 s", 60.0: "1 min", 90.0: "1.5 min"}
    for seconds, text in spans.items():
        shelved = run([70] * 3, [Shelve(S, "discharge-current", None, seconds)])[-1]
        assert shelved.why == f"by the operator for {text}"


def test_what_was_seen_clears_to_normal() -> None:
    assert brief(run([50, 70, 70, 50], [Acknowledge(2 * S)])) == [
        (1, "raised", "unacknowledged"),
        (2, "acknowledged", "acknowledged"),
        (3, "cleared", "normal"),
    ]


def test_a_latch_stays_until_acknowledged_and_then_reset() -> None:
    inputs = [ResetLatch(3 * S), Acknowledge(4 * S), ResetLatch(5 * S)]
    assert brief(run([50, 95, 50, 50, 50, 50, 50], inputs, rules=LATCHING)) == [
        (1, "raised", "unacknowledged"),
        (2, "cleared", "latched unacknowledged"),
        (4, "acknowledged", "latched acknowledged"),
        (5, "reset", "normal"),
    ]


def test_a_warn_does_not_latch_and_a_latch_outlasts_a_later_warn() -> None:
    assert brief(run([50, 70, 50], rules=LATCHING))[-1] == (2, "cleared", "returned unacknowledged")
    assert brief(run([50, 95, 50, 70, 50], rules=LATCHING))[-1] == (4, "cleared", "latched unacknowledged")


def test_shelving_ends_by_itself_and_tells_how_the_value_then_stands() -> None:
    values = [50, 70, 70, 50, 70, 70, 70, 70]
    assert brief(run(values, [Shelve(2 * S, "discharge-current", None, 4.0)])) == [
        (1, "raised", "unacknowledged"),
        (2, "shelved", "shelved"),
        (6, "unshelved", "unacknowledged"),
    ]
    assert brief(run([50, 70, 70, 50, 50, 50, 50], [Shelve(2 * S, "discharge-current", None, 3.0)]))[-1] == (
        5,
        "unshelved",
        "normal",
    )


def test_a_worse_level_breaks_through_a_shelving() -> None:
    assert brief(run([70, 70, 95, 95], [Shelve(1 * S, "discharge-current", None, 900.0)]))[-1] == (
        2,
        "raised",
        "unacknowledged",
    )


def test_a_shelving_is_no_longer_than_allowed_and_says_so() -> None:
    changes = run([70] * 4000, [Shelve(1 * S, "discharge-current", None, 1e9)])
    assert brief(changes)[1:] == [(1, "shelved", "shelved"), (3601, "unshelved", "unacknowledged")]
    assert "60 min, the longest allowed" in changes[1].why


def test_a_shelved_alarm_can_be_taken_back() -> None:
    inputs = [Shelve(1 * S, "discharge-current", "pack_current", 900.0), Unshelve(3 * S)]
    assert brief(run([70] * 5, inputs))[-1] == (3, "unshelved", "unacknowledged")


def test_shelving_another_signal_does_nothing() -> None:
    assert brief(run([70] * 5, [Shelve(1 * S, "discharge-current", "motor_current", 9.0)])) == [
        (0, "raised", "unacknowledged")
    ]


def test_what_is_quiet_by_design_is_not_raised_until_that_ends() -> None:
    both = ("warn", "trip")
    inputs = [
        Suppress(1 * S, "discharge-current", "charging", both, True, "it is charging"),
        Suppress(5 * S, "discharge-current", "charging", both, False, "it is charging"),
    ]
    changes = run([50, 50, 95, 95, 95, 95, 95], inputs)
    assert brief(changes) == [(1, "suppressed", "suppressed by design"), (5, "unsuppressed", "unacknowledged")]
    assert changes[0].why == "it is charging"


def test_where_only_the_warn_is_quiet_the_trip_is_not() -> None:
    inputs = [Suppress(0, "discharge-current", "charging", ("warn",), True, "it is charging")]
    assert brief(run([50, 70, 95, 50], inputs)) == [
        (1, "suppressed", "suppressed by design"),
        (2, "raised", "unacknowledged"),
        (3, "cleared", "returned unacknowledged"),
    ]


def test_what_was_quiet_before_the_first_row_is_so_from_it_on_and_operators_did_not_mean_it() -> None:
    alarms = SignalAlarms([RATING], "pack_current")
    none = np.empty(0, dtype=np.int64), np.empty(0)
    both = ("warn", "trip")
    early: list[AlarmInput] = [
        Suppress(1, "discharge-current", "charging", both, True, "x"),
        Shelve(2, "discharge-current", None, 99.0),
    ]
    assert alarms.take(*none, early, 10) == []
    changes = alarms.take(np.array([20]), np.array([95.0]), [], 30)
    assert [(c.t, c.state) for c in changes] == [(20, "suppressed")]


def test_a_trip_of_the_same_signal_replaces_the_others_warn() -> None:
    changes = run([50, 70, 130, 70, 50], limits=(RATING, PEAK))
    told = [(c.t // S, c.limit, c.level, c.stands) for c in changes]
    assert told == [
        (1, "discharge-current", "warn", "unacknowledged"),
        (2, "discharge-peak", "trip", "unacknowledged"),
        (2, "discharge-current", "warn", "suppressed by design"),
        (3, "discharge-peak", "trip", "returned unacknowledged"),
        (3, "discharge-current", "trip", "unacknowledged"),
        (4, "discharge-current", "trip", "returned unacknowledged"),
    ]


def test_both_exceeded_and_left_at_once_is_one_alarm() -> None:
    changes = run([50, 130, 50], limits=(RATING, PEAK))
    heard = [c.limit for c in changes if c.stands == "unacknowledged"]
    assert heard == ["discharge-peak"]
    assert {c.limit: c.stands for c in changes} == {
        "discharge-peak": "returned unacknowledged",
        "discharge-current": "normal",
    }


level = st.sampled_from([40.0, 57.0, 58.0, 59.0, 60.0, 61.0, 89.0, 91.0, 111.0, 125.0])


@st.composite
def inputs_of(draw: st.DrawFn) -> list[AlarmInput]:
    made: list[AlarmInput] = []
    for _ in range(draw(st.integers(0, 6))):
        t = draw(st.integers(0, 40)) * S // 2
        limit = draw(st.sampled_from(["discharge-current", "discharge-peak"]))
        made.append(
            draw(
                st.sampled_from(
                    [
                        Acknowledge(t),
                        Acknowledge(t, limit),
                        Shelve(t, limit, None, 3.5),
                        Unshelve(t, limit),
                        ResetLatch(t),
                        Suppress(t, limit, "charging", ("warn",), True, "a"),
                        Suppress(t, limit, "charging", ("warn",), False, "a"),
                        Suppress(t, limit, "other", ("warn", "trip"), True, "b"),
                        Suppress(t, limit, "other", ("warn", "trip"), False, "b"),
                    ]
                )
            )
        )
    return sorted(made, key=lambda each: each.t)


@settings(max_examples=150)
@given(st.lists(level, min_size=1, max_size=20), inputs_of(), st.sets(st.integers(0, 39)), st.booleans())
def test_cuts_change_nothing(values: list[float], inputs: list[AlarmInput], cuts: set[int], latch: bool) -> None:
    rules = LATCHING if latch else None
    end = len(values) * S
    whole = run(values, [i for i in inputs if i.t <= end], (RATING, PEAK), rules)
    cut = run(
        values,
        [i for i in inputs if i.t <= end],
        (RATING, PEAK),
        rules,
        [c * S // 2 for c in cuts if c * S // 2 < end],
    )
    assert repr(cut) == repr(whole)  # an unknown value, NaN, is equal to nothing


@settings(max_examples=150)
@given(st.lists(level, min_size=1, max_size=20), inputs_of(), st.floats(0.0, 5.0), st.integers(0, 2))
def test_nothing_inside_warn_minus_margin_is_ever_active(
    values: list[float], inputs: list[AlarmInput], margin: float, delay: int
) -> None:
    """Without a clear delay the alarm of a value that far inside is over at that very row."""
    limits = [
        Limit("discharge-current", "pack_current", "high", 60.0, 90.0, margin, float(delay), 0.0, "r"),
        Limit("discharge-peak", "pack_current", "high", 110.0, 120.0, margin, float(delay), 0.0, "p"),
    ]
    changes = run(values, inputs, limits)
    for row, value in enumerate(values):
        for limit in limits:
            assert limit.warn is not None
            if value < limit.warn - margin:
                mine = [c for c in changes if c.limit == limit.name and c.t <= row * S]
                assert not mine or mine[-1].stands not in ACTIVE


@settings(max_examples=100)
@given(st.lists(level, min_size=1, max_size=20), st.sets(st.integers(1, 39)))
def test_one_excursion_is_one_alarm_whatever_the_cut(values: list[float], cuts: set[int]) -> None:
    """Counted by hand: from the first row beyond the warn to the first row inside it by more than the margin."""
    excursions, out = 0, False
    for value in values:
        if not out and value > 60.0:
            excursions, out = excursions + 1, True
        elif out and value < 58.0:
            out = False
    changes = run(values, cuts=[c * S // 2 for c in cuts if c * S // 2 < len(values) * S])
    began, stands = 0, "normal"
    for change in changes:
        began += change.stands == "unacknowledged" and stands not in ACTIVE
        stands = change.stands
    assert began == excursions
    assert (stands in ACTIVE) == out


@settings(max_examples=100)
@given(st.lists(level, min_size=2, max_size=20), inputs_of())
def test_a_mask_never_shows_and_what_is_told_is_a_change(values: list[float], inputs: list[AlarmInput]) -> None:
    stands: dict[str, str] = {}
    for change in run(values, inputs, (RATING, PEAK)):
        before = stands.get(change.limit, "normal")
        assert change.stands != before or change.state in ("raised", "shelved")
        if change.stands in MASKED:
            assert change.state in ("shelved", "suppressed", "out of service")
        stands[change.limit] = change.stands


def test_each_level_shows_its_own_bound() -> None:
    """A cell beyond its trip shows the trip's bound, not the warning's; 3.70 V for iron phosphate, 3.62 V to warn."""
    text = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
    machine, _ = parse_machine(text, "cart.toml")
    assert machine is not None
    limit = next(limit for limit in limits_for(machine) if limit.name == "cell-voltage-high")
    alarms = SignalAlarms([limit], "cell_max_voltage")
    values = np.array([3.50] * 3 + [3.64] * 5 + [3.72] * 5)
    raised = alarms.take(np.arange(len(values)) * S, values, [], len(values) * S)
    assert [(change.level, change.bound) for change in raised] == [("warn", 3.62), ("trip", 3.70)]
    ordinary = SignalAlarms([limit], "cell_max_voltage").take(
        np.arange(5) * S, np.array([3.5, 3.6, 3.65, 3.65, 3.60]), [], 5 * S
    )
    assert {change.level for change in ordinary} == {"warn"}
