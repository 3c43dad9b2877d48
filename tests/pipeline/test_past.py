"""What a run looks back at: the same however the rows came, bounded in memory, no dip lost. Invented values."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.errors import InputError
from telemetry.model.events import AlarmChange, Gap, LinkChange, Mark, MarkChange
from telemetry.pipeline.live_past import CHUNK_ROWS, LivePast

START = 1_700_000_000_000_000
SECOND = 1_000_000
PACK = Group("pack", "pack", ("pack_voltage", "pack_current"))
OTHER = Group("controller", "pack", ("pack_voltage",))


def rows(t_s: np.ndarray, volts: np.ndarray, amperes: np.ndarray | None = None) -> Batch:
    amperes = np.full(len(t_s), 20.0) if amperes is None else amperes
    return Batch(PACK, START + np.round(t_s * SECOND).astype(np.int64), np.column_stack((volts, amperes)))


def take(past: LivePast, batch: Batch, cuts: list[int]) -> None:
    """Hand the rows in, cut into spans."""
    places = sorted({0, len(batch), *(cut % (len(batch) + 1) for cut in cuts)})
    for start, stop in pairwise(places):
        part = batch.rows(start, stop)
        past.take(Span(int(part.t[-1]), (part,)))


@given(
    st.lists(st.integers(0, 3000), max_size=5),
    st.sampled_from([0.1, 0.5, 2, 60, 900]),
    st.integers(0, 40),
    st.booleans(),
)
def test_columns_do_not_depend_on_how_rows_came_or_on_what_was_asked_before(
    cuts: list[int], width_s: float, first: int, asked: bool
) -> None:
    rng = np.random.default_rng(7)
    t = np.cumsum(rng.choice([0.1, 0.1, 0.1, 0.1, 4.0], 3000))
    batch = rows(t, rng.normal(50, 1, 3000))
    whole, parts = LivePast(START), LivePast(START)
    take(whole, batch, [])
    width = round(width_s * SECOND)
    for number, start in enumerate(sorted({0, *(cut % 3000 for cut in cuts)})):
        stop = sorted({*(cut % 3000 for cut in cuts), 3000} - {0})[number : number + 1]
        if stop and stop[0] > start:
            part = batch.rows(start, stop[0])
            parts.take(Span(int(part.t[-1]), (part,)))
            if asked:
                parts.columns("pack_voltage", width, first * width, 30)
    for name in ("pack_voltage", "pack_current"):
        expected, found = (past.columns(name, width, first * width, 30) for past in (whole, parts))
        for field in ("low", "high", "joined", "gap"):
            np.testing.assert_array_equal(getattr(found, field), getattr(expected, field))
    assert whole.extremes("pack_voltage") == parts.extremes("pack_voltage")


@pytest.mark.parametrize("step_s", [0.1, 1.0])
def test_memory_is_bounded_and_the_oldest_dip_is_still_seen(step_s: float) -> None:
    t = np.arange(0, 40 * CHUNK_ROWS) * step_s
    volts = np.full(len(t), 52.0)
    volts[1234] = 38.0
    past = LivePast(START, most=20_000)
    take(past, rows(t, volts), list(range(0, len(t), 500)))
    held = sum(chunk.size for each in past._rows.values() for chunk in each.closed)
    assert held <= 20_000 + 2 * 2 * CHUNK_ROWS
    for width_s in (60, 300, 3600):
        width = width_s * SECOND
        columns = past.columns("pack_voltage", width, 0, int(t[-1] // width_s) + 1)
        assert columns.low.min() == 38.0
        assert np.argmin(columns.low) == t[1234] // width_s
        assert not columns.gap[:-1].any()
    assert past.extremes("pack_voltage") == (38.0, 52.0)
    assert past.columns("pack_voltage", SECOND, 0, 200).low.min() <= 52.0, "coarse, but drawn"


def test_rows_are_given_back_as_they_came_and_refused_once_they_are_not_held() -> None:
    t = np.arange(0, 100) * 0.1
    past = LivePast(START)
    batch = rows(t, 50 + t)
    take(past, batch, [10, 40])
    recording = past.recording(START + 2 * SECOND, START + 4 * SECOND)
    (span,) = recording.spans()
    np.testing.assert_array_equal(span.batches[0].values, batch.values[20:41])
    np.testing.assert_array_equal(span.batches[0].t, batch.t[20:41])
    small = LivePast(START, most=5000)
    long = np.arange(0, 20 * CHUNK_ROWS) * 0.1
    take(small, rows(long, 50 + 0 * long), [])
    with pytest.raises(InputError, match="no longer in memory"):
        small.recording(START, START + SECOND)


def test_of_two_groups_the_one_that_came_first_stands_for_a_signal() -> None:
    past = LivePast(START)
    take(past, rows(np.arange(5.0), np.full(5, 50.0)), [])
    past.take(Span(START + 9 * SECOND, (Batch.of_rows(OTHER, [START + 9 * SECOND], [[10.0]]),)))
    assert past.extremes("pack_voltage") == (50.0, 50.0)
    assert past.signals == ("pack_voltage", "pack_current")


def test_what_a_frozen_source_repeats_is_not_known() -> None:
    past = LivePast(START)
    batch = rows(np.arange(10.0), np.full(10, 50.0))
    repeats = np.zeros((10, 2), np.bool_)
    repeats[4:, 0] = True
    past.take(Span(int(batch.t[-1]), (batch,), frozen={PACK.key: repeats}))
    known = ~np.isnan(past.columns("pack_voltage", SECOND, 0, 10).low)
    assert known.tolist() == [True] * 4 + [False] * 6
    assert not np.isnan(past.columns("pack_current", SECOND, 0, 10).low).any()


def test_the_value_at_a_moment_is_the_row_before_it_and_none_in_a_gap() -> None:
    past = LivePast(START)
    take(past, rows(np.array([*np.arange(0, 20, 0.5), 60.0]), np.arange(41.0)), [])
    assert past.value_at("pack_voltage", START - 1) is None
    assert past.value_at("pack_voltage", START + 700_000) == (1.0, 1.0)
    assert past.value_at("pack_voltage", START + 40 * SECOND) is None
    assert past.value_at("pack_voltage", START + 60 * SECOND) == (40.0, 40.0)
    assert past.value_at("motor_speed", START) is None
    assert past.extremes_until("pack_voltage", START + 2 * SECOND) == (0.0, 4.0)
    assert past.extremes_until("pack_voltage", START - 1) is None


def test_marks_change_alarms_and_gaps_are_kept_and_the_rest_is_not() -> None:
    past = LivePast(START)
    alarm = AlarmChange(START + 3, "cell-voltage-low", "cell_min_voltage", "warn", "raised", 2.7, 2.8)
    gap = Gap(START + 9, "pack", "pack_current", START + 5)
    past.take(Span(START + 10, (), (Mark(START + 2, "mark"), alarm, LinkChange(START, "pack", "live"), gap)))
    past.take(Span(START + 20, (), (MarkChange(START + 15, START + 2, "hill"),)))
    assert past.events == [Mark(START + 2, "hill"), alarm, gap]
    assert past.told == 4


def test_what_the_machine_did_follows_the_judge_and_the_implement() -> None:
    past = LivePast(START)
    engaged = Group("c", "c", ("implement_engaged",))
    for second, situation, on in ((1, "resting", 0), (2, "driving", 0), (3, "driving", 1), (4, "braking", 1)):
        t = START + second * SECOND
        past.take(Span(t, (Batch.of_rows(engaged, [t], [[float(on)]]),), situation=situation))  # type: ignore[arg-type]
    past.take(Span(START + 5 * SECOND, (), situation="charging"))
    words = [(stretch.word, (stretch.end - START) // SECOND) for stretch in past.phases]
    assert words == [("rest", 1), ("drive", 2), ("work", 4), ("charge", 5)]
