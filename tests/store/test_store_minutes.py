from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group
from telemetry.store.minutes import MINUTE, closed_minutes, minute_rows

GROUP = Group("pack", "pack", ("pack_voltage", "pack_current"))
value = st.floats(-1e6, 1e6) | st.just(math.nan)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(-3 * MINUTE, 5 * MINUTE), value, value), min_size=1, max_size=40),
    st.lists(st.integers(1, 39), max_size=6),
)
def test_minutes_agree_with_plain_sums_however_rows_arrive(
    rows: list[tuple[int, float, float]], cuts: list[int]
) -> None:
    rows.sort(key=lambda row: row[0])
    t = np.array([row[0] for row in rows], dtype=np.int64)
    values = np.array([row[1:] for row in rows])
    found, open_rows = [], ()
    edges = sorted({0, len(rows), *(cut for cut in cuts if cut < len(rows))})
    for start, stop in pairwise(edges):
        closed, open_rows = closed_minutes(open_rows, Batch(GROUP, t[start:stop], values[start:stop]))
        found += closed
    found += minute_rows(open_rows)

    whole, rest = closed_minutes((), Batch(GROUP, t, values))
    assert found == whole + minute_rows(rest), "the same to the last bit, wherever it was cut"
    expected = {}
    for minute in range(-3, 6):
        for place, signal in enumerate(GROUP.signals):
            known = [row[1 + place] for row in rows if row[0] // MINUTE == minute and not math.isnan(row[1 + place])]
            if known:
                expected[signal, minute] = (min(known), math.fsum(known) / len(known), max(known), len(known))
    assert len(found) == len(expected)
    for signal, minute, low, mean, high, n in found:
        wanted = expected[signal, minute]
        assert (low, high, n) == (wanted[0], wanted[2], wanted[3])
        assert math.isclose(mean, wanted[1], rel_tol=1e-12, abs_tol=1e-6)


def test_infinite_values_are_no_part_of_a_minute() -> None:
    rows = Batch.of_rows(GROUP, [0, 1, 2], [[math.inf, math.inf], [-math.inf, 1.0], [2.0, 3.0]])
    assert minute_rows((rows,)) == [("pack_voltage", 0, 2.0, 2.0, 2.0, 1), ("pack_current", 0, 1.0, 2.0, 3.0, 2)]
