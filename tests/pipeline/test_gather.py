"""What comes in, comes out once, at its time, cleaned and counted."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group
from telemetry.model.events import Mark
from telemetry.pipeline.gather import Gather

CELLS = Group("pack", "cells", ("cell_01_voltage", "pack_current"))


def rows(*pairs: tuple[int, float], group: Group = CELLS) -> Batch:
    return Batch.of_rows(group, [t for t, _ in pairs], [[v] + [1.0] * (len(group.signals) - 1) for _, v in pairs])


@given(
    st.lists(st.tuples(st.integers(0, 50), st.floats(2, 4)), max_size=40), st.lists(st.integers(1, 20), min_size=1)
)
def test_every_row_comes_out_exactly_once_in_order(pairs, ends) -> None:
    gather = Gather()
    out, end = [], 60
    for place, pair in enumerate(pairs):
        gather.post(rows(pair))
        if place < len(ends):
            end += ends[place]
            out += gather.close(end).batches
    out += gather.close(end + 100, final=True).batches
    assert sum(len(b) for b in out) == len(pairs)
    t = np.concatenate([b.t for b in out]) if out else np.empty(0)
    assert np.all(np.diff(t) >= 0)


def test_a_late_row_takes_the_last_end_and_is_counted() -> None:
    gather = Gather()
    gather.close(100)
    gather.post(rows((40, 3.2)))
    span = gather.close(200)
    assert (span.batches[0].t.tolist(), gather.late) == ([100], 1)


def test_rows_ahead_wait_and_absurd_ones_are_pulled_back() -> None:
    gather = Gather()
    gather.post(rows((150, 3.2), (90_000_000_000, 3.3)))
    assert gather.close(100).batches[0].t.tolist() == [100]
    assert gather.ahead == 1
    assert gather.close(200).batches[0].t.tolist() == [150]


@given(
    lags=st.fixed_dictionaries({"pack": st.integers(-40, 40), "pedal": st.integers(-40, 40)}),
    ticks=st.lists(st.tuples(st.sampled_from(["pack", "pedal", "other"]), st.integers(0, 15)), max_size=40),
)
def test_a_stated_lag_brings_rows_together_and_none_comes_late(lags, ticks) -> None:
    gather = Gather(lags=lags)
    end, posted, out = 1000, [], []
    out += gather.close(end).batches
    for source, step in ticks:
        posted.append((source, end))  # as a live link does: it bears the time at which it arrived
        group = Group(source, "lines", (f"extra_{source}",))
        gather.post(Batch.of_rows(group, [end], [[float(end)]]))
        end += step
        out += gather.close(end).batches
        assert all(batch.t[-1] <= end for batch in out)
    out += gather.close(end, final=True).batches
    assert (gather.late, gather.ahead) == (0, 0)
    told = [(b.group.source, int(v), int(t)) for b in out for t, (v,) in zip(b.t, b.values, strict=True)]
    assert sorted((source, arrived) for source, arrived, _ in told) == sorted(posted)
    # When each was true, by what is stated of its source: between any two of them, that difference is kept.
    offsets = {t - (arrived - lags.get(source, 0)) for source, arrived, t in told}
    assert len(offsets) <= 1


def test_a_row_absurdly_far_ahead_is_pulled_back_beside_the_others_of_its_source() -> None:
    gather = Gather(lags={"slow": 400_000})
    gather.post(rows((90_000_000_000, 3.3)))
    assert gather.close(100).batches == ()
    assert gather.close(400_100).batches[0].t.tolist() == [400_100]
    assert (gather.late, gather.ahead) == (0, 1)


def test_impossible_values_become_unknown_and_are_counted() -> None:
    gather = Gather()
    gather.post(rows((1, 0.0), (2, float("inf")), (3, 3.3), (4, float("nan")), (5, 99.0)))
    column = gather.close(10).batches[0].column("cell_01_voltage")
    assert np.isnan(column).tolist() == [True, True, False, True, True]
    assert gather.possible.made_unknown == {
        ("cell_01_voltage", "infinite"): 1,
        ("cell_01_voltage", "physically impossible"): 2,
    }


def test_what_has_no_range_may_be_large_but_not_infinite() -> None:
    gather = Gather()
    gather.post(Batch.of_rows(Group("p", "g", ("extra_count",)), [1, 2, 3], [[1e300], [math.inf], [-math.inf]]))
    (batch,) = gather.close(10).batches
    assert batch.values[0, 0] == 1e300
    assert np.isnan(batch.values[1:]).all()
    assert gather.possible.made_unknown == {("extra_count", "infinite"): 2}


def test_a_source_that_counts_charging_is_turned_round() -> None:
    turned = []
    for sources in (frozenset({"pack"}), frozenset({"other"})):
        gather = Gather(sources)
        gather.post(rows((1, 3.3)))
        turned.append(gather.close(10).batches[0].column("pack_current")[0])
    assert turned == [-1.0, 1.0]


def test_a_group_that_widens_keeps_its_places() -> None:
    gather = Gather()
    gather.post(Batch.of_rows(Group("s", "g", ("pack_voltage",)), [1], [[50.0]]))
    gather.close(5)
    gather.post(Batch.of_rows(Group("s", "g", ("pack_current", "pack_voltage")), [7], [[3.0, 51.0]]))
    batch = gather.close(10).batches[0]
    assert batch.group.signals == ("pack_voltage", "pack_current")
    assert batch.values.tolist() == [[51.0, 3.0]]


@pytest.mark.parametrize(("t", "in_first"), [(50, True), (150, False)])
def test_events_come_with_the_span_that_covers_them(t, in_first) -> None:
    gather = Gather()
    gather.post(Mark(t, "hill"))
    first, second = gather.close(100), gather.close(200)
    assert bool(first.events) is in_first
    assert bool(second.events) is not in_first


def test_each_signal_counts_its_own_impossible_values_by_their_kind() -> None:
    gather = Gather()
    group = Group("pack", "pack", ("pack_voltage", "pack_current", "soc_reported"))
    gather.post(Batch.of_rows(group, [1], [[np.inf, -1e9, 50.0]]))
    gather.post(Batch.of_rows(group, [2], [[52.0, 10.0, np.nan]]))
    (batch,) = gather.close(10).batches
    assert np.array_equal(batch.values, [[np.nan, np.nan, 50.0], [52.0, 10.0, np.nan]], equal_nan=True)
    assert dict(gather.possible.made_unknown) == {
        ("pack_voltage", "infinite"): 1,
        ("pack_current", "physically impossible"): 1,
    }
