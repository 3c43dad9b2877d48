"""What nobody needs sooner is given whole seconds at once, and says until when it is complete."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import Mark
from telemetry.pipeline.each_second import EachSecond

MEASURED = Group("pack", "pack", ("pack_current",))
DERIVED = Group("derived", "doubled", ("pack_power",), "derived")
SECOND = 1_000_000


class Doubling:
    """Gives twice each current, a mark for each span it sees, and counts the spans."""

    def __init__(self) -> None:
        self.ends: list[int] = []

    def advance(self, span: Span) -> Span:
        self.ends.append(span.end)
        rows = [Batch(DERIVED, batch.t, 2.0 * batch.values) for batch in span.batches]
        return span.adding(rows, [Mark(span.end, "seen")])


def row(t: int, current: float) -> Batch:
    return Batch.of_rows(MEASURED, [t], [[current]])


@given(st.lists(st.integers(1, 4_000_000), min_size=1, max_size=40, unique=True))
def test_every_row_comes_through_once_and_within_what_is_called_complete(times: list[int]) -> None:
    times.sort()
    stage, seen, told = EachSecond(Doubling()), 0, -1
    for place, t in enumerate(times):
        given_out = stage.advance(Span(t, (row(t, float(place)),), final=place == len(times) - 1))
        derived = [batch for batch in given_out.batches if batch.group.key == DERIVED.key]
        for batch in derived:
            assert batch.values[:, 0].tolist() == [2.0 * (seen + n) for n in range(len(batch))]
            assert int(batch.t[0]) > told, "what is called complete gets no more rows"
            seen += len(batch)
        if seen:
            told = given_out.complete_to(DERIVED)
    assert seen == len(times)


def test_the_stages_see_a_second_once_and_the_rest_with_the_last_span() -> None:
    inner = Doubling()
    stage = EachSecond(inner)
    spans = [stage.advance(Span(t, (row(t, 1.0),))) for t in range(0, 2 * SECOND + 1, SECOND // 10)]
    spans.append(stage.advance(Span(2 * SECOND + 1, (), final=True)))
    assert inner.ends == [0, SECOND, 2 * SECOND, 2 * SECOND + 1]
    assert [event.t for span in spans for event in span.events] == inner.ends
    assert np.concatenate([b.t for s in spans for b in s.batches if b.group.key == DERIVED.key]).tolist() == list(
        range(0, 2 * SECOND + 1, SECOND // 10)
    )
