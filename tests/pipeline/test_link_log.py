"""What is known of a link: drop-outs, and values a second, wherever rows are cut. Invented values."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.capture import CapturedPiece
from telemetry.model.events import LinkChange
from telemetry.pipeline.link_log import DropOut, LinkLog
from telemetry.pipeline.raw_ring import PIECES, RawTail

SECOND = 1_000_000


def log_of(*changes: tuple[int, str]) -> LinkLog:
    log = LinkLog()
    for t, state in changes:
        log.take_change(LinkChange(t * SECOND, "pack", state))  # type: ignore[arg-type]
    return log


def test_a_drop_out_lasts_from_the_failure_to_the_next_state_that_is_none() -> None:
    log = log_of((0, "opening"), (1, "live"), (5, "silent"), (6, "lost"), (9, "live"), (20, "lost"))
    assert list(log.drop_outs) == [DropOut(5 * SECOND, 9 * SECOND), DropOut(20 * SECOND)]
    assert log.dropped == 2
    assert [each.seconds(24 * SECOND) for each in log.drop_outs] == [4.0, 4.0]
    assert log.since == 20 * SECOND


def test_another_reason_does_not_make_a_state_younger() -> None:
    log = log_of((1, "lost"), (7, "lost"))
    assert log.since == SECOND
    assert log.dropped == 1


@given(
    st.lists(st.integers(0, 400_000), min_size=1, max_size=200),
    st.integers(1, 30),
    st.lists(st.integers(1, 200)),
)
def test_values_a_second_are_the_same_wherever_rows_are_cut(steps: list[int], signals: int, cuts: list[int]) -> None:
    t = np.cumsum(np.array(steps, dtype=np.int64))
    whole, cut = LinkLog(), LinkLog()
    whole.take_rows(t, signals * len(t))
    edges = sorted({0, len(t), *(each for each in cuts if each < len(t))})
    for first, after in pairwise(edges):
        cut.take_rows(t[first:after], signals * (after - first))
    now = int(t[-1]) + SECOND
    assert whole.per_second(now, 200) == cut.per_second(now, 200)
    assert whole.values == cut.values == signals * len(t)
    seconds, rows = np.unique(t // SECOND, return_counts=True)
    if seconds[-1] - seconds[0] < 200:
        assert sum(whole.per_second(now, 200)) == signals * int(rows.sum())


def test_the_rate_is_that_of_ten_whole_seconds_and_of_the_last_ones_before_a_drop() -> None:
    log = LinkLog()
    for tenth in range(300):
        log.take_rows(np.array([tenth * SECOND // 10]), 3)
    assert log.rate(30 * SECOND) == 30.0
    assert log.rate(35 * SECOND) == 15.0
    assert log.rate(60 * SECOND) == 0.0
    assert log.rate_before() == 30.0
    assert LinkLog().rate(SECOND) == LinkLog().rate_before() == 0.0


def test_the_tail_holds_the_last_pieces_of_each_link_and_of_a_long_one_its_beginning() -> None:
    tail = RawTail()
    for number in range(PIECES + 5):
        tail.take(CapturedPiece(number, "pack", "in", b"x" * (10_000 if number == PIECES + 4 else 1)))
    assert [piece.t for piece in tail.last("pack")] == list(range(5, PIECES + 5))
    assert len(tail.last("pack")[-1].data) == 4096
    assert tail.last("another") == []


def test_a_row_that_comes_late_counts_and_raises_no_rate_of_a_second_that_is_over() -> None:
    log = LinkLog()
    for second in (2, 5, 3):
        log.take_rows(np.array([second * SECOND]), 1)
    assert log.values == 3
    assert log.per_second(6 * SECOND, 6) == [0, 0, 1, 0, 0, 1]
