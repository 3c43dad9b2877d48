"""Live, what a frozen source repeats reaches no stage, and its alarm comes and goes. Simulated data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.model.batch import MICROSECONDS, Batch, Span
from telemetry.model.events import AlarmChange
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages
from telemetry.pipeline.snapshot import Snapshot
from tests.analysis.frozen_recordings import Batches, drive, flat, frozen, signals_of, thinned

END = 420 * MICROSECONDS


def frozen_drive(every: int = 1) -> Batches:
    whole = thinned(drive("market", 341, 420, 10.0), every)
    return frozen(whole, signals_of(whole, "pack", "cells"), 200.0, 300.0)


def run(batches: Batches, cuts: list[int], snapshot: Snapshot | None = None):
    """Return derived rows by group, alarm changes and the measured rows that came out."""
    stages, last = standard_stages(Judge(())), -1
    rows: dict[tuple[str, str], list[tuple[int, bytes]]] = {}
    changes: list[AlarmChange] = []
    for cut in cuts:
        pieces = []
        for batch in batches:
            first, stop = (int(np.searchsorted(batch.t, t, side="right")) for t in (last, cut))
            if stop > first:
                pieces.append(batch.rows(first, stop))
        span = stages.advance(Span(cut, tuple(pieces), final=cut == END))
        if snapshot is not None:
            snapshot.take(span)
        for batch in span.batches:
            mask = span.frozen.get(batch.group.key, np.zeros(batch.values.shape, dtype=np.bool_))
            for t, values, repeats in zip(batch.t.tolist(), batch.values, mask, strict=True):
                rows.setdefault(batch.group.key, []).append((t, values.tobytes() + repeats.tobytes()))
        changes += [event for event in span.events if isinstance(event, AlarmChange)]
        last = cut
    return rows, changes


def test_the_alarm_says_how_long_and_what_moved_and_clears() -> None:
    _, changes = run(frozen_drive(), [END])
    told = [(change.signal, change.state) for change in changes if change.limit == "source-frozen"]
    assert sorted(told) == [("cells", "cleared"), ("cells", "raised"), ("pack", "cleared"), ("pack", "raised")]
    raised = next(c for c in changes if (c.signal, c.state) == ("pack", "raised"))
    assert 212 <= raised.t / 1e6 <= 250
    assert f"has sent the same values for {raised.t / 1e6 - 199.9:.0f} s" in raised.why
    assert "throttle voltage" in raised.why
    cleared = next(c for c in changes if (c.signal, c.state) == ("pack", "cleared"))
    assert cleared.t / 1e6 == pytest.approx(300.0, abs=0.3)


def test_a_sound_drive_raises_nothing() -> None:
    _, changes = run(thinned(drive("market", 341, 420, 10.0), 1), [END])
    assert changes == []


def test_no_figure_of_a_frozen_source_looks_fresh_and_live_totals_stand_still() -> None:
    snapshot = Snapshot()
    batches = frozen_drive()
    step = MICROSECONDS // 2
    charges = {}

    class Watching(Snapshot):
        def take(self, span: Span) -> None:
            super().take(span)
            if span.end == 290 * MICROSECONDS:
                for signal in ("pack_voltage", "pack_current", "pack_power", "cell_01_voltage", "cell_spread"):
                    assert self.fresh(signal, span.end) is None, signal
                assert self.fresh("vehicle_speed", span.end) is not None
            if span.end in (260 * MICROSECONDS, 290 * MICROSECONDS):
                charges[span.end] = self.readings["charge_out"].value

    snapshot = Watching()
    run(batches, [*range(step, END, step), END], snapshot)
    assert len(set(charges.values())) == 1
    assert len(charges) == 2
    assert snapshot.fresh("pack_voltage", END) is not None
    assert snapshot.gaps_s["pack_current"] > 50.0


def test_what_was_measured_comes_out_whole() -> None:
    batches = frozen_drive()
    rows, _ = run(batches, [END])
    for batch in batches:
        assert [t for t, _ in rows[batch.group.key]] == batch.t.tolist()
        assert all(
            told.startswith(values.tobytes())
            for (_, told), values in zip(rows[batch.group.key], batch.values, strict=True)
        )


@settings(max_examples=10)
@given(st.lists(st.integers(1, 419_999), max_size=30, unique=True), st.booleans())
def test_nothing_depends_on_the_cuts(cuts_ms: list[int], one_table: bool) -> None:
    batches: tuple[Batch, ...] = frozen_drive(5)
    if one_table:
        batches = flat(batches)
    once = run(batches, [END])
    assert any(change.limit == "source-frozen" for change in once[1])
    often = run(batches, [*(cut * 1000 for cut in sorted(cuts_ms)), END])
    assert often[0] == once[0]
    assert sorted(map(repr, often[1])) == sorted(map(repr, once[1]))
