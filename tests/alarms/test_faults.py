"""Chattering, floods and what to change: the published figures, and the advice tried on the same data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.alarms.faults import Chattering, ChatteringRule, Floods, LimitFaults, advice_for
from telemetry.alarms.raises import Raise, RaiseLog
from telemetry.alarms.signal_alarms import SignalAlarms
from telemetry.machine.limits import Limit
from telemetry.model.events import AlarmChange

S = 1_000_000
NAN = float("nan")
SAMPLES = [59, 61, 61, 59.5, 61, 61, 61, 61, 61, 61, 59, 58.5, 57.9, 57.8, 57.7, 57.6]


def alarm(t_s: float, limit: str = "cell-spread") -> AlarmChange:
    return AlarmChange(round(t_s * S), limit, "cell_spread", "warn", "raised", 1.0, 0.5)


def floods(times: list[float], upto_s: float) -> list[tuple[float, str]]:
    return [(f.t / S, f.state) for f in Floods().take([alarm(t, f"limit-{t}") for t in times], round(upto_s * S))]


def test_the_worked_alarm_example_through_the_state_machine() -> None:
    # A worked example of on-delay, off-delay and deadband at 1 Hz, the terms of OPC 10000-9, 5.8; its answer was
    # reckoned by hand from the rule "raised once the time since the first sample beyond is at least the delay".
    t = np.arange(len(SAMPLES), dtype=np.int64) * S
    values = np.array(SAMPLES, dtype=float)

    def raised(limit: Limit) -> tuple[list[float], list[float]]:
        changes = SignalAlarms([limit], limit.signal).take(t, values, [], int(t[-1]))
        return [c.t / S for c in changes if c.state == "raised"], [c.t / S for c in changes if c.state == "cleared"]

    assert raised(Limit("x", "pack_temperature_1", "high", 60.0, None, 2.0, 5.0, 3.0, "")) == ([9.0], [15.0])
    assert raised(Limit("x", "pack_temperature_1", "high", 60.0, None, 0.0, 0.0, 0.0, ""))[0] == [1.0, 4.0]


def test_the_worked_flood_example() -> None:
    # Reckoned by hand from the published figures (ISA-18.2 and EEMUA 191 through secondary texts): a flood begins
    # above 10 alarms in 10 min and ends below 5, the window at t being (t - 600 s, t].
    assert floods([30.0 * n for n in range(11)], 3600) == [(300.0, "began"), (780.0, "ended")]


def test_twelve_alarms_over_two_hours_are_no_flood() -> None:
    assert floods([600.0 * n for n in range(12)], 9000) == []


def test_a_flood_is_told_by_its_worst_limits() -> None:
    many = [alarm(n, "cell-spread" if n % 3 else "link") for n in range(11)]
    (told,) = Floods().take(many, 20 * S)
    assert "11 alarms within 10 min" in told.why
    assert "most from cell-spread (7), link (4)" in told.why


@settings(max_examples=60)
@given(st.lists(st.integers(0, 900), min_size=5, max_size=40), st.sets(st.integers(0, 2000)))
def test_floods_agree_with_counting_each_second(times: list[int], cuts: set[int]) -> None:
    on, expected = False, []
    for now in range(2001):
        count = sum(now - 600 < t <= now for t in times)
        if not on and count > 10:
            on = True
            expected.append((float(now), "began"))
        elif on and count < 5:
            on = False
            expected.append((float(now), "ended"))
    found, watch, last = [], Floods(), -1
    for cut in sorted(cuts | {2000}):
        found += watch.take([alarm(t) for t in times if last < t <= cut], cut * S)
        last = cut
    assert [(f.t / S, f.state) for f in found] == expected


def test_a_flood_names_the_three_limits_that_came_most() -> None:
    coming = {"d": 1, "c": 2, "b": 5, "a": 2, "e": 1}
    new = [alarm(t, limit) for t, limit in enumerate(limit for limit, count in coming.items() for _ in range(count))]
    (began,) = Floods().take(new, 100 * S)
    assert began.why == (
        "11 alarms within 10 min, more than anyone can act on; most from b (5), a (2), c (2): change those limits"
        " first"
    )
    assert (began.t, began.count) == (10 * S, 11)


def raise_at(t_s: float, inside: float = NAN, after: float = NAN) -> Raise:
    return Raise(round(t_s * S), "cell-spread", "cell_spread", inside, after, 2.0)


def test_three_within_a_minute_chatter_and_are_told_once_an_episode() -> None:
    # Three in one minute: common figure, from memory.
    assert Chattering().take([raise_at(0), raise_at(30, 0.1, 5.0), raise_at(60, 0.1, 5.0)]) == []
    times = [0, 20, 40, 50, 55, 300, 310, 320]
    told = Chattering().take([raise_at(t, 0.1, 5.0) for t in times])
    assert [f.t / S for f in told] == [40.0, 320.0]
    assert [f.count for f in told] == [3, 3]


def test_the_figure_is_a_setting() -> None:
    times = [0, 100, 200, 300]
    assert Chattering().take([raise_at(t, 0.1, 5.0) for t in times]) == []
    told = Chattering(ChatteringRule(4, 600)).take([raise_at(t, 0.1, 5.0) for t in times])
    assert [f.t / S for f in told] == [300.0]


def test_what_nobody_heard_does_not_count() -> None:
    quiet = [
        AlarmChange(t * S, "cell-spread", "cell_spread", "warn", "suppressed", 1.0, 0.5, "", "suppressed by design")
        for t in (1, 2, 3)
    ]
    assert LimitFaults().take(quiet, [raise_at(t, 0.1, 1.0) for t in (1, 2, 3)], 10 * S) == []


def test_a_link_has_no_limit_to_widen() -> None:
    told = advice_for([Raise(t, "link", "pack", NAN, NAN, NAN) for t in (0, S)])
    assert told.clear_margin is None
    assert "plug" in told.sentence


@pytest.mark.parametrize(("inside", "margin"), [(0.123, 0.13), (12.1, 13.0), (0.02, 0.02), (3.0, 3.0), (0.0, 0.0)])
def test_the_advice_is_rounded_up_to_two_digits_and_no_further(inside: float, margin: float) -> None:
    told = advice_for([raise_at(0), raise_at(30, inside, 4.2)])
    assert told.clear_margin == pytest.approx(margin)
    assert told.clear_delay_s == 7.0, "4.2 s more than the 2 s that it has, in whole seconds"


def test_each_raise_says_how_far_inside_the_value_went_since_the_one_before() -> None:
    limit = Limit("discharge-current", "pack_current", "high", 60.0, None, 0.0, 0.0, 0.0, "test")
    values = np.array([50, 70, 57, 70, 59.5, 70])
    t = np.arange(6, dtype=np.int64) * S
    log = RaiseLog(limit, "pack_current", 60.0)
    crossings = [(row * S, bool(values[row] > 60)) for row in range(1, 6)]
    raises = [*log.take(t[:2], values[:2], crossings[:1]), *log.take(t[2:], values[2:], crossings[1:])]
    assert [one.inside for one in raises] == [pytest.approx(NAN, nan_ok=True), 3.0, 0.5]
    assert [one.after_s for one in raises] == [pytest.approx(NAN, nan_ok=True), 1.0, 1.0]


@settings(max_examples=100)
@given(
    st.lists(st.sampled_from([57.03, 58.2, 59.1, 59.97, 60.5, 62.0]), min_size=3, max_size=40),
    st.integers(0, 3),
    st.integers(0, 2),
    st.sampled_from([0.0, 0.5]),
    st.sampled_from(["high", "low"]),
    st.sets(st.integers(0, 60)),
)
def test_the_advice_would_have_made_it_one_alarm(values, clear_s, raise_s, margin, side, cuts) -> None:
    sign = 1.0 if side == "high" else -1.0
    t = np.arange(len(values), dtype=np.int64) * S
    v = sign * np.array(values)

    def raises(clear_margin: float, clear_delay: float) -> list[Raise]:
        limit = Limit("x", "extra_x", side, sign * 60.0, None, clear_margin, float(raise_s), clear_delay, "")
        alarms, found, last = SignalAlarms([limit], "extra_x"), [], -1
        for cut in sorted({c for c in cuts if c < len(values)} | {len(values) + 9}):
            inside = (t > last * S) & (t <= cut * S)
            alarms.take(t[inside], v[inside], [], cut * S)
            found += alarms.raises
            last = cut
        return found

    before = raises(margin, float(clear_s))
    if len(before) >= 2:
        advice = advice_for(before)
        assert advice.clear_margin is not None
        assert advice.clear_delay_s is not None
        assert len(raises(max(margin, advice.clear_margin), float(clear_s))) == 1
        assert len(raises(margin, advice.clear_delay_s)) == 1
