"""Groups, batches and spans: shapes that must hold, widening, and merging in time order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group, Span, merged
from telemetry.model.events import Mark

PACK = Group("pack", "poll", ("pack_voltage", "pack_current"))
SIGNALS = ("pack_voltage", "pack_current", "cell_01_voltage", "cell_02_voltage", "motor_speed")


@st.composite
def batches(draw, group=PACK, most=8):
    times = sorted(draw(st.lists(st.integers(0, 50), max_size=most)))
    values = st.one_of(st.floats(-1e3, 1e3), st.just(float("nan")))
    width = len(group.signals)
    rows = draw(st.lists(st.lists(values, min_size=width, max_size=width), min_size=len(times), max_size=len(times)))
    return Batch.of_rows(group, times, rows)


@st.composite
def widening(draw):
    """Batches of one group that widens on the way, in the order they came."""
    group, found = Group("pack", "poll", SIGNALS[:1]), []
    for _ in range(draw(st.integers(1, 5))):
        group = group.widened(draw(st.lists(st.sampled_from(SIGNALS), max_size=3, unique=True)))
        found.append(draw(batches(group)))
    return found


def same(one, other):
    """Equal to the last bit, unknown values included."""
    return (
        one.group == other.group
        and one.t.tobytes() == other.t.tobytes()
        and np.array_equal(one.values, other.values, equal_nan=True)
    )


class TestGroup:
    def test_a_signal_stands_once(self):
        with pytest.raises(ValueError, match="twice in group pack/poll"):
            Group("pack", "poll", ("pack_voltage", "pack_voltage"))

    def test_a_signal_is_found_by_name(self):
        assert PACK.place("pack_current") == 1
        assert PACK.place("motor_speed") is None

    def test_widening_appends_what_is_missing_and_keeps_places(self):
        wide = PACK.widened(["motor_speed", "pack_voltage"])
        assert wide.signals == ("pack_voltage", "pack_current", "motor_speed")
        assert wide.key == PACK.key
        assert wide.origin == PACK.origin

    def test_widening_by_nothing_new_gives_the_same_group(self):
        assert PACK.widened(["pack_current"]) is PACK

    @given(st.lists(st.lists(st.sampled_from(SIGNALS), max_size=4, unique=True), max_size=4))
    def test_a_group_only_widens(self, steps):
        group = PACK
        for step in steps:
            wider = group.widened(step)
            assert wider.signals[: len(group.signals)] == group.signals
            assert set(wider.signals) == set(group.signals) | set(step)
            group = wider

    def test_equal_groups_are_equal_and_hash_alike(self):
        other = Group("pack", "poll", ("pack_voltage", "pack_current"))
        other.place("pack_voltage")
        assert other == PACK
        assert hash(other) == hash(PACK)


class TestBatch:
    def test_types_and_shapes_are_held_to(self):
        t, values = np.zeros(2, np.int64), np.zeros((2, 2))
        assert len(Batch(PACK, t, values)) == 2
        with pytest.raises(TypeError, match="int64"):
            Batch(PACK, t.astype(np.float64), values)
        with pytest.raises(TypeError, match="float64"):
            Batch(PACK, t, values.astype(np.float32))
        with pytest.raises(ValueError, match="2 times and 2 signals do not fit"):
            Batch(PACK, t, values[:, :1])
        with pytest.raises(ValueError, match="do not fit"):
            Batch(PACK, t[:1], values)

    def test_rows_from_plain_sequences(self):
        batch = Batch.of_rows(PACK, [1, 2], [[51.2, 10.0], [51.1, float("nan")]])
        assert batch.t.tolist() == [1, 2]
        assert batch.column("pack_voltage").tolist() == [51.2, 51.1]
        assert np.isnan(batch.column("pack_current")[1])
        assert batch.column("motor_speed") is None

    def test_no_rows_keep_their_width(self):
        assert Batch.of_rows(PACK, [], []).values.shape == (0, 2)

    def test_a_row_of_the_wrong_width_is_refused(self):
        with pytest.raises(ValueError, match="reshape"):
            Batch.of_rows(PACK, [1], [[1.0]])

    @given(batches(), st.integers(0, 8), st.integers(0, 8))
    def test_a_piece_is_a_view_and_pieces_make_the_whole(self, batch, one, other):
        start, stop = sorted((min(one, len(batch)), min(other, len(batch))))
        pieces = [batch.rows(0, start), batch.rows(start, stop), batch.rows(stop, len(batch))]
        assert sum(map(len, pieces)) == len(batch)
        assert same(merged(pieces), batch)
        assert all(not len(piece) or np.shares_memory(piece.values, batch.values) for piece in pieces)

    @given(batches())
    def test_a_wider_group_adds_unknown_columns_only(self, batch):
        wide = batch.as_wide_as(PACK.widened(["motor_speed"]))
        assert np.array_equal(wide.values[:, :2], batch.values, equal_nan=True)
        assert np.isnan(wide.values[:, 2]).all()
        assert wide.t is batch.t

    def test_columns_are_put_by_name_not_by_place(self):
        turned = Group("pack", "poll", ("motor_speed", "pack_current", "pack_voltage"))
        wide = Batch.of_rows(PACK, [1], [[51.2, 10.0]]).as_wide_as(turned)
        assert wide.column("pack_voltage").tolist() == [51.2]
        assert wide.column("pack_current").tolist() == [10.0]

    def test_a_narrower_group_is_refused(self):
        with pytest.raises(ValueError, match="lacks pack_current"):
            Batch.of_rows(PACK, [1], [[51.2, 10.0]]).as_wide_as(Group("pack", "poll", ("pack_voltage",)))


class TestMerged:
    @given(widening())
    def test_every_row_comes_out_once_in_time_order(self, parts):
        whole = merged(parts)
        expected = sorted(
            ((int(t), part, row) for part, batch in enumerate(parts) for row, t in enumerate(batch.t)),
            key=lambda place: place[0],  # stable: at equal times, in the order they came
        )
        assert whole.t.tolist() == [t for t, _, _ in expected]
        for place, (_, part, row) in enumerate(expected):
            for signal in whole.group.signals:
                column = parts[part].column(signal)
                value = np.nan if column is None else column[row]
                assert np.array_equal(whole.column(signal)[place], value, equal_nan=True)

    @given(widening(), st.integers(1, 4))
    def test_merging_in_two_steps_is_merging_at_once(self, parts, at):
        at = min(at, len(parts) - 1)
        if at:
            assert same(merged([merged(parts[:at]), merged(parts[at:])]), merged(parts))

    def test_one_batch_is_given_back_as_it_is(self):
        batch = Batch.of_rows(PACK, [1], [[51.2, 10.0]])
        assert merged([batch]) is batch

    def test_the_parts_stay_as_they_were(self):
        late = Batch.of_rows(PACK, [5], [[1.0, 1.0]])
        early = Batch.of_rows(PACK, [3], [[2.0, 2.0]])
        assert merged([late, early]).t.tolist() == [3, 5]
        assert (late.t.tolist(), early.t.tolist()) == ([5], [3])


class TestSpan:
    def test_adding_leaves_out_empty_batches_and_keeps_the_rest(self):
        batch, empty = Batch.of_rows(PACK, [1], [[51.2, 10.0]]), Batch.of_rows(PACK, [], [])
        span = Span(10, (batch,), (Mark(1, "gate"),), {("a", "b"): 4})
        more = span.adding([empty], [Mark(2, "hill")], {("derived", "power"): 7})
        assert more.batches == (batch,)
        assert [event.text for event in more.events] == ["gate", "hill"]
        assert more.complete == {("a", "b"): 4, ("derived", "power"): 7}
        assert span.complete == {("a", "b"): 4}
        assert (more.end, more.final) == (10, False)

    def test_a_final_span_stays_final(self):
        assert Span(10, final=True).adding().final

    def test_a_group_is_complete_to_the_end_unless_it_lags(self):
        lagging = Group("derived", "power", ("pack_power",), "derived")
        span = Span(10, complete={lagging.key: 7})
        assert span.complete_to(PACK) == 10
        assert span.complete_to(lagging) == 7

    def test_batches_are_found_by_what_they_carry(self):
        batch = Batch.of_rows(PACK, [1, 2], [[51.2, 10.0], [51.1, 11.0]])
        other = Batch.of_rows(Group("motor", "frame", ("motor_speed",)), [1], [[900.0]])
        span = Span(2, (other, batch))
        assert [(b, c.tolist()) for b, c in span.carrying("pack_current")] == [(batch, [10.0, 11.0])]
        assert list(span.carrying("latitude")) == []
        assert span.value_count == 5

    def test_an_empty_span_carries_nothing_but_time(self):
        assert Span(3).value_count == 0
        assert Span(3).adding().end == 3
