"""Ranges drawn together: each keeps its ends, they know nothing of one another, and known sums come out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.energy_left import along, interval, normals, times_along
from telemetry.analysis.ranges import Z90, Range

POSITIVE = st.lists(st.floats(0.01, 100.0), min_size=3, max_size=3).map(lambda ends: Range(*sorted(ends)))


@given(POSITIVE)
def test_a_range_comes_back_from_its_own_draws(found: Range) -> None:
    for drawn in (along(found, normals(8)[3]), times_along(found, 8, 3)):
        assert interval(drawn) == pytest.approx(tuple(found), abs=1e-3 * (found.high - found.low) + 1e-9 * found.high)


def test_the_draws_are_even_and_independent() -> None:
    z = normals(8)
    assert np.abs(z.mean(axis=1)).max() < 1e-6
    assert z.std(axis=1) == pytest.approx(np.ones(8), abs=0.005)
    assert np.abs(np.corrcoef(z) - np.eye(8)).max() < 0.05
    # each quarter of each pair of dimensions holds a quarter of the points
    for one in range(8):
        for other in range(one):
            assert ((z[one] > 0) & (z[other] > 0)).mean() == pytest.approx(0.25, abs=0.02)


@given(st.floats(0.1, 5.0), st.floats(0.1, 5.0))
def test_a_sum_of_two_is_as_wide_as_their_squares_say(first: float, second: float) -> None:
    one, other = (
        along(Range.around(10.0, half), z) for half, z in zip((first, second), normals(8)[[1, 6]], strict=True)
    )
    assert interval(one + other) == pytest.approx(
        Range.around(20.0, np.hypot(first, second)), abs=0.1 * (first + second)
    )


def test_a_product_of_two_is_as_wide_as_its_logarithm_says() -> None:
    one, other = (times_along(Range(5.0, 10.0, 20.0), 8, place) for place in (0, 5))
    half = np.sqrt(2.0) * np.log(2.0)
    assert np.log(interval(one * other)) == pytest.approx(np.log(100.0) + np.array([-half, 0.0, half]), abs=0.08)
    assert np.log(one).std() == pytest.approx(np.log(2.0) / Z90, rel=0.01)
