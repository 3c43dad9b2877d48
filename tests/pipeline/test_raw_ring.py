"""Raw bytes around high alarms: 30 s before to 30 s after, once each, bounded, and what is missing is counted."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.model.batch import Span
from telemetry.model.capture import CapturedPiece
from telemetry.model.events import AlarmChange, Event
from telemetry.model.raw_bytes import RawBytes, RawMissing, packed, unpacked
from telemetry.pipeline.raw_ring import AROUND, RawRing

S = 1_000_000
START = 1_700_000_000 * S


def high(t: int) -> AlarmChange:
    return AlarmChange(START + t, "cell-voltage-low", "cell_min_voltage", "trip", "raised", 2.4, 2.5)


def low(t: int) -> AlarmChange:
    return AlarmChange(START + t, "cell-voltage-low", "cell_min_voltage", "warn", "raised", 2.7, 2.8)


class Kept:
    def __init__(self) -> None:
        self.raw: list[RawBytes] = []
        self.missing: list[RawMissing] = []

    def __call__(self, span: Span) -> None:
        assert not span.batches
        assert not span.events
        for one in span.raw:
            (self.raw if isinstance(one, RawBytes) else self.missing).append(one)

    def pieces(self, source: str = "pack") -> list[CapturedPiece]:
        return [piece for raw in self.raw if raw.source == source for piece in unpacked(raw)]


def played(
    events: list[Event], until: int, every: int = S // 10, size: int = 20, **bounds: int
) -> tuple[Kept, list[CapturedPiece]]:
    """Send a piece of ``size`` bytes each ``every`` microseconds on two links, and close a span after each."""
    kept, sent = Kept(), []
    ring = RawRing(kept, **bounds)
    for t in range(0, until, every):
        for source in ("pack", "throttle"):
            piece = CapturedPiece(START + t, source, "out" if t % 3 else "in", (t % 251).to_bytes(1) * size)
            ring.take(piece)
            sent.append(piece)
        due = [event for event in events if START + t - every < event.t <= START + t]
        ring.follow(Span(START + t, events=tuple(due), final=t + every >= until))
    return kept, [piece for piece in sent if piece.source == "pack"]


def test_what_came_from_30_s_before_to_30_s_after_is_kept_of_every_link() -> None:
    kept, sent = played([low(20 * S), high(60 * S)], 150 * S)
    for source in ("pack", "throttle"):
        times = [piece.t - START for piece in kept.pieces(source)]
        # whole blocks of a second are kept
        assert 29 * S <= min(times) <= 30 * S
        assert 90 * S <= max(times) <= 91 * S
        assert all(b - a == S // 10 for a, b in pairwise(times))
    pieces = kept.pieces()
    assert pieces == [p for p in sent if pieces[0].t <= p.t <= pieces[-1].t]
    assert not kept.missing
    assert {raw.alarm_t for raw in kept.raw} == {START + 60 * S}
    assert sum(raw.pieces for raw in kept.raw if raw.source == "pack") == len(kept.pieces())


def test_the_bytes_before_an_alarm_are_handed_on_as_it_is_raised() -> None:
    kept = Kept()
    ring = RawRing(kept)
    for t in range(0, 40 * S, S // 10):
        ring.take(CapturedPiece(START + t, "pack", "in", b"x"))
    ring.follow(Span(START + 40 * S, events=(high(40 * S),)))
    assert 9 * S <= kept.pieces()[0].t - START <= 10 * S
    assert kept.pieces()[-1].t - START >= 38 * S


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 200 * S), min_size=1, max_size=6))
def test_overlapping_alarms_keep_each_piece_once_and_everything_around_each(times: list[int]) -> None:
    kept, sent = played([high(t) for t in times], 200 * S, every=S // 2)
    pieces = kept.pieces()
    assert pieces == sorted(set(pieces), key=lambda piece: piece.t)
    wanted = {p for p in sent if any(START + t - AROUND <= p.t <= START + t + AROUND for t in times if t < 199 * S)}
    assert wanted <= set(pieces)
    near = [p for p in sent if any(abs(p.t - START - t) <= AROUND + S for t in times)]
    assert set(pieces) <= set(near)


def test_nothing_is_kept_without_a_high_alarm() -> None:
    kept, _ = played([low(20 * S)], 60 * S)
    assert not kept.raw
    assert not kept.missing


def test_a_link_that_overfills_its_memory_keeps_the_newest_and_says_how_much_is_missing() -> None:
    each = len(packed(CapturedPiece(0, "pack", "in", b"x" * 1000)))
    kept, sent = played([high(60 * S)], 61 * S, size=1000, link_bytes=100 * each)
    first = kept.pieces()[0].t
    assert 49 * S <= first - START <= 51 * S
    gone = [p for p in sent if START + 29 * S <= p.t < first]
    [missing] = [one for one in kept.missing if one.source == "pack"]
    assert missing.lost_bytes == pytest.approx(len(gone) * each, abs=25 * each)  # blocks and seconds are whole
    assert missing.start <= START + 31 * S
    assert first - 2 * S <= missing.end <= first


def test_alarms_without_end_are_bounded_and_the_rest_is_counted() -> None:
    each = len(packed(CapturedPiece(0, "pack", "in", b"x" * 20)))
    kept, sent = played([high(t * S) for t in range(300)], 300 * S, session_bytes=500 * each)
    stored = sum(len(raw.data) for raw in kept.raw)
    assert 400 * each < stored <= 500 * each
    assert stored + sum(one.lost_bytes for one in kept.missing) == 2 * len(sent) * each
    assert len(kept.missing) == 2


def test_a_single_piece_larger_than_the_memory_is_counted_and_harms_nothing() -> None:
    kept = Kept()
    ring = RawRing(kept, link_bytes=100)
    ring.take(CapturedPiece(START, "pack", "in", b"x" * 1000))
    ring.take(CapturedPiece(START + S, "pack", "in", b"y"))
    ring.follow(Span(START + 2 * S, events=(high(2 * S),), final=True))
    assert [piece.data for piece in kept.pieces()] == [b"y"]
    assert [one.lost_bytes for one in kept.missing] == [1013]


@given(st.lists(st.tuples(st.integers(-(2**60), 2**60), st.sampled_from(["in", "out"]), st.binary(max_size=40))))
def test_packing_gives_back_every_piece_and_a_cut_block_is_refused(given_pieces) -> None:
    pieces = [CapturedPiece(t, "pack", direction, data) for t, direction, data in given_pieces]
    data = b"".join(map(packed, pieces))
    assert list(unpacked(RawBytes(0, "pack", 0, 0, len(pieces), data))) == pieces
    if pieces:
        with pytest.raises(ValueError, match="cut short"):
            list(unpacked(RawBytes(0, "pack", 0, 0, len(pieces), data[:-1])))
