"""Which of several sources gives a signal: the file's order, a stated silence, one mark, and back again."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.derive import Cells, Charge
from telemetry.machine.sections import SourceSettings
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.model.events import Mark
from telemetry.pipeline.gather import Gather, gather_for
from telemetry.pipeline.one_source import OneSource
from telemetry.pipeline.stage import Chain

STEP = 100_000
PACK = ("pack_voltage", "pack_current", "cell_01_voltage", "cell_02_voltage")
Runs = dict[str, list[tuple[float, float]]]


def played(
    runs: Runs, seconds: float, sources: list[SourceSettings] | None = None, every: dict[str, int] | None = None
) -> list[Span]:
    """Return the spans of sources that each send a row every 0.1 s within their ``runs``, seconds."""
    gather = gather_for(sources or [SourceSettings(driver="d", name=name) for name in runs])
    spans = []
    for t in range(STEP, round(seconds * MICROSECONDS) + 1, STEP):
        for place, (name, times) in enumerate(runs.items()):
            if any(a <= t / MICROSECONDS < b for a, b in times) and t % (every or {}).get(name, STEP) == 0:
                gather.post(Batch.of_rows(Group(name, "values", PACK), [t], [[50.0 + place, 10.0, 3.2, 3.3]]))
        spans.append(gather.close(t))
    return [*spans, gather.close(round(seconds * MICROSECONDS), final=True)]


def marks(spans: list[Span]) -> list[str]:
    return [event.text for span in spans for event in span.events if isinstance(event, Mark)]


def given_by(spans: list[Span], signal: str = "pack_voltage") -> list[tuple[float, str]]:
    """Return when which source gave the signal, seconds, wherever that changed."""
    rows = [
        (t / MICROSECONDS, batch.group.source)
        for span in spans
        for batch, column in span.carrying(signal)
        for t, value in zip(batch.t.tolist(), column, strict=True)
        if not np.isnan(value)
    ]
    return [row for place, row in enumerate(rows) if place == 0 or rows[place - 1][1] != row[1]]


WHO = "voltage, current, 2 cells"


def test_the_order_of_the_file_decides_and_not_who_spoke_first() -> None:
    spans = played({"pack": [(3, 10)], "bus": [(0, 10)]}, 10)
    assert given_by(spans) == [(0.1, "bus"), (3.0, "pack")]
    assert marks(spans) == [f"{WHO} from pack; kept beside: the same from bus"]


def test_prefer_goes_before_the_order() -> None:
    sources = [
        SourceSettings(driver="d", name="pack"),
        SourceSettings(driver="d", name="bus", prefer=("pack_voltage",)),
    ]
    spans = played({"pack": [(0, 9)], "bus": [(0, 9)]}, 9, sources)
    assert given_by(spans) == [(0.1, "bus")]
    assert given_by(spans, "pack_current") == [(0.1, "pack")]


def test_a_silent_source_is_replaced_with_one_mark_and_gets_back_what_it_gave() -> None:
    spans = played({"pack": [(0, 20), (40, 60)], "bus": [(0, 60)]}, 60)
    assert given_by(spans) == [(0.1, "pack"), (20.8, "bus"), (45.0, "pack")]
    assert marks(spans)[1:] == [f"pack link lost: {WHO} now from bus", f"pack link back: {WHO} from pack again"]


def test_a_slow_source_is_given_its_own_time_and_a_stated_silence_counts() -> None:
    slow = {"pack": 2 * MICROSECONDS}
    spans = played({"pack": [(0, 30)], "bus": [(0, 60)]}, 60, every=slow)
    assert given_by(spans)[-1] == (pytest.approx(36.1), "bus")  # four intervals after its last row at 28 s
    sources = [SourceSettings(driver="d", name="pack", silence_s=15.0), SourceSettings(driver="d", name="bus")]
    assert given_by(played({"pack": [(0, 20)], "bus": [(0, 60)]}, 60, sources))[-1][0] == pytest.approx(35.0)


def test_a_source_that_comes_and_goes_does_not_get_it_back() -> None:
    blinking = [(20.0 + 3 * n, 21.0 + 3 * n) for n in range(10)]
    spans = played({"pack": [(0, 18), *blinking], "bus": [(0, 60)]}, 50)
    assert [source for _, source in given_by(spans)] == ["pack", "bus"]
    assert len(marks(spans)) == 2


def test_a_signal_that_one_group_lacks_moves_alone() -> None:
    gather = gather_for([SourceSettings(driver="d", name=name) for name in ("pack", "bus")])
    spans = []
    for t in range(STEP, 10 * MICROSECONDS, STEP):
        volts = 50.0 if t < 5 * MICROSECONDS else np.nan
        gather.post(Batch.of_rows(Group("pack", "values", PACK), [t], [[volts, 10.0, 3.2, 3.3]]))
        gather.post(Batch.of_rows(Group("bus", "values", PACK[:2]), [t], [[51.0, 9.0]]))
        spans.append(gather.close(t))
    assert given_by(spans) == [(0.1, "pack"), (5.8, "bus")]
    assert given_by(spans, "pack_current") == [(0.1, "pack")]
    assert marks(spans)[1:] == ["pack gives less: voltage now from bus"]


@settings(max_examples=12, deadline=None)
@example({"pack": [], "bus": [(0, 1), (21, 5)], "radio": [(16, 11)]})
@given(
    st.fixed_dictionaries(
        {
            name: st.lists(st.tuples(st.integers(0, 30), st.integers(1, 15)), max_size=3)
            for name in ("pack", "bus", "radio")
        }
    )
)
def test_whatever_any_source_gives_is_recorded_by_one_of_them(plan) -> None:
    runs = {name: [(a, a + length) for a, length in times] for name, times in plan.items()}
    spans = played(runs, 40)
    given = dict.fromkeys(range(STEP, 40 * MICROSECONDS + 1, STEP), 0)
    for span in spans:
        for batch, column in span.carrying("pack_voltage"):
            for t, value in zip(batch.t.tolist(), column, strict=True):
                given[t] += not np.isnan(value)
    assert max(given.values()) <= 1  # never two at once
    silent = 0
    for t, count in given.items():
        alive = any(a <= t / MICROSECONDS < b for times in runs.values() for a, b in times)
        silent = silent + STEP if alive and not count else 0
        assert silent <= 5 * MICROSECONDS  # no longer than the silence by which a hand-over is decided
    said = [text for text in marks(spans) if "kept beside" not in text]
    assert len(said) <= max(0, len(given_by(spans)) - 1), said


def test_a_recorded_hand_over_is_played_as_it_was() -> None:
    live = played({"pack": [(0, 20), (40, 60)], "bus": [(0, 60)]}, 60)
    gather, again = Gather(ahead_at_most=None), []
    for span in live:
        for batch in span.batches:
            gather.post(batch)
        again.append(gather.close(span.end))
    assert given_by(again) == given_by(live)
    assert marks(again) == []  # they are events of the recording


def test_totals_and_cells_go_on_through_a_hand_over() -> None:
    spans = played({"pack": [(0, 20), (40, 60)], "bus": [(0, 60)]}, 60)
    stages, lowest = OneSource(Chain([Cells(), Charge()])), Chosen("cell_min_voltage", False)
    out, lows = 0.0, 0
    for span in spans:
        found = stages.advance(span)
        out = max([out, *(float(c.max()) for _, c in found.carrying("charge_out"))])
        lows += len(known_values(lowest, found)[0])
    assert out == pytest.approx(10.0 * 59.8 / 3600, rel=1e-6)  # no hole is longer than what is bridged
    assert lows == 599 - 8  # what neither gave under its own name, from 20.0 to 20.7 s


def test_a_group_that_never_knows_a_signal_does_not_stand_for_it() -> None:
    chosen, volts = Chosen("pack_voltage"), 0.0
    for t in range(5):
        unknown = Batch.of_rows(Group("bus", "a", ("pack_voltage",)), [t], [[np.nan]])
        known = Batch.of_rows(Group("bus", "b", ("pack_voltage",)), [t], [[52.0]])
        volts += float(known_values(chosen, Span(t, (unknown, known)))[1].sum())
    assert volts == 5 * 52.0
