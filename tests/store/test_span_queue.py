"""What waits to be written is bounded in time, values and events, and what is refused is counted."""

from __future__ import annotations

import time

import numpy as np

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Mark
from telemetry.model.raw_bytes import RawBytes
from telemetry.store.span_queue import LIVE_SPAN_US, MAX_EVENTS, Call, Counts, SpanQueue

GROUP = Group("pack", "pack", ("pack_voltage", "pack_current"))
MARK = Mark(0, "gate")


def span(end: int, rows: int = 1, events: int = 0) -> Span:
    batches = (Batch(GROUP, np.full(rows, end, dtype=np.int64), np.zeros((rows, 2))),) if rows else ()
    return Span(end, batches, (MARK,) * events)


def test_a_live_span_waits_for_its_end_up_to_a_minute_after_the_first() -> None:
    queue = SpanQueue(1000)
    queue.start_counting(live=True)
    assert queue.add(span(0)) == 0
    assert queue.add(span(LIVE_SPAN_US)) == 0
    assert queue.add(span(LIVE_SPAN_US + 1)) == 2
    assert queue.counts == Counts(queued=4, stored=0, refused=2, limit=1000)
    queue.start_counting(live=False)
    assert queue.add(span(LIVE_SPAN_US * 100)) == 0, "only memory binds a replay"


def test_the_last_value_that_has_room_is_taken_and_the_next_is_not() -> None:
    queue = SpanQueue(10)
    assert queue.add(span(0, rows=50)) == 0, "an empty queue takes any span"
    queue.written(queue.first_spans(1))
    assert not queue
    assert [queue.add(span(0, rows=rows)) for rows in (2, 3, 1)] == [0, 0, 2]
    assert [queue.has_room(values) for values in (0, 1)] == [True, False]
    assert (queue.counts.stored, queue.counts.queued, queue.counts.refused) == (100, 10, 2)


def test_events_are_kept_where_values_are_not_up_to_a_bound_of_their_own() -> None:
    queue = SpanQueue(2)
    assert queue.add(span(0, events=MAX_EVENTS - 1)) == 0
    assert queue.add(span(1, events=1)) == 2, "its event fits exactly"
    assert queue.counts.refused_events == 0
    queue.add(span(2, rows=0, events=3))
    assert queue.counts.refused_events == 3
    queue.written(queue.first_spans(10))
    queue.add(span(3, rows=0, events=3))
    assert queue.counts.refused_events == 3, "room again"
    assert MAX_EVENTS == 100_000, "more than a day of alarms, and less memory than a minute of values"


def test_what_is_thrown_away_is_counted_and_told_with_the_next_span_that_asks() -> None:
    queue = SpanQueue(100)
    raw = Span(1, raw=(RawBytes(0, "pack", 0, 0, 1, b"\0" * 13),))
    queue.add(span(0, rows=3, events=2))
    queue.add(raw)
    queue.add(span(2, rows=2))
    queue.refuse_first()
    queue.refuse_first()
    assert queue.counts == Counts(queued=4, stored=0, refused=6, limit=100, refused_events=2, refused_raw=13)
    assert queue.add(raw) == 0, "whoever hands over raw bytes asks for no values"
    assert queue.add(span(3)) == 6
    assert queue.add(span(4)) == 0
    queue.start_counting(live=True)
    assert queue.counts == Counts(queued=8, stored=0, refused=0, limit=100)


def test_a_call_has_its_turn_between_spans() -> None:
    queue = SpanQueue(100)
    call: Call[None] = Call(lambda db: None)
    for job in (span(0), span(1), span(2)):
        queue.add(job)
    queue.add_call(call)
    queue.add(span(3))
    assert queue.calls == 1
    assert [each.end for each in queue.first_spans(4)] == [0, 1], "as many as hold about so many values"
    assert [each.end for each in queue.first_spans(5)] == [0, 1, 2]
    assert [each.end for each in queue.first_spans(0)] == [0], "at least one"
    queue.written(queue.first_spans(1000))
    assert queue.head() is call
    assert queue.give_up() == [call]
    assert not queue
    assert (queue.calls, queue.values, queue.counts.refused) == (0, 0, 2)


def test_since_when_nothing_was_written_though_something_waits() -> None:
    queue = SpanQueue(100)
    assert queue.oldest is None
    assert queue.stuck_since(5.0) == 5.0
    before = time.monotonic()
    queue.add(span(7))
    assert queue.oldest is not None
    end, taken_at = queue.oldest
    assert end == 7
    assert before <= taken_at <= time.monotonic()
    assert queue.stuck_since(5.0) == max(5.0, taken_at)
    assert queue.stuck_since(taken_at + 5.0) == taken_at + 5.0
