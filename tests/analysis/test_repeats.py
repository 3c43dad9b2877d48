"""What of a signal moved and what repeats, counted block by block: the same wherever the rows are cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.repeats import BLOCK, PAGE, Columns, Extent, Mover, counted_since
from telemetry.model.batch import Batch, Group

GROUP = Group("pack", "pack", ("pack_voltage", "pack_current"))
STEP = 500_000  # four rows a block


def rows(count: int, seed: int) -> Batch:
    """A current that is noise of 0.1 A, with jumps of 40 A now and then, and a voltage of which half is unknown."""
    rng = np.random.default_rng(seed)
    current = rng.normal(0.0, 0.1, count) + 40.0 * (np.arange(count) % 97 > 80)
    voltage = np.where(rng.random(count) < 0.5, np.nan, np.round(50.0 + rng.normal(0.0, 0.02, count), 2))
    return Batch(GROUP, STEP * np.arange(count, dtype=np.int64), np.column_stack([voltage, current]))


def seen(batch: Batch, blocks: list[int]) -> list[np.ndarray]:
    """All figures of all blocks, the rows cut after those ``blocks``."""
    columns, extents = Columns(GROUP), [Extent(), Extent()]
    movers = [Mover(0.01), Mover(0.5)]
    per_block = BLOCK // STEP
    edges = [0, *(each * per_block for each in blocks), len(batch)]
    found: list[list[np.ndarray]] = []
    for first, stop in pairwise(edges):
        part = batch.rows(first, stop)
        columns.take(part)
        numbers = np.arange(first // per_block, stop // per_block, dtype=np.int64)
        told = [columns.per_block(columns.changed[:, place], numbers) for place in (0, 1)]
        for place in (0, 1):
            within, so_far, step = extents[place].take(columns, place, numbers)
            told += [within, so_far, step, movers[place].moved(columns, place, numbers, within, so_far, step)]
            told.append(columns.filled[per_block - 1 :: per_block, place])
        found.append(told)
    return [np.concatenate(parts) for parts in zip(*found, strict=True)]


@given(seed=st.integers(0, 99), cuts=st.sets(st.integers(1, 99), max_size=6))
def test_no_figure_depends_on_where_the_rows_are_cut(seed: int, cuts: set[int]) -> None:
    batch = rows(400, seed)
    for whole, cut in zip(seen(batch, []), seen(batch, sorted(cuts)), strict=True):
        assert np.array_equal(whole, cut, equal_nan=True)


def test_what_moves_is_what_is_clear_of_its_own_noise() -> None:
    batch = rows(400, 1)
    moved = seen(batch, [])[-2]
    jumps = np.flatnonzero(np.abs(np.diff(batch.values[:, 1])) > 20) + 1
    clear = np.unique(jumps // 4)
    assert np.flatnonzero(moved > 0).tolist() == [block for block in clear if 4 * block > PAGE]
    assert 0.9 < moved[moved > 0].min() <= moved.max() <= 1.0, "each jump is nearly all of the range so far"


def test_the_extent_of_a_signal_by_hand() -> None:
    columns = Columns(GROUP)
    values = np.array([[np.nan, 1.0], [np.nan, 3.0], [50.0, 3.0], [np.nan, 2.5], [51.0, 2.5], [50.5, np.nan]])
    columns.take(Batch(GROUP, BLOCK // 2 * np.arange(6, dtype=np.int64), values))
    numbers = np.arange(3)
    within, so_far, step = Extent().take(columns, 1, numbers)
    assert within.tolist() == [2.0, 0.5, 0.0]
    assert so_far.tolist() == [2.0, 2.0, 2.0]
    assert step.tolist() == [2.0, 0.5, 0.5]
    within, so_far, step = Extent().take(columns, 0, numbers)
    assert within.tolist() == [0.0, 0.0, 1.0], "the reading before the block counts"
    assert so_far.tolist() == [0.0, 0.0, 1.0]
    assert step.tolist() == [np.inf, np.inf, 0.5]
    assert columns.changed[:, 1].tolist() == [True, True, False, True, False, False]
    assert [columns.changed_at(1, count) for count in (0, 1, 3, 6)] == [-1, 0, BLOCK // 2, 3 * BLOCK // 2]
    assert [columns.held(0, count) for count in (3, 4, 6)] == [50.0, 50.0, 50.5]
    assert np.isnan(columns.held(0, 2))
    columns.take(None)
    assert (columns.changed_at(1, 0), columns.held(0, 0)) == (3 * BLOCK // 2, 50.5)


@given(
    flags=st.lists(st.booleans(), max_size=40), resets=st.lists(st.booleans(), max_size=40), before=st.integers(0, 5)
)
def test_counting_since_the_latest_reset(flags: list[bool], resets: list[bool], before: int) -> None:
    count = min(len(flags), len(resets))
    expected, now = [], before
    for flag, reset in zip(flags[:count], resets[:count], strict=True):
        now = 0 if reset else now + flag
        expected.append(now)
    found = counted_since(np.array(flags[:count], dtype=bool), np.array(resets[:count], dtype=bool), before)
    assert found.tolist() == expected


def test_a_group_that_widens_keeps_what_it_knew_of_its_first_signals() -> None:
    wide = GROUP.widened(("soc_reported",))
    t = STEP * np.arange(4, dtype=np.int64)
    columns = Columns(GROUP)
    columns.take(Batch(GROUP, t[:2], np.array([[50.0, 1.0], [np.nan, 2.0]])))
    columns.take(Batch(wide, t[2:], np.array([[50.0, 2.0, 80.0], [51.0, np.nan, 80.0]])))
    assert columns.changed.tolist() == [[False, False, True], [True, False, False]], "80 is new; 50 and 2 were there"
    assert columns.filled.tolist() == [[50.0, 2.0, 80.0], [51.0, 2.0, 80.0]]
