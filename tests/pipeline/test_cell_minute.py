"""Each cell against the median of its row, over one minute: no result depends on where spans are cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group
from telemetry.model.signals import cell_name
from telemetry.pipeline.cell_minute import CellMinute

SECOND = 1_000_000
START = 1_700_000_000 * SECOND


def group(count: int, name: str = "cells", first: int = 1) -> Group:
    return Group("pack", name, tuple(cell_name(first + n) for n in range(count)))


def test_distances_are_to_the_median_of_the_row_and_leave_after_a_minute() -> None:
    # Worked by hand: medians 3.20 and 3.30; cell 1 is 0.10 below, then 0.05 above.
    minute = CellMinute()
    minute.take(Batch.of_rows(group(3), [START], [[3.10, 3.20, 3.25]]))
    minute.take(Batch.of_rows(group(3), [START + SECOND], [[3.35, 3.30, 3.25]]))
    found = minute.spans(START + 2 * SECOND)
    assert found[1] == pytest.approx((-0.10, 0.05))
    assert found[2] == pytest.approx((0.0, 0.0))
    assert found[3] == pytest.approx((-0.05, 0.05))
    assert minute.spans(START + 61 * SECOND)[1] == pytest.approx((0.05, 0.05))
    assert minute.spans(START + 62 * SECOND) == {}


def test_a_row_of_fewer_than_three_cells_has_no_median_to_speak_of() -> None:
    minute = CellMinute()
    minute.take(Batch.of_rows(group(2), [START], [[3.1, 3.2]]))
    minute.take(Batch.of_rows(group(3, "more", 3), [START], [[3.1, float("nan"), 3.2]]))
    minute.take(Batch.of_rows(Group("pack", "pack", ("pack_voltage",)), [START], [[50.0]]))
    assert minute.spans(START) == {}


def test_a_group_may_widen_and_each_group_is_followed_by_itself() -> None:
    minute = CellMinute()
    minute.take(Batch.of_rows(group(3), [START], [[3.1, 3.2, 3.3]]))
    minute.take(Batch.of_rows(group(4), [START + SECOND], [[3.2, 3.2, 3.2, 3.4]]))
    minute.take(Batch.of_rows(group(3, "upper", 5), [START], [[3.0, 3.3, 3.3]]))
    found = minute.spans(START + SECOND)
    assert sorted(found) == [1, 2, 3, 4, 5, 6, 7]
    assert found[1] == pytest.approx((-0.1, 0.0))
    assert found[4] == pytest.approx((0.2, 0.2))
    assert found[5] == pytest.approx((-0.3, -0.3))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 3_000_000), st.integers(0, 2**32 - 1)), min_size=1, max_size=150),
    st.sets(st.integers(1, 149)) | st.just(set(range(1, 150))),
)
def test_it_does_not_matter_where_batches_are_cut(rows: list[tuple[int, int]], cuts: set[int]) -> None:
    times = START + np.cumsum([step for step, _ in rows])
    values = np.stack([np.random.default_rng(seed).normal(3.3, 0.05, 5) for _, seed in rows])
    values[values < 3.22] = np.nan
    one, other = CellMinute(), CellMinute()
    one.take(Batch(group(5), times, values))
    edges = [0, *sorted(cut for cut in cuts if cut < len(rows)), len(rows)]
    for begin, end in pairwise(edges):
        other.take(Batch(group(5), times[begin:end], values[begin:end]))
    assert one.spans(int(times[-1])) == other.spans(int(times[-1]))
