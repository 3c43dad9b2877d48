"""Columns of time against a plain search through all rows. Invented values throughout."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.columns import Columns, Joins, Pieces, coarser, columns_of
from telemetry.analysis.gaps import GapRule

SECOND = 1_000_000
NOTHING = 2**62


@st.composite
def rows(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Rows at one rate with holes of any length, repeated times, and unknown values among them."""
    rate = draw(st.sampled_from([20_000, 100_000, 1_000_000, 5_000_000]))
    steps = draw(
        st.lists(st.sampled_from([0, 1, 1, 1, 1, 1, 2, 4, 6, 30, 700]), min_size=1, max_size=80).map(np.array)
    )
    t = draw(st.integers(-5, 5)) * SECOND + np.cumsum(steps * rate)
    values = draw(
        st.lists(st.sampled_from([np.nan, -3.0, 0.0, 1.5, 7.0, 60.0]), min_size=len(t), max_size=len(t)).map(np.array)
    )
    return t.astype(np.int64), values


def cut_up(t: np.ndarray, values: np.ndarray, cuts: list[int]) -> tuple[list[Pieces], Joins]:
    joins, blocks = Joins(), []
    places = sorted({0, len(t), *(cut % (len(t) + 1) for cut in cuts)})
    for start, stop in pairwise(places):
        part = t[start:stop]
        blocks.append(joins.pieces(part, part, values[start:stop], values[start:stop]))
    return blocks, joins


def by_search(t: np.ndarray, values: np.ndarray, edges: np.ndarray, end: int) -> list[tuple[float, float, bool]]:
    """Lowest and highest of each column, and whether it is a gap, by looking at every row of every column."""
    known = ~np.isnan(values)
    t, values = t[known], values[known]
    rule = GapRule()
    bridged = rule.take(t)
    found = []
    for a, b in zip(edges.tolist(), edges[1:].tolist(), strict=False):
        inside = values[(t >= a) & (t < b)]
        before, after = np.flatnonzero(t < a), np.flatnonzero(t >= b)
        if len(inside):
            found.append((float(inside.min()), float(inside.max()), False))
        elif len(before) and len(after) and bridged[after[0]]:
            found.append((float(values[before[-1]]),) * 2 + (False,))  # type: ignore[arg-type]
        else:
            late = bool(len(before)) and (bool(len(after)) or a > t[-1] + rule.limit)
            found.append((np.nan, np.nan, late and a < end))
    return found


def said(columns: Columns) -> list[tuple[float, float, bool]]:
    return list(zip(columns.low.tolist(), columns.high.tolist(), columns.gap.tolist(), strict=True))


@given(rows(), st.lists(st.integers(0, 80), max_size=3), st.sampled_from([0.1, 0.5, 1, 3, 60, 7000]), st.integers())
def test_columns_are_what_a_search_through_every_row_finds(
    made: tuple[np.ndarray, np.ndarray], cuts: list[int], width_s: float, shift: int
) -> None:
    t, values = made
    width = round(width_s * SECOND)
    first = int(t[0]) - 2 * width + shift % width
    count = min(60, int((t[-1] - first) // width) + 4)
    edges = first + width * np.arange(count + 1)
    end = int(t[-1]) + 2 * width
    blocks, joins = cut_up(t, values, cuts)
    np.testing.assert_equal(said(columns_of(blocks, edges, end, joins.limit)), by_search(t, values, edges, end))


@given(rows(), st.lists(st.integers(0, 80), max_size=4))
def test_where_pieces_are_cut_changes_nothing(made: tuple[np.ndarray, np.ndarray], cuts: list[int]) -> None:
    t, values = made
    edges = int(t[0]) + 700_000 * np.arange(50)
    whole, one = cut_up(t, values, [])
    parts, other = cut_up(t, values, cuts)
    expected, found = (columns_of(b, edges, NOTHING, j.limit) for b, j in ((whole, one), (parts, other)))
    for name in ("low", "high", "joined", "gap"):
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name))


@given(rows())
def test_two_columns_are_connected_only_where_nothing_is_missing(made: tuple[np.ndarray, np.ndarray]) -> None:
    t, values = made
    known = t[~np.isnan(values)]
    bridged = GapRule().take(known)
    edges = int(t[0]) + 900_000 * np.arange(90)
    blocks, joins = cut_up(t, values, [])
    columns = columns_of(blocks, edges, NOTHING, joins.limit)
    for k in np.flatnonzero(columns.joined).tolist():
        following = np.searchsorted(known, edges[k])  # the first row not before this column
        assert bridged[following]
        assert known[following - 1] < edges[k]


@given(rows(), st.sampled_from([SECOND, 60 * SECOND]), st.sampled_from([1, 2, 60, 300]))
def test_extremes_of_seconds_and_minutes_lose_no_dip(
    made: tuple[np.ndarray, np.ndarray], unit: int, width_s: int
) -> None:
    t, values = made
    known = ~np.isnan(values)
    if not known.any():
        return
    t, values = t[known], values[known]
    first, last, low, high = coarser(t, t, values[:, None], values[:, None], unit)
    joins = Joins()
    pieces = joins.pieces(first, last, low[:, 0], high[:, 0])
    width = width_s * SECOND
    begin = int(t[0]) // (60 * SECOND) * 60 * SECOND
    edges = begin + width * np.arange(int((t[-1] - begin) // width) + 2)
    found = columns_of([pieces], edges, NOTHING, joins.limit)
    exact = by_search(t, values, edges, NOTHING)
    for k, (lowest, highest, _) in enumerate(exact):
        if not np.isnan(lowest):
            assert found.low[k] <= lowest
            assert found.high[k] >= highest
    if width % unit == 0:
        inside = ~np.isnan([lowest for lowest, _, _ in exact])
        held = np.diff(np.searchsorted(t, edges)) == 0
        np.testing.assert_array_equal(found.low[inside & ~held], np.array([e[0] for e in exact])[inside & ~held])


@pytest.mark.parametrize("width_s", [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 36_000])
@pytest.mark.parametrize("unit", [0, 1, 60])
def test_a_dip_of_one_row_in_ten_hours_is_seen_at_every_zoom(width_s: float, unit: int) -> None:
    t = np.arange(0, 36_000 * SECOND, SECOND // 10, dtype=np.int64)
    values = np.full(len(t), 52.0)
    dip = 123_457
    values[dip] = 38.0
    joins = Joins()
    if unit:
        first, last, low, high = coarser(t, t, values[:, None], values[:, None], unit * SECOND)
        block = joins.pieces(first, last, low[:, 0], high[:, 0])
    else:
        block = joins.pieces(t, t, values, values)
    width = round(width_s * SECOND)
    number = int(t[dip]) // width
    edges = width * np.arange(max(0, number - 70), number + 70)
    columns = columns_of([block], edges, 36_000 * SECOND, joins.limit)
    where = np.flatnonzero(columns.low < 40.0)
    assert number - edges[0] // width in where
    assert len(where) <= max(1, 1 + unit / width_s)


def test_nothing_known_gives_empty_columns_and_no_gap() -> None:
    columns = columns_of([], np.arange(5) * SECOND, NOTHING, 0.0)
    assert np.isnan(columns.low).all()
    assert not columns.gap.any()
    assert not columns.joined.any()
